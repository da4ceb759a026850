package trends

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Felt is an emergency that was charted with vital signs which no orthostatic set tells: no rule ranks it,
// and whoever is about to stand the patient must know it.
type Felt struct {
	SourceID string
	At       time.Time
	Symptom  string // clinical.LossOfConsciousness or clinical.HoldChestPain
}

// felt is the newest of them; nil where there is none. Of a reading with both, the loss of consciousness
// is told. What was felt upright in a set, and pain in the chest at its baseline, is the set's to tell.
func felt(readings []Reading, sets []rawSet) *Felt {
	told := map[string]bool{}
	for _, s := range sets {
		for _, r := range slices.Concat(s.upright, s.others) {
			told[r.SourceID] = true
		}
		if s.baseline != nil && !slices.Contains(s.baseline.Symptoms, clinical.LossOfConsciousness) {
			told[s.baseline.SourceID] = true
		}
	}
	var newest *Felt
	for _, r := range readings {
		if told[r.SourceID] || newest != nil && r.At.Before(newest.At) {
			continue
		}
		for _, symptom := range []string{clinical.LossOfConsciousness, clinical.HoldChestPain} {
			if slices.Contains(r.Symptoms, symptom) {
				newest = &Felt{SourceID: r.SourceID, At: r.At, Symptom: symptom}
				break
			}
		}
	}
	return newest
}
