package trends

import (
	"slices"
	"strconv"
	"time"

	"plumbline/internal/clinical"
)

// What a set may fall short of that was taken at one bedside, so that it can no longer show
// all that a set can. Each is asked about before the set is kept.
const (
	ShortRest   = "short_rest"   // rested under 5 min: the set shows a drop or nothing
	OldBaseline = "old_baseline" // the patient got up later than a set is assembled
	TooEarly    = "too_early"    // the first reading upright: under half a minute
	TooLate     = "too_late"     // no reading upright in the time in which one may be negative
)

// Shortfall is one of them, with the minutes that it is about.
type Shortfall struct {
	What    string
	Minutes float64
}

// ShortfallsOf are those of the readings of one set, the reading at rest first, none where
// nothing was taken upright. TooEarly and TooLate are of standing: who sat alone has not been
// tested. What shows a drop is late for nothing.
func ShortfallsOf(vitals []clinical.Vitals, p clinical.Policy) []Shortfall {
	if len(vitals) < 2 {
		return nil
	}
	readings := make([]Reading, len(vitals))
	for n, v := range vitals {
		readings[n] = Believe(strconv.Itoa(n), v, p.Plausible)
	}
	set := judge(givenSet("", readings), surroundings{
		policy: p, zone: time.UTC, pulseUnreliable: func(time.Time) bool { return false },
	})
	var out []Shortfall
	if b := set.Baseline; b != nil {
		if b.Minutes != nil && Below(*b.Minutes, restMinutes) {
			out = append(out, Shortfall{ShortRest, *b.Minutes})
		}
		if old := untilUpright(set); len(set.Upright) > 0 && old > clinical.Minutes(p.Sets.WindowMinutes) {
			out = append(out, Shortfall{OldBaseline, old.Minutes()})
		}
	}
	return append(out, set.mistimed(p.Sets)...)
}

// untilUpright is how long after the reading at rest the patient got up; the first reading
// upright tells, where its minutes were not charted.
func untilUpright(s Set) time.Duration {
	if len(s.Upright) == 0 {
		return 0
	}
	first := s.Upright[0]
	at := first.TakenAt.Sub(s.Baseline.TakenAt)
	if first.MinutesFrom == FromChart {
		at -= clinical.Minutes(*first.Minutes)
	}
	return at
}

// mistimed are TooEarly and TooLate of a set.
func (s Set) mistimed(p clinical.SetPolicy) (out []Shortfall) {
	var read []Upright // standing readings that tell a drop and a time
	for _, u := range s.Upright {
		if u.standing() && u.Counts() && u.Minutes != nil {
			read = append(read, u)
		}
	}
	if len(read) == 0 {
		return nil
	}
	if first := *read[0].Minutes; Below(first, p.StandingFromMinutes) {
		out = append(out, Shortfall{TooEarly, first})
	}
	late := slices.IndexFunc(read, func(u Upright) bool { return Above(*u.Minutes, p.StandingToMinutes) })
	counts := slices.ContainsFunc(read, func(u Upright) bool {
		return u.minutesBetween(p.StandingFromMinutes, p.StandingToMinutes)
	})
	if late >= 0 && !counts && s.Finding != Positive {
		out = append(out, Shortfall{TooLate, *read[late].Minutes})
	}
	return out
}
