// Package rounds works out the round of a unit: which sets are to be taken in the hours ahead,
// what each takes, and whose beds they are. It is pure.
package rounds

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Ahead is how far a round looks: the longest usual shift.
const Ahead = 12 * time.Hour

// LyingMinutes is for how long a patient lies before a set: published protocols ask for 5 min.
const LyingMinutes = 5

// Why two people go to a set. No published source gives a list: each is a charted sign that the
// patient may go down while standing. Where none is charted, one may still be too few.
const (
	TwoStopped = "stopped" // the latest set was stopped early, or ended in a faint
	TwoFell    = "fell"    // a fall or faint of the last hours (policy: tiers.recent_hours)
	TwoLow     = "low"     // a low pressure at rest of the last hours, or a low standing one at the latest set
)

// Stop is one set of a round: it is owed, or was taken in the shift.
type Stop struct {
	Of    alerts.Assessment
	At    time.Time   // when it is due; when it began, of one that was taken
	Taken *trends.Set // nil: it is owed
	// Left is the demand of this round that the set taken does not meet, because it came later or the set too
	// soon; nil where it leaves none.
	Left    *alerts.Instance
	Overdue bool
	Blocked bool // nobody may stand the patient now, whatever is due
	// Lying and Standing are the minutes that it takes at least; of one that is owed alone.
	Lying, Standing float64
	Two             []string // why two people go; none where nothing charted asks for it
}

// Bed is the bed of the patient; "" for none.
func (s Stop) Bed() string { return s.Of.Digest.Stay.Bed }

// Stops are the sets of a unit's list that are owed within Ahead, and those that were taken since
// a moment, in the order in which they are walked: what is overdue first, then by time; of one
// time in the order of beds.
func Stops(list []alerts.Assessment, p clinical.Policy, since, at time.Time) []Stop {
	var out []Stop
	for _, a := range list {
		for n, set := range a.Digest.Sets {
			if !set.StartedAt.Before(since) && !set.StartedAt.After(at) {
				out = append(out, Stop{Of: a, At: set.StartedAt, Taken: &a.Digest.Sets[n], Left: left(a, set.StartedAt, at)})
			}
		}
		if due := a.Recheck.DueAt; due != nil && !a.Died() && due.Before(at.Add(Ahead)) {
			out = append(out, owed(a, p, *due, at))
		}
	}
	slices.SortStableFunc(out, func(x, y Stop) int {
		switch {
		case x.Overdue != y.Overdue && x.Overdue:
			return -1
		case x.Overdue != y.Overdue:
			return 1
		case x.At.Equal(y.At):
			return alerts.CompareBeds(x.Bed(), y.Bed())
		}
		return x.At.Compare(y.At)
	})
	return out
}

// left is the first demand within Ahead that a set taken at a moment does not meet: what was triggered
// after it, or before it with a time from which alone a set counts. What the set itself asks for is none.
func left(a alerts.Assessment, taken, at time.Time) *alerts.Instance {
	if a.Died() {
		return nil
	}
	for n, i := range a.Recheck.Open {
		tooSoon := i.Trigger.Before(taken) && i.MetFrom != nil && i.MetFrom.After(taken)
		if i.Due.Before(at.Add(Ahead)) && (tooSoon || i.Trigger.After(taken)) {
			return &a.Recheck.Open[n]
		}
	}
	return nil
}

func owed(a alerts.Assessment, p clinical.Policy, due, at time.Time) Stop {
	s := Stop{
		Of: a, At: due, Overdue: due.Before(at), Blocked: a.Recheck.State == alerts.Blocked,
		Lying: LyingMinutes, Standing: trends.UsualClearMinutes,
	}
	if long := a.Digest.Serial.LongStand(); long != nil && !a.Digest.Serial.Cleared {
		s.Standing = *long
	}
	latest := a.Digest.LatestSet()
	if latest != nil && (latest.StoppedEarly || latest.Meets(trends.CritStopped)) {
		s.Two = append(s.Two, TwoStopped)
	}
	if len(alerts.FellOrFainted(a, at.Add(-clinical.Hours(p.Tiers.RecentHours)))) > 0 {
		s.Two = append(s.Two, TwoFell)
	}
	if a.LowAtRest != nil || latest != nil && latest.Meets(trends.CritLow) {
		s.Two = append(s.Two, TwoLow)
	}
	return s
}

