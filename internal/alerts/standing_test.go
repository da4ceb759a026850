package alerts

import (
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The words of the rule: lying systolic under 90, chest pain, suspected fracture,
// head or spine injury, bed rest; an injury of a fall that was not cleared and a
// patient charted as not ambulatory as in a blocked recheck.
func TestWhatWithholdsStanding(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	for _, c := range []struct {
		name           string
		lying          *float64
		found, charted []string
		want           []string
	}{
		{"nothing speaks against it", p(90), nil, nil, nil},
		{"under 90", p(89.9), nil, nil, []string{LyingLow}},
		{"not measured", nil, nil, nil, nil},
		{"chest pain", p(120), []string{"chest pain"}, nil, []string{"chest pain"}},
		{"each, in their order", p(80), []string{"bed-rest order", "head or spine injury", "suspected fracture", "chest pain"}, []string{CannotWalk, InjuryUncleared},
			[]string{LyingLow, "chest pain", "suspected fracture", "head or spine injury", "bed-rest order", InjuryUncleared, CannotWalk}},
		{"an injury not charted is looked for", p(120), nil, []string{InjuryUnknown}, nil},
		{"another word", p(120), []string{"nausea"}, []string{"else"}, nil},
	} {
		if got := Withheld(c.lying, c.found, c.charted); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// The chart speaks against standing also where no recheck is owed.
func TestHindrancesStandWithoutARecheck(t *testing.T) {
	d := situation{}.Digest
	d.Stay = clinical.Stay{NotAmbulatory: true}
	if got := Hindrances(d); !slices.Equal(got, []string{CannotWalk}) {
		t.Errorf("charted as not ambulatory: %v", got)
	}
	d.Stay.NotAmbulatory = false
	if got := Hindrances(d); len(got) != 0 {
		t.Errorf("nothing charted: %v", got)
	}
	died := fractured(withFall(withFall(young(), -9, "major"), -3, "death"), "S720", -5)
	if got := Hindrances(died); len(got) != 0 {
		t.Errorf("after a fall with injury death: %v", got)
	}
}

// A low pressure at rest that no set holds is told for as long as T-LOW-LYING holds of a set:
// (t - 24 h, t]. Of who died of a fall none is.
func TestALowPressureAtRestIsToldForADay(t *testing.T) {
	for _, c := range []struct {
		at   float64
		died bool
		told bool
	}{
		{at: 0, told: true}, {at: -23.9, told: true}, {at: -24}, {at: -30}, {at: -3, died: true},
	} {
		d := young()
		d.LowAtRest = &trends.AtRest{SourceID: "r", At: hour(c.at), Systolic: ptr(78.0), Position: clinical.Lying}
		if c.died {
			d.Falls = []trends.FallFact{{SourceID: "F", At: hour(-1), Injury: "death"}}
		}
		a := Assess(d, clinical.DefaultPolicy(), time.UTC, noon)
		if (a.LowAtRest != nil) != c.told {
			t.Errorf("%v h, died %v: told %v", c.at, c.died, a.LowAtRest != nil)
		}
		if !c.died && a.Tier != None {
			t.Errorf("a plain reading made tier %s: no rule says so", a.Tier)
		}
	}
}
