package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/trends"
)

// Chicago's clocks went from 01:59:59 CDT back to 01:00 CST on 1 November 2026 and
// from 01:59:59 CST to 03:00 CDT on 8 March (rules of the zone database).
func TestATimeIsToldFromTheOneOfTheSameClock(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[string]string{
		"2026-11-01T00:59:00-05:00": "1 Nov 00:59",
		"2026-11-01T01:00:00-05:00": "1 Nov 01:00 CDT",
		"2026-11-01T01:59:00-05:00": "1 Nov 01:59 CDT",
		"2026-11-01T01:00:00-06:00": "1 Nov 01:00 CST",
		"2026-11-01T01:59:00-06:00": "1 Nov 01:59 CST",
		"2026-11-01T02:00:00-06:00": "1 Nov 02:00",
		"2026-03-08T01:59:00-06:00": "8 Mar 2026 01:59",
		"2026-03-08T03:00:00-05:00": "8 Mar 2026 03:00",
		"2025-11-25T12:00:00-06:00": "25 Nov 2025 12:00",
		"2027-01-02T12:00:00-06:00": "2 Jan 12:00",
	} {
		moment, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		if got := (Catalogue{Zone: chicago, At: noon}).Time(moment); got != want {
			t.Errorf("%s = %q, want %q", at, got, want)
		}
	}
}

func TestSeveralFallsAreCounted(t *testing.T) {
	r := alerts.Reason{Rule: alerts.TFall, Figures: alerts.FellFigures{FellAt: noon, Injury: "minor", Falls: 2}}
	for _, got := range []string{catalogue().Reason(r), catalogue().Brief(r)} {
		if !strings.Contains(got, "minor injury, the latest of 2 falls") {
			t.Errorf("%q does not say that there were two", got)
		}
	}
}

func TestASetWithAPressureIsNotSaidToHaveNone(t *testing.T) {
	f := setFigures()
	f.BaselineSystolic, f.UprightSystolic = nil, nil // one without a baseline has no drop and does not count
	if got := catalogue().Reason(alerts.Reason{Rule: alerts.TStopped, Figures: f}); !strings.HasSuffix(got, "; drop not known.") {
		t.Error(got)
	}
}

func TestOfADeathNoSetIsMissed(t *testing.T) {
	f := alerts.FellFigures{FellAt: noon.Add(-2 * time.Hour), Injury: "death"}
	if got := catalogue().Reason(alerts.Reason{Rule: alerts.TFall, Figures: f}); got != "Fell 20 Nov 10:00 (2 h ago), died of it; no set is asked for." {
		t.Error(got)
	}
}

// A set that is positive because symptoms ended it says nothing of a fall in pressure,
// and its pressure may have risen.
func TestAPositiveSetIsToldByWhatMadeItPositive(t *testing.T) {
	for _, c := range []struct {
		criteria     []string
		drop         float64
		brief, whole string
	}{
		{[]string{trends.CritSystolic, trends.CritStopped}, 34, "positive set, systolic drop 34", "Pressure fell on standing"},
		{[]string{trends.CritDiastolic}, -14, "positive set, diastolic drop 12", "systolic up 14, diastolic drop 12 mmHg"},
		{[]string{trends.CritLow}, 12, "positive set, standing systolic 108", "systolic drop 12"},
		{[]string{trends.CritStopped}, -7, "positive set, stopped by symptoms (dizziness and nausea)", "was stopped by symptoms (dizziness and nausea); lying 142/78"},
	} {
		f := setFigures()
		f.Criteria, f.SystolicDrop = c.criteria, &c.drop
		r := alerts.Reason{Rule: alerts.TPositive, Figures: f}
		if got := catalogue().Brief(r); got != c.brief {
			t.Errorf("%v: %q", c.criteria, got)
		}
		if got := catalogue().Reason(r); !strings.Contains(got, c.whole) {
			t.Errorf("%v: %q", c.criteria, got)
		}
		gap := catalogue().Reason(alerts.Reason{Rule: alerts.TGap, Figures: alerts.GapFigures{SetFigures: f}})
		if fell := strings.HasPrefix(gap, "Pressure falls"); fell == (c.drop == -7) {
			t.Errorf("%v: %q", c.criteria, gap)
		}
	}
}

func TestASetSaysWhyItHasNoPressure(t *testing.T) {
	s := trends.Set{
		StartedAt: noon, Finding: trends.Inconclusive, NoBaseline: trends.CouldNotRead,
		Upright: []trends.Upright{{Position: clinical.Standing, WhyNone: trends.NotBelieved}},
	}
	brief := catalogue().SetBrief(trends.Digest{}, s, false)
	if !strings.HasPrefix(brief, "cannot be read, the cuff could not read → charted and not believed") {
		t.Error(brief)
	}
	if got := SetPressures(s); !strings.HasPrefix(got, "at rest the cuff could not read, upright charted and not believed;") {
		t.Error(got)
	}
}

