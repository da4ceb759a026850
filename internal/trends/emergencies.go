package trends

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Emergency is one that was charted and that no rule ranks: whoever is about to stand the patient must
// know it.
type Emergency struct {
	SourceID string
	At       time.Time
	What     string // clinical.LossOfConsciousness, clinical.HoldChestPain or CouldNotRead
}

// emergencies are the newest of each kind: a loss of consciousness and pain in the chest that no set
// tells, and a cuff that could not read, in a set or not, until a later pressure was read.
func emergencies(readings []Reading, sets []rawSet) []Emergency {
	var out []Emergency
	for _, symptom := range []string{clinical.LossOfConsciousness, clinical.HoldChestPain} {
		told := toldBySets(sets, symptom)
		for _, r := range slices.Backward(readings) {
			if !told[r.SourceID] && slices.Contains(r.Symptoms, symptom) {
				out = append(out, Emergency{r.SourceID, r.At, symptom})
				break
			}
		}
	}
	for _, r := range slices.Backward(readings) {
		if r.WhyNone == CouldNotRead {
			return append(out, Emergency{r.SourceID, r.At, CouldNotRead})
		}
		if r.Systolic != nil {
			break
		}
	}
	return out
}

// toldBySets are the readings of which a set tells a symptom: what was felt upright in it, and pain in the
// chest at its baseline.
func toldBySets(sets []rawSet, symptom string) map[string]bool {
	told := map[string]bool{}
	for _, s := range sets {
		for _, r := range slices.Concat(s.upright, s.others) {
			told[r.SourceID] = true
		}
		if s.baseline != nil && symptom == clinical.HoldChestPain {
			told[s.baseline.SourceID] = true
		}
	}
	return told
}
