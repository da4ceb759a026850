package alerts

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// HuddleLasts is for how long a huddle counts as still going on: until it is over,
// "the last huddle" is the one before it, so that the page tells the news of the day
// to those who sit together. Common practice, no source: huddles last 5 to 15 minutes
// and begin late.
const HuddleLasts = 30 * time.Minute

// LastHuddle is when the last huddle began that is over at a moment, by the policy's
// clock in the site's zone.
func LastHuddle(p clinical.UnitPolicy, zone *time.Location, at time.Time) time.Time {
	last, ok := clinical.ClockBefore(p.Huddle, at.Add(-HuddleLasts).Add(1), zone)
	if !ok {
		return at.Add(-24 * time.Hour) // the policy's check refuses such a clock
	}
	return last
}

// NextShift is when the next shift begins after a moment, by the policy's clocks in
// the site's zone.
func NextShift(p clinical.UnitPolicy, zone *time.Location, at time.Time) time.Time {
	var starts []time.Time
	for _, clock := range []string{p.DayShift, p.NightShift} {
		if start, ok := clinical.ClockAfter(clock, at, zone); ok {
			starts = append(starts, start)
		}
	}
	if len(starts) == 0 {
		return at.Add(12 * time.Hour) // the policy's check refuses such clocks
	}
	return slices.MinFunc(starts, time.Time.Compare)
}

// ShiftBegan is when the shift of a moment began, by the policy's clocks in the site's zone.
func ShiftBegan(p clinical.UnitPolicy, zone *time.Location, at time.Time) time.Time {
	var starts []time.Time
	for _, clock := range []string{p.DayShift, p.NightShift} {
		if start, ok := clinical.ClockBefore(clock, at.Add(1), zone); ok {
			starts = append(starts, start)
		}
	}
	if len(starts) == 0 {
		return at.Add(-12 * time.Hour) // the policy's check refuses such clocks
	}
	return slices.MaxFunc(starts, time.Time.Compare)
}

// Since is what has changed on a unit between two moments: the list as it was known
// then against the list as it is known now. What was charted late is news too. Each
// list stands in the order of the list of now, those who left after it.
type Since struct {
	From, At  time.Time
	Arrived   []Assessment // on the list now and not then
	Left      []Departure  // on the list then and not now
	Positives []NewSets
	Cleared   []Assessment
	Falls     []NewFalls
	Doses     []NewDoses
}

// Quiet reports whether nothing has changed.
func (s Since) Quiet() bool {
	return len(s.Arrived)+len(s.Left)+len(s.Positives)+len(s.Cleared)+len(s.Falls)+len(s.Doses) == 0
}

// Departure is a stay that has left the unit, and when; the zero time where that is
// not known: it was taken back. Of tells what is known of the time before it left.
type Departure struct {
	Of Assessment
	At time.Time
}

// Left is the departure of a stay at a moment: what befell it later is another
// unit's to tell.
func Left(a Assessment, at time.Time) Departure {
	d := &a.Digest
	d.Sets = slices.DeleteFunc(slices.Clone(d.Sets), func(s trends.Set) bool { return !s.StartedAt.Before(at) })
	d.Falls = slices.DeleteFunc(slices.Clone(d.Falls), func(f trends.FallFact) bool { return !f.At.Before(at) })
	d.Changes = slices.DeleteFunc(slices.Clone(d.Changes), func(c trends.Change) bool { return !c.At.Before(at) })
	if c := d.Serial.ClearedAt; c != nil && !c.Before(at) {
		d.Serial.Cleared, d.Serial.ClearedAt = false, nil
	}
	return Departure{a, at}
}

// NewSets are the positive sets of a stay that were not known as such, by time.
type NewSets struct {
	Of   Assessment
	Sets []trends.Set
}

// NewFalls are the falls of a stay that were not known, by time.
type NewFalls struct {
	Of    Assessment
	Falls []trends.FallFact
}

// NewDoses are the changes of ordered doses of a stay that were not known, by time.
type NewDoses struct {
	Of      Assessment
	Changes []trends.Change
}

// Compare tells what has changed between a unit's list as it was known at from and
// the one of at. left are those who left in between: what befell them before they left
// is told too. Of who was not on the list then, only what is later
// than from is news.
func Compare(then, now []Assessment, left []Departure, from, at time.Time) Since {
	was := make(map[string]Assessment, len(then))
	for _, a := range then {
		was[a.Digest.StayID] = a
	}
	s := Since{From: from, At: at, Left: left}
	for _, a := range now {
		before, known := was[a.Digest.StayID]
		if !known {
			s.Arrived = append(s.Arrived, a)
		}
		s.add(a, before, known)
	}
	for _, d := range left {
		before, known := was[d.Of.Digest.StayID]
		s.add(d.Of, before, known)
	}
	return s
}

