package alerts

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Warning is an emergency of the last hours (tiers.recent_hours), whether a set tells it or not, since
// which no provider has said that the patient may stand: it is asked about before the patient stands.
type Warning struct {
	What string // clinical.LossOfConsciousness, clinical.HoldChestPain, trends.CouldNotRead or LyingLow
	At   time.Time
	Low  *trends.AtRest // of LyingLow
}

// warnings are the newest of each kind. They rest on what the assessment holds of them.
func (s situation) warnings(a Assessment) []Warning {
	var all []Warning
	for _, e := range a.Emergencies {
		all = append(all, Warning{What: e.What, At: e.At})
	}
	for _, set := range s.Sets {
		if s.within(set.StartedAt, s.policy.Tiers.RecentHours) && slices.Contains(set.Symptoms, clinical.LossOfConsciousness) {
			all = append(all, Warning{What: clinical.LossOfConsciousness, At: set.StartedAt})
		}
	}
	if set := a.ChestPain; set != nil {
		all = append(all, Warning{What: clinical.HoldChestPain, At: set.StartedAt})
	}
	if low := a.LowAtRest; low != nil {
		all = append(all, Warning{What: LyingLow, At: low.At, Low: low})
	}
	slices.SortStableFunc(all, func(x, y Warning) int { return y.At.Compare(x.At) })
	var out []Warning
	for _, w := range all {
		same := func(o Warning) bool { return o.What == w.What }
		if !s.clearedSince(w.At) && !slices.ContainsFunc(out, same) {
			out = append(out, w)
		}
	}
	return out
}
