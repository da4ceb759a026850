package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func catalogue() Catalogue { return Catalogue{Zone: time.UTC, At: noon} }

func ptr[T any](v T) *T { return &v }

// setFigures are those of a positive set.
func setFigures() alerts.SetFigures {
	return alerts.SetFigures{
		SetAt: noon.Add(-3 * time.Hour), Kind: trends.LyingToStanding, Criteria: []string{trends.CritSystolic}, Symptoms: []string{"dizziness", "nausea"},
		BaselineSystolic: ptr(142.0), BaselineDiastolic: ptr(78.0), SystolicDrop: ptr(34.0), DiastolicDrop: ptr(12.0),
		UprightSystolic: ptr(108.0), UprightDiastolic: ptr(66.0), UprightMinutes: ptr(3.0), UprightPosition: "standing",
	}
}

// figuresOf holds a value of each figure that a rule may give.
func figuresOf(r clinical.Rule) clinical.Figures {
	switch r.Figures.(type) {
	case alerts.FellFigures:
		return alerts.FellFigures{FellAt: noon.Add(-2 * time.Hour), Injury: "minor", Falls: 1, Bleeds: []trends.Bleed{{Drug: "enoxaparin", LastGiven: ptr(noon.Add(-5 * time.Hour))}}}
	case alerts.SetFigures:
		return setFigures()
	case alerts.SymptomFigures:
		return alerts.SymptomFigures{SetFigures: setFigures(), Finding: trends.SymptomsOnly}
	case alerts.GapFigures:
		return alerts.GapFigures{SetFigures: setFigures(), Finding: trends.Positive, Missing: []string{"bed alarm", "assisted rising"}}
	case alerts.RecheckFigures:
		return alerts.RecheckFigures{DueAt: noon.Add(-time.Hour), Rule: alerts.RDrug, State: alerts.Overdue, Drug: "furosemide", Change: trends.Raised}
	case alerts.ReviewFigures:
		return alerts.ReviewFigures{Flags: []string{alerts.DAlpha}, Drugs: []string{"doxazosin"}, SetAt: noon}
	case alerts.MissingFigures:
		return alerts.MissingFigures{Missing: []string{"bed alarm"}}
	case alerts.WatchFigures:
		return alerts.WatchFigures{
			Contributors: []string{"volume", "cardiac"}, SetAt: ptr(noon), ClearedAt: ptr(noon.Add(-5 * time.Hour)),
			DueAt: ptr(noon.Add(-time.Hour)), RecheckRule: alerts.RDrug,
		}
	case alerts.RecentFigures:
		return alerts.RecentFigures{SetAt: noon, Hours: 72}
	case alerts.PeakFigures:
		return alerts.PeakFigures{
			Sets: 2, FromHours: 1, ToHours: 4, EffectHours: 4,
			Doses: []trends.AroundDose{{Drug: "amlodipine"}, {Drug: "doxazosin", SetsAfter: 4, PositiveAfter: 3, SetsOtherwise: 6, PositiveOtherwise: 1, P: ptr(0.19)}},
		}
	case alerts.RoomFigures:
		return alerts.RoomFigures{LyingSystolic: 112}
	case alerts.LyingFigures:
		return alerts.LyingFigures{LyingPressure: trends.SevereSupine}
	}
	return r.Figures
}

func TestEveryRuleHasItsSentenceWithTheFiguresInIt(t *testing.T) {
	wanted := map[string][]string{
		alerts.TFall: {"20 Nov 10:00", "2 h ago", "minor injury"}, alerts.TFell: {"20 Nov 10:00", "minor injury"},
		alerts.TStopped: {"dizziness", "nausea", "142/78", "108/66"}, alerts.TLow: {"142/78", "108/66", "34"},
		alerts.TLowLying: {"142", "under 90"}, alerts.TGap: {"bed alarm", "assisted rising"}, alerts.TPositive: {"142/78", "34", "12", "3 min"},
		alerts.TOverdue: {"overdue", "1 h", "furosemide was raised"}, alerts.TDue: {"furosemide"}, alerts.TReview: {"doxazosin", "alpha-1 blocker"},
		alerts.TClearance: {"20 Nov 10:00", "minor injury", "provider"},
		alerts.TSymptoms:  {"dizziness", "nausea"}, alerts.TRoutine: {"20 Nov 11:00"}, alerts.TSoon: {"20 Nov 11:00"},
		alerts.TPrecaution: {"bed alarm"}, alerts.TWatch: {"volume", "20 Nov 07:00"},
	}
	for _, r := range alerts.TierRules {
		got := catalogue().Reason(alerts.Reason{Rule: r.ID, Figures: figuresOf(r)})
		for _, part := range wanted[r.ID] {
			if !strings.Contains(got, part) {
				t.Errorf("%s: %q does not say %q", r.ID, got, part)
			}
		}
		// Whatever figures are missing, and where there are none at all.
		for _, got := range []string{got, catalogue().Reason(alerts.Reason{Rule: r.ID, Figures: r.Figures}), catalogue().Reason(alerts.Reason{Rule: r.ID})} {
			if !strings.HasSuffix(got, ".") && r.ID != alerts.TWatch || strings.Contains(got, "<nil>") || strings.Contains(got, "[") {
				t.Errorf("%s: %q is no plain sentence", r.ID, got)
			}
		}
	}
}