func TestWhoStoodWithoutAPressureIsNotSaidToHaveSat(t *testing.T) {
	s := trends.Set{StartedAt: noon, Finding: trends.Inconclusive, Upright: []trends.Upright{{Position: clinical.Standing}}}
	if got := catalogue().SetBrief(trends.Digest{}, s, false); !strings.HasPrefix(got, "cannot be read, ? → no pressure standing") {
		t.Error(got)
	}
	s.Upright = nil
	if got := catalogue().SetBrief(trends.Digest{}, s, false); !strings.HasPrefix(got, "cannot be read, ? → did not stand") {
		t.Error(got)
	}
	up := -57.0
	s.SystolicDrop = &up
	if got := catalogue().SetBrief(trends.Digest{}, s, false); !strings.Contains(got, ", systolic up 57;") {
		t.Error(got)
	}
}

// What a line that says positive tells: the figure that made the set so, when the drop came
// (possible initial: within half a minute and gone; delayed: after 3 min; consensus 2011) and
// whether it lasted.
func TestALineThatSaysPositiveTellsFigureTimingAndCourse(t *testing.T) {
	set := diastolicSet()
	f := alerts.SetOf(set)
	for line, got := range map[string]string{
		"T-POSITIVE":          catalogue().Reason(alerts.Reason{Rule: alerts.TPositive, Figures: f}),
		"T-POSITIVE in brief": catalogue().Brief(alerts.Reason{Rule: alerts.TPositive, Figures: f}),
		"T-GAP": catalogue().Reason(alerts.Reason{Rule: alerts.TGap, Figures: alerts.GapFigures{
			SetFigures: f, Finding: trends.Positive, Missing: []string{"gait belt"},
		}}),
		"T-GAP in brief": catalogue().Brief(alerts.Reason{Rule: alerts.TGap, Figures: alerts.GapFigures{
			SetFigures: f, Finding: trends.Positive, Missing: []string{"gait belt"},
		}}),
		"T-REVIEW": catalogue().Reason(alerts.Reason{Rule: alerts.TReview, Figures: alerts.ReviewFigures{
			Flags: []string{alerts.DAlpha}, Drugs: []string{"doxazosin"}, SetAt: noon, Set: &f,
		}}),
		"T-WATCH": catalogue().Reason(alerts.Reason{Rule: alerts.TWatch, Figures: alerts.WatchFigures{
			Contributors: []string{trends.ByVolume}, SetAt: &noon, Set: &f,
		}}),
		"a recheck after it": catalogue().Reason(alerts.Reason{Rule: alerts.TOverdue, Figures: alerts.RecheckFigures{
			DueAt: noon, Rule: alerts.RPositive, State: alerts.Overdue, Set: &f,
		}}),
		"on paper":         catalogue().SetBrief(trends.Digest{}, set, false),
		"of a chart":       SetLine(trends.Digest{}, set),
		"beside pressures": How(set),
		"beside drops":     Drops(set) + HowBesideDrops(set),
		"as news":          catalogue().NewSets([]trends.Set{set}),
		"since a review":   catalogue().ReviewNews(dosereview.News{Sets: []trends.Set{set}})[0],
		"after a dose":     catalogue().DroppedAfter(alerts.DropAfter{Set: set}),
	} {
		for _, want := range []string{"14", "possible initial", "not sustained"} {
			if !strings.Contains(got, want) {
				t.Errorf("%s does not say %q: %s", line, want, got)
			}
		}
	}
	set.Finding, set.Criteria, set.Timing, set.Sustained = trends.Negative, nil, "", ""
	for _, got := range []string{How(set), HowBesideDrops(set)} {
		if got != "" {
			t.Errorf("a negative set is told as positive: %q", got)
		}
	}
}

// diastolicSet is positive by its diastolic drop of 14 alone, at once and not again.
func diastolicSet() trends.Set {
	p := func(v float64) *float64 { return &v }
	return trends.Set{
		StartedAt: noon, Kind: trends.LyingToStanding, Finding: trends.Positive, Quality: trends.Usable,
		Criteria: []string{trends.CritDiastolic}, Timing: trends.PossibleInitial, Sustained: "no",
		Baseline: &trends.Baseline{Position: clinical.Lying, Systolic: p(142), Diastolic: p(78)},
		Upright: []trends.Upright{{
			Position: clinical.Standing, Minutes: p(0.5), Systolic: p(136), Diastolic: p(64), SystolicDrop: p(6), DiastolicDrop: p(14),
		}},
		SystolicDrop: p(6), DiastolicDrop: p(14),
	}
}

