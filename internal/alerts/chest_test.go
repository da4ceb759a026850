package alerts

import (
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Pain in the chest is an emergency wherever it was felt; a later set that says nothing of it
// does not end it, and it is told as long as a fall is recent.
func TestChestPainIsKeptForTheRecentHours(t *testing.T) {
	at := time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)
	policy := clinical.Policy{Tiers: clinical.TierPolicy{RecentHours: 24}}
	hours := func(h float64) time.Time { return at.Add(-clinical.Hours(h)) }
	pain := []string{clinical.HoldChestPain}
	for name, c := range map[string]struct {
		sets []trends.Set
		want bool
	}{
		"at rest":                 {[]trends.Set{{StartedAt: hours(1), AtRest: pain}}, true},
		"upright":                 {[]trends.Set{{StartedAt: hours(1), Symptoms: pain}}, true},
		"before a later set":      {[]trends.Set{{StartedAt: hours(2), AtRest: pain}, {StartedAt: hours(1)}}, true},
		"yesterday":               {[]trends.Set{{StartedAt: hours(25), AtRest: pain}}, false},
		"another symptom":         {[]trends.Set{{StartedAt: hours(1), AtRest: []string{clinical.LossOfConsciousness}}}, false},
		"no set that tells of it": {nil, false},
	} {
		s := situation{Digest: trends.Digest{Sets: c.sets}, policy: policy, at: at}
		if got := s.chestPain(); (got != nil) != c.want {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