func TestEveryFlagHasItsSentence(t *testing.T) {
	for _, r := range alerts.FlagRules {
		f := alerts.Flag{Rule: r.ID, Drugs: []string{"doxazosin", "lisinopril"}, Figures: figuresOf(r)}
		got := catalogue().Flag(f)
		if !strings.Contains(got, "doxazosin") || !strings.Contains(got, "lisinopril") || !strings.HasSuffix(got, ".") || strings.Contains(got, "[") {
			t.Errorf("%s: %q", r.ID, got)
		}
	}
	both := alerts.Flag{Rule: alerts.DBoth, Figures: alerts.LyingFigures{LyingPressure: "x"}}
	if got := catalogue().Flag(both); !strings.Contains(got, "no blood-pressure-lowering drug active") {
		t.Errorf("D-BOTH without a drug: %q", got)
	}
}

func TestEveryRuleIsExplained(t *testing.T) {
	explained := map[string]string{}
	for _, p := range []clinical.Policy{clinical.DefaultPolicy()} {
		for _, g := range Explain(p) {
			for _, r := range g.Rules {
				if explained[r.ID] != "" {
					t.Errorf("%s is explained twice", r.ID)
				}
				explained[r.ID] = r.Text
			}
		}
	}
	p := clinical.DefaultPolicy()
	p.Sets.Comparison, p.Recheck.FallHours, p.DoseReview.RoomSystolic = clinical.MoreThan, 0.75, 115
	p.Serial.TrendLevel, p.Precautions.InFeed, p.Drugs.OfNoConcern = 0.083, false, []string{"zinc"}
	all := ""
	for _, g := range Explain(p) {
		for _, r := range g.Rules {
			all += r.Text + "\n"
		}
	}
	for _, want := range []string{"more than 20 mmHg", "Due 0.75 h after a fall", "under 115 mmHg", "p under 0.083.", "carry no precautions", "Of no concern here: zinc."} {
		if !strings.Contains(all, want) {
			t.Errorf("the site's policy is not told: %q", want)
		}
	}
}

func TestWhatIsSaidOfTheWordsOfTheRules(t *testing.T) {
	for _, rule := range alerts.RecheckRules {
		if RecheckWhy(rule.ID, "", "") == "" {
			t.Errorf("%s has no words", rule.ID)
		}
	}
	for _, tier := range alerts.Tiers {
		if TierNames[tier] == "" || TierIntros[tier] == "" {
			t.Errorf("tier %s has no words", tier)
		}
	}
	if strings.Contains(TierNames[alerts.None], "low risk") {
		t.Error("the last tier is called low risk")
	}
	got := Missing([]string{alerts.InjuryUncleared, alerts.InjuryUnknown, alerts.CannotWalk, "else"})
	if got[0] != "injury: stand only when cleared by the provider" || got[1] != "check for injury before standing" || len(got) != 4 {
		t.Errorf("missing: %q", got)
	}
}

func TestEvidenceIsSaidWithItsFigures(t *testing.T) {
	for what, c := range map[string]struct {
		figures clinical.Figures
		want    string
	}{
		trends.EvNet24: {trends.VolumeFigures{ML: -1200}, "−1,200 mL in 24 h"}, trends.EvNet48: {trends.VolumeFigures{ML: -1200}, "−1,200 mL in 48 h"},
		trends.EvWeight: {trends.MassFigures{KG: -2.4}, "−2.4 kg"}, trends.EvGutLosses: {trends.VolumeFigures{ML: 500}, "500 mL"},
		trends.EvBloodLoss: {trends.VolumeFigures{ML: 500}, "500 mL"}, trends.EvHaemoglobin: {trends.HaemoglobinFigures{GramsPerDL: 2.1}, "2.1 g/dL"},
		trends.EvBrisk: {trends.RatioFigures{Ratio: 1.25}, "1.25"}, trends.EvBlunted: {trends.RatioFigures{Ratio: 1.25}, "1.25"},
		trends.EvDrugs: {trends.NamesFigures{Names: []string{"a", "b"}}, "a and b"}, trends.EvCoded: {trends.NamesFigures{Names: []string{"a", "b"}}, "a and b"},
	} {
		got := Evidence(trends.Contributor{Evidence: []trends.Evidence{{What: what, Figures: c.figures}}})
		if !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", what, got, c.want)
		}
	}
}

