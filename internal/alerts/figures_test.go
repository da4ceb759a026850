package alerts

import (
	"testing"
	"time"

	"plumbline/internal/trends"
)

// What a sentence says made a set positive: the drops first, then the low systolic, each
// only with its figure; symptoms only where nothing else did.
func TestWhatMadeASetPositive(t *testing.T) {
	const sys, dia, low, stop = trends.CritSystolic, trends.CritDiastolic, trends.CritLow, trends.CritStopped
	all := SetFigures{SystolicDrop: ptr(25.0), DiastolicDrop: ptr(12.0), UprightSystolic: ptr(85.0)}
	for _, c := range []struct {
		figures  SetFigures
		criteria []string
		want     string
	}{
		{all, []string{stop}, stop}, {SetFigures{}, []string{stop}, stop}, {all, []string{stop, trends.CritPulse}, stop},
		{all, []string{stop, sys}, sys}, {all, []string{stop, dia}, dia}, {all, []string{stop, low}, low},
		{all, []string{sys, dia, low}, sys}, {all, []string{dia, low}, dia}, {all, []string{low}, low},
		{SetFigures{DiastolicDrop: ptr(12.0)}, []string{sys, dia}, dia}, {SetFigures{}, []string{sys, dia, low}, ""},
		{all, nil, ""}, {all, []string{trends.CritPulse}, ""},
	} {
		f := c.figures
		f.Criteria = c.criteria
		if got := f.DecidedBy(); got != c.want {
			t.Errorf("%v: %q, want %q", c.criteria, got, c.want)
		}
		if got := f.StoppedAlone(); got != (c.want == stop) {
			t.Errorf("%v: by its symptoms alone %v", c.criteria, got)
		}
	}
}

func TestAFallMayBeFatalAndAFaintIsNot(t *testing.T) {
	for injury, want := range map[string]bool{"": false, "major": false, "death": true} {
		if got := (Event{Fall: &trends.FallFact{Injury: injury}}).Fatal(); got != want {
			t.Errorf("%q: %v", injury, got)
		}
	}
	if (Event{Fainted: true}).Fatal() {
		t.Error("a faint")
	}
}

// The deciding rule stands before the due time.
func TestTheDecidingRuleRanksFirst(t *testing.T) {
	first, second := assessmentOf("B"), assessmentOf("A")
	first.decidedBy, second.decidedBy = 1, 2
	second.Recheck.DueAt = ptr(hour(-9))
	list := []Assessment{second, first}
	Rank(list)
	if list[0].Digest.StayID != "B" || list[0].Rank != 1 || list[1].Rank != 2 {
		t.Errorf("first %s", list[0].Digest.StayID)
	}
}

// The figure of F-LOW is a standing one; what was kept before that was told apart has the
// lowest upright one.
func TestTheSystolicThatALowSetIsToldBy(t *testing.T) {
	for _, c := range []struct {
		f    SetFigures
		want float64
	}{
		{SetFigures{UprightSystolic: ptr(85.0), StandingSystolic: ptr(88.0)}, 88},
		{SetFigures{UprightSystolic: ptr(85.0)}, 85},
	} {
		if got := c.f.LowSystolic(); got == nil || *got != c.want {
			t.Errorf("%+v: %v, want %v", c.f, got, c.want)
		}
	}
}

// Which drug, which change and which set a demand names goes along into its figures.
func TestTheFiguresOfADemandAreItsOwn(t *testing.T) {
	due := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	set := &SetFigures{Kind: "standing"}
	got := RecheckOf(Instance{Rule: "R-DRUG", Trigger: due.Add(-time.Hour), Due: due, Drug: "furosemide", Change: "started", Set: set}, Overdue)
	want := RecheckFigures{DueAt: due, Rule: "R-DRUG", State: Overdue, Drug: "furosemide", Change: "started", Set: set}
	if got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}
