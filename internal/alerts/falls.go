package alerts

import (
	"cmp"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// What a version that was charted later did to its fact.
const (
	LaterNew       = "new"        // the fact was not known before
	LaterChanged   = "changed"    // it was known, and says something else now
	LaterTakenBack = "taken_back" // entered in error
	LaterMoved     = "moved"      // it turned out to be another stay's
)

// Later is a version of a fact that was recorded after a moment and speaks of the
// time before a fall: what nobody could read at that moment.
type Later struct {
	Kind     clinical.Kind
	SourceID string
	What     string
	// At is when what it says came to be; zero for a fact without a time of its
	// own, a coded condition.
	At         time.Time
	RecordedAt time.Time
	Late       bool // it had come to be by the moment, and was not charted yet
	AfterFall  bool // recorded at or after the fall
	// Says is what was recorded, nil of what was taken back or moved; Before is
	// what was known at the moment, nil where nothing was.
	Says, Before clinical.Body
}

// ChartedLater lists what was recorded of a stay after a moment, and by now, that
// speaks of the time before a fall. What came to be at the very moment of the fall is
// not before it; what was recorded at the very moment was known at it. The fall that
// is looked at (its source_id) is left out, whatever time its versions give. versions
// are those that clinical.ChartAt takes.
//
// A transfer, a discharge and a later version of an order that is no correction come
// to be when they are recorded, or at the end that they name; so they are late only
// where that end is. They are those of E-CHANGE and of the census.
func ChartedLater(stayID, fallID string, versions []clinical.Version, moment, fall, now time.Time) []Later {
	then, known := clinical.ChartAt(stayID, versions, moment), clinical.ChartAt(stayID, versions, now)
	before := map[factKey]clinical.Record{}
	for _, r := range then.Records {
		before[keyOf(r.Version)] = r
	}
	var out []Later
	add := func(l Later) {
		if l.Kind == clinical.KindFall && l.SourceID == fallID || !l.At.Before(fall) || !l.RecordedAt.After(moment) {
			return
		}
		l.Late, l.AfterFall = !l.At.After(moment), !l.RecordedAt.Before(fall)
		out = append(out, l)
	}
	still := map[factKey]bool{}
	for _, r := range slices.Concat(known.Records, known.Removed) {
		still[keyOf(r.Version)] = true
		for n, v := range r.History {
			if v.StayID == stayID {
				add(laterOf(r.History[:n], v, before[keyOf(v)].Body))
			}
		}
	}
	for _, r := range then.Records {
		if !still[keyOf(r.Version)] {
			add(movedAway(r, versions, moment))
		}
	}
	slices.SortStableFunc(out, compareLater)
	return out
}

type factKey struct {
	kind clinical.Kind
	id   string
}

func keyOf(v clinical.Version) factKey { return factKey{v.Kind, v.SourceID} }

// laterOf is what a version did that follows others of its fact; was is what was
// known of the fact at the moment.
func laterOf(earlier []clinical.Version, v clinical.Version, was clinical.Body) Later {
	l := Later{Kind: v.Kind, SourceID: v.SourceID, What: LaterNew, RecordedAt: v.RecordedAt, Says: v.Body, Before: was}
	var last *clinical.Version
	if n := len(earlier); n > 0 && !earlier[n-1].Removed() && earlier[n-1].StayID == v.StayID {
		last = &earlier[n-1]
		l.What = LaterChanged
	}
	l.At = cameToBe(v, last)
	if v.Removed() {
		l.What, l.Says = LaterTakenBack, nil
	}
	return l
}

// movedAway is a fact of which a version recorded after the moment says that it is
// another stay's.
func movedAway(r clinical.Record, versions []clinical.Version, moment time.Time) Later {
	l := Later{Kind: r.Kind, SourceID: r.SourceID, What: LaterMoved, At: r.Body.OwnTime(), Before: r.Body}
	var moves []time.Time
	for _, v := range versions {
		if keyOf(v) == keyOf(r.Version) && v.StayID != "" && v.StayID != r.StayID && v.RecordedAt.After(moment) {
			moves = append(moves, v.RecordedAt)
		}
	}
	if len(moves) > 0 {
		l.RecordedAt = slices.MinFunc(moves, time.Time.Compare)
	}
	return l
}

// cameToBe is when what a version says came to be: the fact's own time, unless the
// version goes on from one before it. Zero where there is no such time.
func cameToBe(v clinical.Version, last *clinical.Version) time.Time {
	switch {
	case v.Body == nil:
		return time.Time{}
	case last == nil || v.Status == clinical.Corrected || v.Status == clinical.Amended || v.Removed():
		return v.Body.OwnTime()
	}
	switch b := v.Body.(type) {
	case clinical.Stay:
		return v.RecordedAt
	case clinical.Order:
		at := []time.Time{v.RecordedAt}
		if was, _ := last.Body.(clinical.Order); newEnd(was.EndAt, b.EndAt) {
			at = append(at, *b.EndAt)
		}
		return slices.MinFunc(at, time.Time.Compare)
	case clinical.Precaution:
		if was, _ := last.Body.(clinical.Precaution); newEnd(was.EndedAt, b.EndedAt) {
			return *b.EndedAt
		}
	}
	return v.Body.OwnTime()
}

func newEnd(was, is *time.Time) bool { return is != nil && (was == nil || !was.Equal(*is)) }

// compareLater orders by both times; what has both alike stays in the chart's order.
func compareLater(a, b Later) int {
	return cmp.Or(a.At.Compare(b.At), a.RecordedAt.Compare(b.RecordedAt))
}

// Owed is what was owed to a stay at the moment of its assessment.
type Owed struct {
	Rechecks    []OwedRecheck // earliest due first
	Precautions []OwedPrecaution
}

// OwedRecheck is a demand that was not met: since its trigger, due at its due time.
type OwedRecheck struct {
	Instance
	State string // overdue, due or scheduled
}

// OwedPrecaution is a precaution asked for and not in place. Since is from when on it
// was both without a break, by what was known at the moment.
type OwedPrecaution struct {
	What  string
	Since time.Time
}

// OwedAt lists the rechecks and precautions that were owed at the moment of an
// assessment, and since when.
func OwedAt(a Assessment, p clinical.Policy, zone *time.Location) Owed {
	var out Owed
	for _, i := range a.Recheck.Open {
		out.Rechecks = append(out.Rechecks, OwedRecheck{i, stateOf(i.Due, a.At, p.Recheck)})
	}
	s := situation{Digest: a.Digest, policy: p, zone: zone, at: a.At}
	turns := s.precautionTurns()
	for _, word := range a.Precautions.Missing {
		out.Precautions = append(out.Precautions, OwedPrecaution{word, s.missingSince(word, turns)})
	}
	return out
}

// precautionTurns are the moments at which a precaution can begin or cease to be
// missing, latest first.
func (s situation) precautionTurns() []time.Time {
	out := s.turns()
	for _, f := range s.Precautions {
		out = append(out, f.From)
		if f.To != nil {
			out = append(out, *f.To)
		}
	}
	slices.SortFunc(out, func(a, b time.Time) int { return b.Compare(a) })
	return slices.CompactFunc(out, time.Time.Equal)
}

func (s situation) missingSince(word string, turns []time.Time) time.Time {
	since := s.at
	for _, t := range turns {
		if !slices.Contains(s.asOf(t).precautions().Missing, word) {
			break
		}
		since = t
	}
	return since
}

// How the set after a fall stands.
const (
	SetInTime  = "in_time"  // an interpretable set, not later than it was due
	SetLate    = "late"     // an interpretable set, later
	SetOpen    = "open"     // none, and not due yet
	SetMissing = "missing"  // none, and overdue
	SetNotOwed = "not_owed" // the patient died of the fall
)

// AfterFall is what followed a fall by what is known: the first set begun at or after
// it, and the first that can carry a conclusion, by R-FALL.
type AfterFall struct {
	State string
	DueAt time.Time // zero where none is owed
	First *trends.Set
	Read  *trends.Set
}

// SetsAfterFall tells whether a set was taken after a fall of the digest's stay, and
// when. A set that begins at the very time of the fall is after it, and one that
// begins at the due time is in time, as in R-FALL.
func SetsAfterFall(d trends.Digest, f trends.FallFact, p clinical.Policy) AfterFall {
	var out AfterFall
	for n := range d.Sets {
		set := &d.Sets[n]
		if set.StartedAt.Before(f.At) {
			continue
		}
		if out.First == nil {
			out.First = set
		}
		if out.Read == nil && set.Interpretable() {
			out.Read = set
		}
	}
	if f.Injury == "death" {
		out.State = SetNotOwed
		return out
	}
	out.DueAt = f.At.Add(clinical.Hours(p.Recheck.FallHours))
	switch {
	case out.Read != nil && !out.Read.StartedAt.After(out.DueAt):
		out.State = SetInTime
	case out.Read != nil:
		out.State = SetLate
	case out.DueAt.Before(d.AsOf):
		out.State = SetMissing
	default:
		out.State = SetOpen
	}
	return out
}

// HuddleBefore is the last huddle of a unit that began before a moment: one that
// begins at the moment itself is not before it. False where the policy's time cannot
// be read, which its check refuses.
func HuddleBefore(t time.Time, p clinical.UnitPolicy, zone *time.Location) (time.Time, bool) {
	at, err := time.Parse("15:04", p.Huddle)
	if err != nil {
		return time.Time{}, false
	}
	year, month, day := t.In(zone).Date()
	huddle := clinical.ClockTime(year, month, day, at.Hour(), at.Minute(), zone)
	if !huddle.Before(t) {
		huddle = clinical.ClockTime(year, month, day-1, at.Hour(), at.Minute(), zone)
	}
	return huddle, true
}