// add tells what is new of one stay.
func (s *Since) add(a, before Assessment, known bool) {
	fresh := func(at time.Time) bool { return known || at.After(s.From) }
	d, old := a.Digest, before.Digest
	var sets []trends.Set
	for _, set := range d.Sets {
		if set.Finding == trends.Positive && fresh(set.StartedAt) && !slices.ContainsFunc(old.Sets, samePositive(set)) {
			sets = append(sets, set)
		}
	}
	if len(sets) > 0 {
		s.Positives = append(s.Positives, NewSets{a, sets})
	}
	if at := d.Serial.ClearedAt; at != nil && old.Serial.ClearedAt == nil && fresh(*at) {
		s.Cleared = append(s.Cleared, a)
	}
	var falls []trends.FallFact
	for _, f := range d.Falls {
		same := func(o trends.FallFact) bool { return o.SourceID == f.SourceID }
		if fresh(f.At) && !slices.ContainsFunc(old.Falls, same) {
			falls = append(falls, f)
		}
	}
	if len(falls) > 0 {
		s.Falls = append(s.Falls, NewFalls{a, falls})
	}
	var changes []trends.Change
	for _, c := range d.Changes {
		if fresh(c.At) && !slices.ContainsFunc(old.Changes, sameChange(c)) {
			changes = append(changes, c)
		}
	}
	if len(changes) > 0 {
		s.Doses = append(s.Doses, NewDoses{a, changes})
	}
}

// samePositive: a set is known again by its set_id, else by its start. One that was
// read otherwise then is not the same finding.
func samePositive(set trends.Set) func(trends.Set) bool {
	return func(o trends.Set) bool {
		return o.Finding == trends.Positive && o.SetID == set.SetID && (!set.Inferred() || o.StartedAt.Equal(set.StartedAt))
	}
}

func sameChange(c trends.Change) func(trends.Change) bool {
	return func(o trends.Change) bool {
		return o.Drug == c.Drug && o.Route == c.Route && o.Change == c.Change && o.At.Equal(c.At)
	}
}

// lostConsciousness is the symptom of a faint.
const lostConsciousness = "loss of consciousness"

// Event is a fall, or a faint during a set.
type Event struct {
	At      time.Time
	Fainted bool
	// Reason tells it with its figures. Its rule is that of the list which still holds
	// for it; F-STOP of a faint; "" where none does any more.
	Reason Reason
	Fall   *trends.FallFact // nil of a faint
	SetNow bool             // a set that can be read was taken at or after it (of a faint: after it)
}

// Fatal reports whether the patient died of the fall: no set is asked for.
func (e Event) Fatal() bool { return e.Fall != nil && e.Fall.Injury == "death" }

// FStop is the rule by which loss of consciousness makes a set positive.
const FStop = "F-STOP"

// FellOrFainted lists the falls of a stay, and its sets with loss of consciousness,
// later than from, the latest first.
func FellOrFainted(a Assessment, from time.Time) []Event {
	var out []Event
	for n, f := range a.Digest.Falls {
		if !f.At.After(from) || f.At.After(a.At) {
			continue
		}
		e := Event{
			At: f.At, Fall: &a.Digest.Falls[n], SetNow: interpretableFrom(a.Digest.Sets, f.At) != nil,
			Reason: Reason{Figures: FellOf(f, 0), Facts: []string{f.SourceID}},
		}
		for _, r := range a.Reasons {
			if (r.Rule == TFall || r.Rule == TFell) && slices.Contains(r.Facts, f.SourceID) && e.Reason.Rule == "" {
				e.Reason.Rule = r.Rule
			}
		}
		out = append(out, e)
	}
	for _, set := range a.Digest.Sets {
		if set.StartedAt.After(from) && slices.Contains(set.Symptoms, lostConsciousness) {
			out = append(out, Event{
				At: set.StartedAt, Fainted: true, SetNow: interpretableFrom(a.Digest.Sets, set.StartedAt.Add(1)) != nil,
				Reason: Reason{Rule: FStop, Figures: SetOf(set), Facts: set.Facts},
			})
		}
	}
	slices.SortStableFunc(out, func(x, y Event) int { return y.At.Compare(x.At) })
	return out
}
