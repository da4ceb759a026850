package episodes

import (
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"time"
)

// Count is how the episodes of one kind, or of all, did over a time.
type Count struct {
	Kind     records.EpisodeKind // "" for all kinds together
	Opened   int                 // told for the first time; a recheck that is not overdue yet is not counted
	Reopened int                 // by new evidence
	Arrived  int                 // owed already when the patient came to the unit
	// Per100 is openings and reopenings per 100 patient-days; nil without any
	// patient-days.
	Per100 *float64

	Evidence  map[string]int // endings by evidence, by reason
	Person    map[string]int // endings by a person, by the reason chosen
	StillOpen int            // owed at the end of the time

	// Median ages since the opening or reopening, of what was first taken and of
	// what ended within the time; nil where nothing was.
	AtTaking *time.Duration
	AtEnding *time.Duration
}

// Ended is how many ended, by evidence and by a person.
func (c Count) Ended() (evidence, person int) { return sum(c.Evidence), sum(c.Person) }

func sum(m map[string]int) (n int) {
	for _, v := range m {
		n += v
	}
	return n
}

// Tally counts what happened on a unit ("" for the feeds) in [from, to), for all
// kinds together and then for each kind that has any, in the order of Kinds.
// histories are the events of each episode from its first on, in their order;
// patientDays is 0 where it is not known.
func Tally(histories [][]records.EpisodeEvent, unit string, from, to time.Time, patientDays float64) []Count {
	counters := map[records.EpisodeKind]*counter{"": {Count: Count{Evidence: map[string]int{}, Person: map[string]int{}}}}
	for _, kind := range Kinds {
		counters[kind] = &counter{Count: Count{Kind: kind, Evidence: map[string]int{}, Person: map[string]int{}}}
	}
	for _, events := range histories {
		if len(events) == 0 {
			continue
		}
		counters[""].add(events, unit, from, to)
		if c := counters[events[0].Kind]; c != nil {
			c.add(events, unit, from, to)
		}
	}
	out := []Count{counters[""].done(patientDays)}
	for _, kind := range Kinds {
		if c := counters[kind]; c.any {
			out = append(out, c.done(patientDays))
		}
	}
	return out
}

type counter struct {
	Count
	any             bool
	takings, ending []time.Duration
}

func (c *counter) add(events []records.EpisodeEvent, unit string, from, to time.Time) {
	var e records.Episode
	taken := false // since it was raised
	for _, v := range events {
		if !v.At.Before(to) {
			break
		}
		e = Apply(e, v)
		within := !v.At.Before(from) && v.Unit == unit
		c.any = c.any || within
		switch v.What {
		case Opened, Reopened, FellDue:
			taken = taken && v.What == FellDue
			switch {
			case !within || !v.Tells:
			case v.What == Reopened:
				c.Reopened++
			default:
				c.Opened++
			}
		case Moved:
			if within {
				c.Arrived++
			}
		case TakenOn, Given:
			if within && !taken {
				c.takings = append(c.takings, e.Age(v.At))
			}
			taken = true
		case Ended, Closed, ToldOf:
			if !within || v.To != Done || v.What == Ended && len(e.Told) == 0 {
				break // a recheck that was done before anybody was told of it opened nothing
			}
			c.ending = append(c.ending, e.Age(v.At))
			if v.What == Ended {
				c.Evidence[v.Reason]++
			} else {
				c.Person[v.Reason]++
			}
		}
	}
	if e.Events > 0 && e.Active() && e.Unit == unit {
		c.StillOpen++
		c.any = true
	}
}

func (c *counter) done(patientDays float64) Count {
	if patientDays > 0 {
		rate := float64(c.Opened+c.Reopened) / patientDays * 100
		c.Per100 = &rate
	}
	c.AtTaking, c.AtEnding = median(c.takings), median(c.ending)
	return c.Count
}

func median(list []time.Duration) *time.Duration {
	m, any := clinical.Median(list)
	if !any {
		return nil
	}
	return &m
}
