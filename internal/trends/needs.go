package trends

import (
	"time"

	"plumbline/internal/clinical"
)

// Needs is what a stay with a positive set still lacks to be cleared (T-CLEAR).
type Needs struct {
	Positive  Set        // the latest positive set
	Negatives int        // further negative sets; 0 once the stay is cleared
	NotBefore *time.Time // when the last of them may be taken at the earliest; nil where none has counted yet
	Passed    int        // negative sets at the end that do not count
	After     *Change    // the latest raise of a drug; nil where there is none
	LongStand *float64   // minutes that each must stand besides, after a drop that came late; nil else
}

// ClearingNeeds tells what would clear a stay; ok is false where there is nothing
// to clear or it is cleared.
func ClearingNeeds(d Digest, p clinical.Policy) (n Needs, ok bool) {
	positive := d.LatestPositive()
	if positive == nil || d.Serial.Cleared {
		return Needs{}, false
	}
	var interpretable []Set
	for _, set := range d.Sets {
		if set.Interpretable() {
			interpretable = append(interpretable, set)
		}
	}
	run := clearingRun(interpretable, len(interpretable)-d.Serial.NegativesInARow, d.Changes, p)
	n = Needs{Positive: *positive, Negatives: max(p.Serial.ClearNegatives-len(run), 1), Passed: d.Serial.NegativesInARow - len(run)}
	n.LongStand = d.Serial.LongStand()
	if len(run) > 0 {
		n.NotBefore = ptr(run[0].StartedAt.Add(clinical.Hours(p.Serial.ClearHours)))
	}
	if up, any := LatestUp(d.Changes); any {
		n.After = &up
	}
	return n, true
}
