package dosereview

import (
	"fmt"
	"testing"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/trends"
)

var made = time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)

func set(hours, drop float64, finding string) trends.Set {
	return trends.Set{
		StartedAt: made.Add(time.Duration(hours * float64(time.Hour))), Kind: trends.LyingToStanding, Finding: finding, SystolicDrop: &drop,
	}
}

func change(drug, what string, hours float64) trends.Change {
	return trends.Change{Drug: drug, Change: what, At: made.Add(time.Duration(hours * float64(time.Hour))), Lowering: true}
}

// told writes what became of a suggestion: the change, whether it was the one suggested, sets
// and positive ones before and after with the median drop, and falls.
func told(b Became) string {
	s := "none"
	if b.Change != nil {
		s = b.Change.Change
	}
	if b.AsSuggested {
		s += " as suggested"
	}
	if b.Unseen {
		s += " unseen"
	}
	if b.Around != nil {
		s += fmt.Sprintf(" %d/%d", b.Around.SetsBefore, b.Around.SetsAfter)
	}
	for _, c := range []SetCount{b.Before, b.After} {
		s += fmt.Sprintf("; %d of %d", c.Positive, c.Sets)
		if c.Drop != nil {
			s += fmt.Sprintf(", %g", *c.Drop)
		}
	}
	return fmt.Sprintf("%s; %d falls", s, b.Falls)
}

// A worked example: drops of 30, 34 and 26 before (median 30, two positive), doxazosin stopped
// 6 h after the suggestion, then drops of 12 and 22 (median 17, one positive) and one fall.
func worked() trends.Digest {
	stopped := change("doxazosin", trends.StoppedDrug, 6)
	return trends.Digest{
		Sets: []trends.Set{
			set(-48, 30, trends.Positive), set(-24, 34, trends.Positive), set(-2, 26, trends.Negative), set(3, 40, trends.Positive),
			set(12, 12, trends.Negative), set(20, 99, trends.Inconclusive), set(30, 22, trends.Positive),
		},
		Changes: []trends.Change{
			change("doxazosin", trends.Started, -60), change("furosemide", trends.Lowered, 2), stopped, change("doxazosin", trends.Started, 40),
		},
		Serial: trends.Serial{Around: []trends.Around{
			{Drug: "doxazosin", Change: trends.Started, At: made.Add(-60 * time.Hour)},
			{Drug: "doxazosin", Change: trends.StoppedDrug, At: stopped.At, SetsBefore: 4, SetsAfter: 2},
		}},
		Falls: []trends.FallFact{{At: made.Add(-time.Hour)}, {At: made.Add(31 * time.Hour)}},
	}
}

func TestWhatBecameOfASuggestion(t *testing.T) {
	for name, tc := range map[string]struct {
		of   records.DoseSuggestion
		want string
	}{
		"stopped, as suggested":     {records.DoseSuggestion{Drug: "doxazosin", Class: Stop}, "stopped as suggested 4/2; 2 of 3, 30; 1 of 2, 17; 1 falls"},
		"stopped, for another drug": {records.DoseSuggestion{Drug: "doxazosin", Class: Change}, "stopped as suggested 4/2; 2 of 3, 30; 1 of 2, 17; 1 falls"},
		"stopped, and not lowered":  {records.DoseSuggestion{Drug: "doxazosin", Class: Lower}, "stopped 4/2; 2 of 3, 30; 1 of 2, 17; 1 falls"},
		"another drug's change":     {records.DoseSuggestion{Drug: "furosemide", Class: Lower}, "lowered as suggested; 2 of 3, 30; 2 of 3, 22; 1 falls"},
		// No change of it: sets count from the suggestion on: 40, 12 and 22, of which two are positive.
		"no change of it":             {records.DoseSuggestion{Drug: "lisinopril", Class: Stop}, "none; 2 of 3, 30; 2 of 3, 22; 1 falls"},
		"an hour is told by no order": {records.DoseSuggestion{Drug: "lisinopril", Class: MoveHour}, "none unseen; 2 of 3, 30; 2 of 3, 22; 1 falls"},
	} {
		if got := told(BecameOf(tc.of, made, worked())); got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
	d := worked()
	if b := BecameOf(records.DoseSuggestion{Drug: "doxazosin", Class: Stop}, made.Add(6*time.Hour), d); b.Change == nil || b.Change.Change != trends.Started {
		t.Errorf("a change at the very moment answers the suggestion: %v", b.Change)
	}
	if got := told(BecameOf(records.DoseSuggestion{Drug: "x", Class: Stop}, made, trends.Digest{})); got != "none; 0 of 0; 0 of 0; 0 falls" {
		t.Errorf("of nothing charted: %q", got)
	}
}

func TestSuggestionsStandWithTheirOutcomeAlone(t *testing.T) {
	day := made.AddDate(0, 0, 3).Format(time.DateOnly)
	for name, tc := range map[string]struct {
		outcome records.DoseOutcome
		list    []records.DoseSuggestion
		wrong   bool
	}{
		"none":            {Suggested, nil, false},
		"two drugs":       {Suggested, []records.DoseSuggestion{{Drug: "a", Class: Lower}, {Drug: "b", Class: Split}}, false},
		"twice of one":    {Suggested, []records.DoseSuggestion{{Drug: "a", Class: Lower}, {Drug: "a", Class: Stop}}, true},
		"of no class":     {Suggested, []records.DoseSuggestion{{Drug: "a", Class: "40 mg"}}, true},
		"another outcome": {NoChange, []records.DoseSuggestion{{Drug: "a", Class: Lower}}, true},
	} {
		got := Draft{Outcome: tc.outcome, LookAgain: day, Suggestions: tc.list}.Check(made.Format(time.DateOnly))
		if (len(got) > 0) != tc.wrong {
			t.Errorf("%s: %v", name, got)
		}
	}
}