// Hour is the part of a round that begins within one hour of the clock, or what is overdue.
type Hour struct {
	Begins  time.Time // zero of what is overdue
	Overdue bool
	Stops   []Stop
}

// Hours parts stops in their order by the hour of the site's clocks.
func Hours(stops []Stop, zone *time.Location) []Hour {
	var out []Hour
	for _, s := range stops {
		begins := time.Time{}
		if !s.Overdue {
			begins = hourOf(s.At, zone)
		}
		if n := len(out); n == 0 || out[n-1].Overdue != s.Overdue || !out[n-1].Begins.Equal(begins) {
			out = append(out, Hour{Begins: begins, Overdue: s.Overdue})
		}
		last := &out[len(out)-1]
		last.Stops = append(last.Stops, s)
	}
	return out
}

// hourOf is the full hour before a moment, on clocks that may stand off the hours of UTC.
func hourOf(at time.Time, zone *time.Location) time.Time {
	local := at.In(zone)
	return at.Add(-time.Duration(local.Minute())*time.Minute - time.Duration(local.Second())*time.Second -
		time.Duration(local.Nanosecond()))
}

// NurseOf is whose a bed is; "" for nobody's. Of what was given the last that holds the bed counts.
func NurseOf(given []records.GivenBeds, bed string) string {
	for _, g := range slices.Backward(given) {
		if alerts.BedWithin(bed, g.From, g.To) {
			return g.Nurse
		}
	}
	return ""
}

// Held are those of some beds, in their order, that the n-th range gives still: of a bed the last counts.
func Held(given []records.GivenBeds, n int, beds []string) []string {
	var held []string
	for _, bed := range beds {
		within := func(g records.GivenBeds) bool { return alerts.BedWithin(bed, g.From, g.To) }
		if bed != "" && within(given[n]) && !slices.ContainsFunc(given[n+1:], within) {
			held = append(held, bed)
		}
	}
	return held
}

// TakenBack is what has to be given so that the n-th range alone is taken back: its beds to nobody, and then
// anew, as it was, what was given later.
func TakenBack(given []records.GivenBeds, n int, who string, at time.Time) []records.GivenBeds {
	back := given[n]
	back.Nurse, back.Who, back.At = "", who, at
	return append([]records.GivenBeds{back}, given[n+1:]...)
}

// Walk is the round of one nurse.
type Walk struct {
	Nurse string   // "" of the beds that are nobody's
	Beds  []string // all of the nurse's in which somebody lies, in order; "" for a patient without one
	Hours []Hour
	Quiet []string // those in which nothing is owed and nothing was taken
}

// Walks parts a round by nurse: first what is nobody's, then in the order of their first beds.
func Walks(list []alerts.Assessment, stops []Stop, given []records.GivenBeds, zone *time.Location) []Walk {
	byBed := slices.Clone(list)
	slices.SortStableFunc(byBed, func(x, y alerts.Assessment) int {
		return alerts.CompareBeds(x.Digest.Stay.Bed, y.Digest.Stay.Bed)
	})
	var out []Walk
	of := func(nurse string) *Walk {
		for n := range out {
			if out[n].Nurse == nurse {
				return &out[n]
			}
		}
		out = append(out, Walk{Nurse: nurse})
		return &out[len(out)-1]
	}
	busy := map[string]bool{}
	for _, s := range stops {
		busy[s.Of.Digest.StayID] = true
	}
	for _, a := range byBed {
		w := of(NurseOf(given, a.Digest.Stay.Bed))
		w.Beds = append(w.Beds, a.Digest.Stay.Bed)
		if !busy[a.Digest.StayID] {
			w.Quiet = append(w.Quiet, a.Digest.Stay.Bed)
		}
	}
	for n := range out {
		var own []Stop
		for _, s := range stops {
			if NurseOf(given, s.Bed()) == out[n].Nurse {
				own = append(own, s)
			}
		}
		out[n].Hours = Hours(own, zone)
	}
	slices.SortStableFunc(out, func(x, y Walk) int {
		switch {
		case (x.Nurse == "") == (y.Nurse == ""):
			return 0
		case x.Nurse == "":
			return -1
		}
		return 1
	})
	return out
}
