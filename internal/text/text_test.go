package text

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func catalogue() Catalogue { return Catalogue{Zone: time.UTC, At: noon} }

func ptr[T any](v T) *T { return &v }

var tierRuleNames = []string{
	alerts.TFall, alerts.TStopped, alerts.TLow, alerts.TLowLying, alerts.TGap, alerts.TPositive, alerts.TFell, alerts.TOverdue,
	alerts.TDue, alerts.TReview, alerts.TSymptoms, alerts.TRoutine, alerts.TSoon, alerts.TPrecaution, alerts.TWatch,
}

var flagNames = []string{
	alerts.DAlpha, alerts.DCentral, alerts.DNitrate, alerts.DThree, alerts.DTwoDiuretics, alerts.DDry, alerts.DRecent, alerts.DPeak,
	alerts.DRoom, alerts.DBoth, alerts.DPressor, alerts.DFrid,
}

var recheckNames = []string{
	alerts.RFall, alerts.RStopped, alerts.RTreated, alerts.RPositive, alerts.RRepeat, alerts.RDrug, alerts.RVolume, alerts.RAdmit, alerts.RWeekly,
}

// figures hold a value of each name that a tier rule may give.
func figures() alerts.Figures {
	return alerts.Figures{
		"fell_at": noon.Add(-2 * time.Hour), "injury": "minor", "falls": 1, "set_at": noon.Add(-3 * time.Hour), "kind": trends.LyingToStanding,
		"criteria": []string{trends.CritSystolic}, "symptoms": []string{"dizziness", "nausea"}, "quality": trends.Usable,
		"baseline_systolic": 142.0, "baseline_diastolic": 78.0, "baseline_position": "lying", "systolic_drop": 34.0, "diastolic_drop": 12.0, "upright_systolic": 108.0,
		"upright_diastolic": 66.0, "upright_minutes": 3.0, "upright_position": "standing", "missing": []string{"bed alarm", "assisted rising"},
		"finding": trends.Positive, "due_at": noon.Add(-time.Hour), "recheck_rule": alerts.RDrug, "state": alerts.Overdue, "drug": "furosemide",
		"change": trends.Raised, "flags": []string{alerts.DAlpha}, "drugs": []string{"doxazosin"}, "contributors": []string{"volume", "cardiac"},
		"cleared_at": noon.Add(-5 * time.Hour),
	}
}

func TestEveryRuleHasItsSentenceWithTheFiguresInIt(t *testing.T) {
	for rule, want := range map[string][]string{
		alerts.TFall: {"20 Nov 10:00", "2 h ago", "minor injury"}, alerts.TFell: {"20 Nov 10:00", "minor injury"},
		alerts.TStopped: {"dizziness", "nausea", "142/78", "108/66"}, alerts.TLow: {"142/78", "108/66", "34"},
		alerts.TLowLying: {"142", "under 90"}, alerts.TGap: {"bed alarm", "assisted rising"}, alerts.TPositive: {"142/78", "34", "12", "3 min"},
		alerts.TOverdue: {"overdue", "1 h", "furosemide was raised"}, alerts.TDue: {"furosemide"}, alerts.TReview: {"doxazosin", "D-ALPHA"},
		alerts.TSymptoms: {"dizziness", "nausea"}, alerts.TRoutine: {"20 Nov 11:00"}, alerts.TSoon: {"20 Nov 11:00"},
		alerts.TPrecaution: {"bed alarm"}, alerts.TWatch: {"volume", "20 Nov 07:00"},
	} {
		got := catalogue().Reason(alerts.Reason{Rule: rule, Figures: figures()})
		for _, part := range want {
			if !strings.Contains(got, part) {
				t.Errorf("%s: %q does not say %q", rule, got, part)
			}
		}
		if !strings.HasSuffix(got, ".") || strings.Contains(got, "<nil>") || strings.Contains(got, "%!") {
			t.Errorf("%s: %q is no plain sentence", rule, got)
		}
	}
	for _, rule := range tierRuleNames { // whatever figures are missing
		if got := catalogue().Reason(alerts.Reason{Rule: rule, Figures: alerts.Figures{"due_at": noon}}); got == "" || strings.Contains(got, "<nil>") || strings.Contains(got, "%!") {
			t.Errorf("%s without figures: %q", rule, got)
		}
	}
}