// The rules: the screen says "moved together", never "caused".
func TestSeriesAreNeverSaidToBeCauses(t *testing.T) {
	a := trends.Around{SetsBefore: 3, SetsAfter: 2, Shift: trends.Shift{Shift: ptr(9.0), Low: ptr(2.0), High: ptr(14.0)}, Clear: true}
	for _, got := range []string{Around(a), Around(trends.Around{TooFew: true, SetsBefore: 1})} {
		if strings.Contains(got, "caus") {
			t.Errorf("%q", got)
		}
	}
	if got := Around(a); !strings.Contains(got, "moved together") || !strings.Contains(got, "+9") || !strings.Contains(got, "+2 to +14") {
		t.Errorf("%q", got)
	}
	a.Clear = false // the interval holds 0, or there is none, and p is not under the level
	if got := Around(a); strings.Contains(got, "moved together") || !strings.Contains(got, "no clear shift") {
		t.Errorf("%q", got)
	}
	for trend, want := range map[string]string{
		trends.TooFew: "too few", trends.Steady: "no clear trend", trends.Worsening: "growing", trends.Improving: "shrinking",
	} {
		if got := Trend(trends.Serial{Trend: trend, TrendSets: 4, Slope: ptr(4.1)}); !strings.Contains(got, want) {
			t.Errorf("%s: %q", trend, got)
		}
	}
}

func TestNumbersTimesAndListsAreWrittenAsPeopleReadThem(t *testing.T) {
	for v, want := range map[float64]string{1: "1", 1.25: "1.3", -2.04: "-2", 112.5: "112.5", 0: "0"} {
		if got := Figure(v); got != want {
			t.Errorf("%v is written %q", v, got)
		}
	}
	for d, want := range map[time.Duration]string{
		30 * time.Second: "under a minute", 5 * time.Minute: "5 min", 59*time.Minute + 59*time.Second: "59 min", 2 * time.Hour: "2 h",
		150 * time.Minute: "2 h 30 min", 47 * time.Hour: "47 h", 50 * time.Hour: "2 days", 72 * time.Hour: "3 days",
	} {
		if got := Span(d); got != want {
			t.Errorf("%s is written %q", d, got)
		}
	}
	for want, words := range map[string][]string{"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}} {
		if got := List(words); got != want {
			t.Errorf("%v is written %q", words, got)
		}
	}
	c := catalogue()
	if got := c.Ago(noon.Add(-time.Hour)) + ", " + c.Ago(noon.Add(time.Hour)); got != "1 h ago, in 1 h" {
		t.Errorf("ago: %q", got)
	}
	if got := c.Ago(noon.Add(40 * time.Second)); got != "under a minute ago" {
		t.Errorf("what happened by a clock that is a little ahead: %q", got)
	}
	if got := c.Due(noon.Add(-time.Hour)) + ", " + c.Due(noon.Add(time.Hour)); got != "1 h overdue, in 1 h" {
		t.Errorf("due: %q", got)
	}
}

