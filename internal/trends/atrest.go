package trends

import (
	"time"

	"plumbline/internal/clinical"
)

// AtRest is a believed pressure at rest, whether a set has it as its baseline or no set has
// it at all. Position is empty where it was not charted: nothing tells then that the patient
// was upright.
type AtRest struct {
	SourceID  string
	At        time.Time
	Systolic  *float64 // mmHg
	Diastolic *float64 // mmHg
	Position  clinical.Position
}

// lowAtRest is the newest systolic under 90 mmHg at rest that no later pressure at rest of 90
// or more follows; nil where there is none. What was taken upright for a set is no pressure
// at rest. One whose position was not charted ends no low pressure that was charted lying or
// sitting. Source of the figure: F-SUPINE; common practice withholds standing under it.
func lowAtRest(readings []Reading, sets []rawSet) *AtRest {
	upright := map[string]bool{}
	for _, s := range sets {
		for _, r := range s.upright {
			upright[r.SourceID] = true
		}
	}
	var charted, unknown *AtRest // by whether the position was charted
	for _, r := range readings {
		if r.Systolic == nil || r.Position == clinical.Standing || upright[r.SourceID] {
			continue
		}
		if IsLowLying(*r.Systolic) {
			low := &AtRest{SourceID: r.SourceID, At: r.At, Systolic: r.Systolic, Diastolic: r.Diastolic, Position: r.Position}
			if r.Position == clinical.NoPosition {
				unknown = low
			} else {
				charted = low
			}
			continue
		}
		unknown = unlessEnded(unknown, r.At)
		if r.Position != clinical.NoPosition {
			charted = unlessEnded(charted, r.At)
		}
	}
	if charted == nil || unknown != nil && unknown.At.After(charted.At) {
		return unknown
	}
	return charted
}

// unlessEnded is a low pressure that a higher one at a moment, if later, ends.
func unlessEnded(low *AtRest, higher time.Time) *AtRest {
	if low != nil && higher.After(low.At) {
		return nil
	}
	return low
}