// Nobody took a pressure: nothing may say that one fell (R-POSITIVE, D-BOTH).
func TestNoSentenceSaysThatAPressureFellThatNobodyTook(t *testing.T) {
	set := trends.Set{
		StartedAt: noon, Kind: trends.LyingToStanding, Finding: trends.Positive, Criteria: []string{trends.CritStopped},
		Symptoms: []string{"dizziness"}, StoppedEarly: true,
	}
	f := alerts.SetOf(set)
	for _, r := range []alerts.Reason{
		{Rule: alerts.TPositive, Figures: f},
		{Rule: alerts.TGap, Figures: alerts.GapFigures{SetFigures: f, Finding: trends.Positive, Missing: []string{"gait belt"}}},
		{Rule: alerts.TOverdue, Figures: alerts.RecheckFigures{DueAt: noon, Rule: alerts.RPositive, State: alerts.Overdue, Set: &f}},
		{Rule: alerts.TReview, Figures: alerts.ReviewFigures{SetAt: noon, Set: &f}},
	} {
		for _, got := range []string{catalogue().Reason(r), catalogue().Brief(r)} {
			if low := strings.ToLower(got); strings.Contains(low, "fell") || strings.Contains(low, "falls") {
				t.Errorf("%s: %s", r.Rule, got)
			}
		}
	}
	both := catalogue().Flag(alerts.Flag{Rule: alerts.DBoth, Figures: alerts.LyingFigures{LyingPressure: trends.SevereSupine}})
	if strings.Contains(both, "falling") {
		t.Error(both)
	}
}

// D-PEAK names the sets that were not positive too, beside its positive ones, with the p of
// the two shares (T-DOSE).
func TestTheFlagOfDosesAndSetsTellsThoseThatWereNotPositive(t *testing.T) {
	p := 0.4
	got := catalogue().Flag(alerts.Flag{Rule: alerts.DPeak, Drugs: []string{"amlodipine"}, Figures: alerts.PeakFigures{
		Sets: 2, FromHours: 1, ToHours: 4, EffectHours: 4, Doses: []trends.AroundDose{{
			Drug: "amlodipine", SetsAfter: 5, PositiveAfter: 2, SetsOtherwise: 3, PositiveOtherwise: 0, P: &p,
		}},
	}})
	if !strings.Contains(got, "amlodipine: positive in 2 of 5 within 4 h after a dose, in 0 of 3 otherwise, p = 0.4 (with so few sets at least 0.11).") {
		t.Error(got)
	}
}

// T-DOSE: a side without a set has no share; it is not "0 of 0".
func TestASideWithoutASetIsSaidSo(t *testing.T) {
	for want, d := range map[string]trends.AroundDose{
		"x: positive in 1 of 1; no set within 4 h after a dose.":             {Drug: "x", SetsOtherwise: 1, PositiveOtherwise: 1},
		"x: positive in 1 of 2 within 4 h after a dose; no other set.":       {Drug: "x", SetsAfter: 2, PositiveAfter: 1},
		"x: no set lying to standing that can be read since its first dose.": {Drug: "x"},
	} {
		if got := AroundDose(d, 4); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// Of a patient who died of a fall no sentence asks for anything (T-GAP, T-REVIEW, T-PRECAUTION).
func TestNoSentenceAsksForWhatADeathHasEnded(t *testing.T) {
	died := ptr(noon.Add(-30 * time.Hour))
	for _, r := range []alerts.Reason{
		{Rule: alerts.TGap, Figures: alerts.GapFigures{
			SetFigures: setFigures(), Finding: trends.Positive, Missing: []string{"bed alarm"}, DiedOf: died,
		}},
		{Rule: alerts.TPrecaution, Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}, DiedOf: died}},
		{Rule: alerts.TReview, Figures: alerts.ReviewFigures{
			Flags: []string{alerts.DAlpha}, Drugs: []string{"doxazosin"}, SetAt: noon.Add(-40 * time.Hour), DiedOf: died,
		}},
	} {
		says := catalogue().Reason(r)
		if !strings.Contains(says, "died of the fall of "+catalogue().Time(*died)) {
			t.Errorf("%s does not say when the patient fell: %s", r.Rule, says)
		}
		for _, s := range []string{says, catalogue().Brief(r), catalogue().Line(r)} {
			asks := strings.Contains(s, "missing") || strings.Contains(s, "looked at") || strings.Contains(s, "bed alarm")
			if asks || !strings.Contains(s, "died of the fall") {
				t.Errorf("%s asks: %s", r.Rule, s)
			}
		}
	}
}