func TestWhatASetSaysInALine(t *testing.T) {
	u := trends.Upright{Position: clinical.Standing, Systolic: ptr(108.0), Diastolic: ptr(66.0), Minutes: ptr(3.0), SystolicDrop: ptr(34.0)}
	other := trends.Upright{Position: clinical.Standing, Systolic: ptr(90.0)} // on another limb
	s := trends.Set{
		Baseline: &trends.Baseline{Position: clinical.Lying, Systolic: ptr(142.0), Diastolic: ptr(78.0)}, Upright: []trends.Upright{other, u},
		SystolicDrop: ptr(34.0), DiastolicDrop: ptr(-2.0), Finding: trends.Positive, Quality: trends.Usable,
	}
	for _, want := range []string{"142/78", "108/66", "34", "positive", "usable"} {
		if got := SetLine(trends.Digest{}, s); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	s.Upright = s.Upright[:1]
	if got := SetLine(trends.Digest{}, trends.Set{Finding: trends.Inconclusive, Quality: trends.Unusable}); got == "" || strings.Contains(got, "<nil>") {
		t.Errorf("a bare set: %q", got)
	}
	for response, want := range map[trends.Word]string{trends.Blunted: "blunted", trends.Unreliable: "unreliable"} {
		if got := Response(trends.Set{PulseResponse: response, PulseRatio: ptr(0.24)}); !strings.Contains(got, want) || !strings.Contains(got, "0.24") {
			t.Errorf("%s: %q", response, got)
		}
	}
	if Response(trends.Set{}) != "" || Sustained("") != "" || Sustained("yes") == "" || Sustained("no") == "" || Sustained("unknown") == "" {
		t.Error("words of what was not computed")
	}
}

func TestWhatClearingHasReached(t *testing.T) {
	c, p := catalogue(), clinical.DefaultPolicy()
	if got := c.Clearing(trends.Serial{}, p); !strings.Contains(got, "nothing to clear") {
		t.Errorf("%q", got)
	}
	if got := c.Clearing(trends.Serial{Positive: 1, Cleared: true, ClearedAt: ptr(noon.Add(-time.Hour))}, p); !strings.Contains(got, "20 Nov 11:00") {
		t.Errorf("%q", got)
	}
	// T-CLEAR: a drop that comes at 8 minutes is not cleared by 3.
	late := c.Clearing(trends.Serial{Positive: 1, ClearMinutes: ptr(8.0)}, p)
	needed := c.Needed(trends.Needs{Negatives: 2, LongStand: ptr(8.0)}, p)[0]
	for _, got := range []string{late, needed} {
		if !strings.Contains(got, "min and again at 8 min (the drop came late)") {
			t.Errorf("%q does not say how long to stand", got)
		}
	}
	got := c.Clearing(trends.Serial{Positive: 1, ClearingRun: 1, ClearMinutes: ptr(3.0)}, p)
	if strings.Contains(got, "again at") {
		t.Errorf("%q asks for more than the usual minutes", got)
	}
	for _, want := range []string{"Not cleared", "2 ", "5.5", "8 h", "1 so far"} {
		if !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
}

func TestDosesFluidsAndLoadAreSaidWithWhatTheyRestOn(t *testing.T) {
	for want, got := range map[string]string{
		"on, amount unknown": Daily(nil, "mg"), "off": Daily(ptr(0.0), "mg"), "40 mg a day": Daily(ptr(40.0), "mg"),
		"not charted":       Balance(trends.Balance{}),
		"no rule uses it":   Balance(trends.Balance{NetML: ptr(-900.0), Hours: 5, Window: 24}),
		"−900 mL":           Balance(trends.Balance{NetML: ptr(-900.0), Hours: 24, Window: 24, Usable: true}),
		"2.5 DDD":           Load(trends.Exposures{Load: ptr(2.5), LoadFrom: trends.FromDoses}),
		"0.65 DDD":          Load(trends.Exposures{Load: ptr(0.65), LoadFrom: trends.FromDoses}), // the sum of the parts that stand beside it
		"no dose records":   Load(trends.Exposures{Load: ptr(2.5), LoadFrom: trends.FromOrders}),
		"cannot be counted": Load(trends.Exposures{}),
		"furosemide raised": Change(trends.Change{Drug: "furosemide", Change: trends.Raised, From: ptr(40.0), To: ptr(80.0), Unit: "mg"}),
	} {
		if !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	for word, want := range map[string]string{"": "not charted", "none": "no injury", "death": "died", "major": "major injury"} {
		if got := Injury(word); !strings.Contains(got, want) {
			t.Errorf("injury %q: %q", word, got)
		}
	}
}

// The rule's own example: -1,567 mL, not -1566.9.
func TestFluidsAreToldInWholeMillilitres(t *testing.T) {
	for ml, want := range map[float64]string{-1566.9: "−1,567", 1234567: "+1,234,567", 999.4: "+999", -0.3: "0", 0.4: "0", -40: "−40"} {
		if got := Millilitres(ml); got != want {
			t.Errorf("%g mL = %q, want %q", ml, got, want)
		}
	}
	if got := Balance(trends.Balance{NetML: ptr(-1566.9), Hours: 24, Window: 24, Usable: true}); !strings.HasPrefix(got, "−1,567 mL;") {
		t.Errorf("the balance is told as %q", got)
	}
}
