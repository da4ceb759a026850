package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/dosereview"
	"plumbline/internal/trends"
)

func TestEveryOutcomeOfAReviewHasItsWords(t *testing.T) {
	for _, o := range dosereview.Outcomes {
		if ReviewOutcomes[o] == "" || !strings.HasSuffix(ReviewEnds(o), ReviewOutcomes[o]) {
			t.Errorf("%s has no words", o)
		}
	}
}

// The dose review recommends nothing, whatever it says.
func TestTheDoseReviewAdvisesNoDose(t *testing.T) {
	at := time.Date(2026, 11, 2, 6, 0, 0, 0, time.UTC)
	c := Catalogue{Zone: time.UTC, At: at}
	to := 2.0
	change := trends.Change{Drug: "doxazosin", Change: trends.Raised, At: at.Add(-10 * time.Hour), From: ptr(1.0), To: &to, Unit: "mg"}
	lying, standing, drop := 140.0, 110.0, 30.0
	set := trends.Set{
		StartedAt: at.Add(-time.Hour), SystolicDrop: &drop, Finding: trends.Positive,
		Baseline: &trends.Baseline{Position: "lying", Systolic: &lying},
		Upright:  []trends.Upright{{Position: "standing", Systolic: &standing, SystolicDrop: &drop}},
	}
	news := c.ReviewNews(dosereview.News{
		Flags: []alerts.Flag{{Rule: alerts.DAlpha, Drugs: []string{"doxazosin"}}}, Sets: []trends.Set{set}, Raised: []trends.Change{change},
	})
	dropped := c.DroppedAfter(alerts.DropAfter{Change: change, Set: set, After: 9 * time.Hour})
	for _, want := range []string{"1 mg a day to 2 mg a day", "1 Nov 20:00", "9 h after it", "140/–", "110/–", "30"} {
		if !strings.Contains(dropped, want) {
			t.Errorf("%q does not say %q", dropped, want)
		}
	}
	for n, want := range []string{"Positive set of 2 Nov 05:00 (1 h ago)", "doxazosin raised", "D-ALPHA"} {
		if !strings.Contains(news[n], want) {
			t.Errorf("%q does not say %q", news[n], want)
		}
	}
	for _, says := range append(news, dropped) {
		for _, word := range []string{"should", "reduce", "stop ", "recommend", "caused", "because"} {
			if strings.Contains(strings.ToLower(says), word) {
				t.Errorf("%q says %q", says, word)
			}
		}
	}
}

func TestShiftsCarryTheirUncertainty(t *testing.T) {
	p := 0.057
	shift := trends.Around{SetsBefore: 3, SetsAfter: 4, Shift: trends.Shift{Shift: ptr(-15.0), P: &p}}
	for _, want := range []string{"−15 mmHg", "too few sets for an interval", "p = 0.057", "3 sets before, 4 after"} {
		if got := Around(shift); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	if got := Around(trends.Around{TooFew: true, SetsBefore: 1, SetsAfter: 5}); !strings.Contains(got, "nothing can be said") || strings.Contains(got, "p ") {
		t.Errorf("too few: %q", got)
	}
}

func TestDosesInWords(t *testing.T) {
	dose := func(mg, ddd *float64, n int) trends.DrugDose { return trends.DrugDose{Doses: n, MG: mg, DDDs: ddd} }
	for _, c := range []struct{ got, want string }{
		{OrderedDose(trends.Ordered{Route: "oral", DailyMG: ptr(0.4), DDD: ptr(0.4)}), "0.4 mg a day (1 DDD)"},
		{OrderedDose(trends.Ordered{Route: "transdermal", DailyMG: ptr(10.0)}), "10 mg a day transdermal"},
		{OrderedDose(trends.Ordered{Route: "oral"}), "amount unknown"},
		{GivenDoses(dose(nil, nil, 0)), "none charted"},
		{GivenDoses(dose(nil, nil, 2)), "2 doses, amount not charted in full"},
		{GivenDoses(dose(ptr(0.125), nil, 1)), "1 dose, 0.13 mg"},
		{GivenDose(trends.Given{Route: "parenteral", MG: ptr(20.0)}), "20 mg parenteral"},
		{GivenDose(trends.Given{}), "amount not charted"},
		{Day("2026-11-05"), "Thu 5 Nov 2026"},
		{Day("soon"), "soon"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}
