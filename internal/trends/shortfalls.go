package trends

import (
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

// ShortfallsOf are those of the readings of one set, none where nothing was taken upright.
// TooEarly and TooLate are of standing: who sat alone has not been tested. What shows a drop is
// late for nothing.
func ShortfallsOf(vitals []clinical.Vitals, p clinical.Policy) []Shortfall {
	readings := make([]Reading, len(vitals))
	for n, v := range vitals {
		readings[n] = Believe(strconv.Itoa(n), v, p.Plausible)
		readings[n].Pulse = nil // none of them is about it
	}
	set := judge(givenSet("", readings), surroundings{policy: p})
	if len(set.Upright) == 0 {
		return nil
	}
	var out []Shortfall
	if b := set.Baseline; b != nil {
		if b.Minutes != nil && Below(*b.Minutes, restMinutes) {
			out = append(out, Shortfall{ShortRest, *b.Minutes})
		}
		if old := untilUpright(set); old > clinical.Minutes(p.Sets.WindowMinutes) {
			out = append(out, Shortfall{OldBaseline, old.Minutes()})
		}
	}
	return append(out, set.mistimed(p.Sets)...)
}

// untilUpright is how long after the reading at rest the patient got up; the first reading
// upright tells, where its minutes were not charted.
func untilUpright(s Set) time.Duration {
	first := s.Upright[0]
	at := first.TakenAt.Sub(s.Baseline.TakenAt)
	if first.MinutesFrom == FromChart {
		at -= clinical.Minutes(*first.Minutes)
	}
	return at
}

// mistimed are TooEarly and TooLate of a set.
func (s Set) mistimed(p clinical.SetPolicy) (out []Shortfall) {
	var late *float64
	first := true
	for _, u := range s.Upright {
		if !u.standing() || !u.Counts() {
			continue
		}
		switch minutes := *u.Minutes; {
		case Below(minutes, p.StandingFromMinutes):
			if first {
				out = append(out, Shortfall{TooEarly, minutes})
			}
		case !Above(minutes, p.StandingToMinutes):
			return out // one by which the set may be negative
		case late == nil:
			late = &minutes
		}
		first = false
	}
	if late != nil && s.Finding != Positive {
		out = append(out, Shortfall{TooLate, *late})
	}
	return out
}