func TestEveryFlagHasItsSentence(t *testing.T) {
	for _, rule := range flagNames {
		f := alerts.Flag{Rule: rule, Drugs: []string{"doxazosin", "lisinopril"}, Figures: alerts.Figures{
			"count": 3, "sets": 2, "set_at": noon, "lying_systolic": 112.0, "lying_pressure": trends.SevereSupine,
		}}
		got := catalogue().Flag(f)
		if !strings.Contains(got, "doxazosin") || !strings.Contains(got, "lisinopril") || !strings.HasSuffix(got, ".") || strings.Contains(got, "%!") {
			t.Errorf("%s: %q", rule, got)
		}
	}
	if got := catalogue().Flag(alerts.Flag{Rule: alerts.DBoth, Figures: alerts.Figures{"lying_pressure": "x"}}); !strings.Contains(got, "no blood-pressure-lowering drug active") {
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
	for _, id := range slices.Concat(tierRuleNames, flagNames, recheckNames, episodes.Contradictions, []string{episodes.CFeed}) {
		if explained[id] == "" {
			t.Errorf("%s is not explained", id)
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
	for _, rule := range recheckNames {
		if RecheckRules[rule] == "" || RecheckWhy(rule, "", "") == "" {
			t.Errorf("%s has no words", rule)
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
	for what, want := range map[string]string{
		trends.EvNet24: "−1200 mL in 24 h", trends.EvNet48: "−1200 mL in 48 h", trends.EvWeight: "−2.4 kg", trends.EvGutLosses: "500 mL", trends.EvBloodLoss: "500 mL",
		trends.EvHaemoglobin: "2.1 g/dL", trends.EvBrisk: "1.25", trends.EvBlunted: "1.25", trends.EvDrugs: "a", trends.EvCoded: "b",
	} {
		ml := -1200.0
		if what == trends.EvGutLosses || what == trends.EvBloodLoss {
			ml = 500
		}
		got := Evidence(trends.Contributor{Evidence: []trends.Evidence{{
			What: what, Figures: map[string]float64{"ml": ml, "kg": -2.4, "g_dl": 2.1, "ratio": 1.25}, Names: []string{"a", "b"},
		}}})
		if !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", what, got, want)
		}
	}
}

// The rules: the screen says "moved together", never "caused".
func TestSeriesAreNeverSaidToBeCauses(t *testing.T) {
	a := trends.Around{SetsBefore: 3, SetsAfter: 2, Shift: trends.Shift{Shift: ptr(9.0), Low: ptr(2.0), High: ptr(14.0)}}
	for _, got := range []string{Around(a), Around(trends.Around{TooFew: true, SetsBefore: 1})} {
		if strings.Contains(got, "caus") {
			t.Errorf("%q", got)
		}
	}
	if got := Around(a); !strings.Contains(got, "moved together") || !strings.Contains(got, "+9") || !strings.Contains(got, "+2 to +14") {
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
		if got := SetLine(s); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	if d := Decisive(s); d == nil || *d.Systolic != 108 {
		t.Errorf("the reading that a line names: %+v", d)
	}
	s.Upright = s.Upright[:1]
	if d := Decisive(s); d == nil || *d.Systolic != 90 {
		t.Errorf("where none compares: %+v", d)
	}
	if d := Decisive(trends.Set{}); d != nil {
		t.Errorf("of no readings: %+v", d)
	}
	if got := SetLine(trends.Set{Finding: trends.Inconclusive, Quality: trends.Unusable}); got == "" || strings.Contains(got, "<nil>") {
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
	got := c.Clearing(trends.Serial{Positive: 1, ClearingRun: 1}, p)
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
