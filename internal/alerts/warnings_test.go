package alerts

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Before the patient stands, the newest emergency of each kind of the last hours is asked about, whether a
// set tells it or not, unless a provider has said since that the patient may stand.
func TestWhatIsAskedAboutBeforeStanding(t *testing.T) {
	at := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	policy := clinical.Policy{Tiers: clinical.TierPolicy{RecentHours: 24}}
	hours := func(h float64) time.Time { return at.Add(-clinical.Hours(h)) }
	systolic := 84.0
	lost := func(h float64) trends.Set {
		return trends.Set{StartedAt: hours(h), Finding: trends.Positive, Criteria: []string{trends.CritStopped}, Symptoms: []string{clinical.LossOfConsciousness}}
	}
	emergency := func(h float64, what string) trends.Emergency { return trends.Emergency{At: hours(h), What: what} }
	for name, c := range map[string]struct {
		digest trends.Digest
		want   string
	}{
		"nothing": {trends.Digest{}, ""},
		"outside a set, the newest first": {trends.Digest{Emergencies: []trends.Emergency{
			emergency(3, clinical.LossOfConsciousness), emergency(2, trends.CouldNotRead), emergency(23.9, clinical.HoldChestPain)}},
			"the cuff could not read 2, loss of consciousness 3, chest pain 23.9"},
		"yesterday":              {trends.Digest{Emergencies: []trends.Emergency{emergency(24, clinical.HoldChestPain)}, Sets: []trends.Set{lost(24)}}, ""},
		"in a set":               {trends.Digest{Sets: []trends.Set{lost(2), {StartedAt: hours(1), AtRest: []string{clinical.HoldChestPain}}}}, "chest pain 1, loss of consciousness 2"},
		"of one kind the newest": {trends.Digest{Sets: []trends.Set{lost(4), lost(2)}, Emergencies: []trends.Emergency{emergency(3, clinical.LossOfConsciousness)}}, "loss of consciousness 2"},
		"low at rest":            {trends.Digest{LowAtRest: &trends.AtRest{At: hours(1), Systolic: &systolic}}, "lying_low 1"},
		"cleared since": {trends.Digest{Sets: []trends.Set{lost(2)}, Clearances: []trends.ClearanceFact{{At: hours(1)}}, Emergencies: []trends.Emergency{
			emergency(0.5, clinical.HoldChestPain)}}, "chest pain 0.5"},
		"who died": {trends.Digest{Falls: []trends.FallFact{{At: hours(1), Injury: "death"}}, Emergencies: []trends.Emergency{emergency(2, clinical.HoldChestPain)}}, ""},
	} {
		a := Assess(c.digest, policy, time.UTC, at)
		var got []string
		for _, w := range a.Warnings {
			got = append(got, w.What+" "+strconv.FormatFloat(at.Sub(w.At).Hours(), 'f', -1, 64))
			if (w.What == LyingLow) != (w.Low != nil) {
				t.Errorf("%s: %+v", name, w)
			}
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}
