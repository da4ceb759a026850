package bedside

import (
	"testing"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// What was so at the last set is offered where nothing in the chart speaks against it.
func TestWhatIsOfferedOfTheLastSet(t *testing.T) {
	figure := 120.0
	last := func(change ...func(*alerts.Assessment, *trends.Set)) alerts.Assessment {
		set := trends.Set{
			Baseline: &trends.Baseline{Position: clinical.Lying, Limb: "left arm", Systolic: &figure},
			Upright:  []trends.Upright{{Position: clinical.Standing, Systolic: &figure, SystolicDrop: &figure}},
		}
		a := alerts.Assessment{}
		for _, c := range change {
			c(&a, &set)
		}
		a.Digest.Sets = []trends.Set{set}
		return a
	}
	if got := asLastOf(last()); got == nil || got.Mobility != "stand" || got.Limb != "left arm" {
		t.Fatalf("offered %+v", got)
	}
	for name, change := range map[string]func(*alerts.Assessment, *trends.Set){
		"no limb":           func(_ *alerts.Assessment, s *trends.Set) { s.Baseline.Limb = "" },
		"rested sitting":    func(_ *alerts.Assessment, s *trends.Set) { s.Baseline.Position = clinical.Sitting },
		"stopped":           func(_ *alerts.Assessment, s *trends.Set) { s.StoppedEarly = true },
		"pain at rest":      func(_ *alerts.Assessment, s *trends.Set) { s.AtRest = []string{"chest pain"} },
		"low at rest":       func(a *alerts.Assessment, _ *trends.Set) { a.LowAtRest = &trends.AtRest{} },
		"pain in the chest": func(a *alerts.Assessment, s *trends.Set) { a.ChestPain = s },
		"cannot walk":       func(a *alerts.Assessment, _ *trends.Set) { a.Digest.Stay.NotAmbulatory = true },
		"limb held": func(a *alerts.Assessment, _ *trends.Set) {
			a.Digest.Restrictions = []trends.RestrictionFact{{Limb: "left arm"}}
		},
		"not stood": func(_ *alerts.Assessment, s *trends.Set) { s.Upright = nil },
	} {
		if got := asLastOf(last(change)); got != nil {
			t.Errorf("%s: offered %+v", name, got)
		}
	}
	if asLastOf(alerts.Assessment{}) != nil {
		t.Error("offered without a set")
	}
}
