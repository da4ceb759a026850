package alerts

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

func reasonOf(t *testing.T, a Assessment, rule string) Reason {
	t.Helper()
	for _, r := range a.Reasons {
		if r.Rule == rule {
			return r
		}
	}
	t.Fatalf("%s does not hold, only %s", rule, rulesOf(a.Reasons))
	return Reason{}
}

func wantFacts(t *testing.T, what string, got []string, want string) {
	t.Helper()
	if strings.Join(got, ", ") != want {
		t.Errorf("%s: facts %q, want %q", what, strings.Join(got, ", "), want)
	}
}

func wantFigures(t *testing.T, what string, got, want clinical.Figures) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("%s (-want +got):\n%s", what, d)
	}
}

// Each reason rests on the facts that it speaks of, each named once.
func TestTheFactsAndFiguresOfWatching(t *testing.T) {
	d := withSets(young(), positive(-30), negative(-2))
	d.Conditions = []trends.Coded{{SourceID: "c", Code: "I509", Charted: "I50.9"}, {SourceID: "e", Code: "E119", Charted: "E11.9"}}
	r := reasonOf(t, assess(d), TWatch)
	wantFacts(t, "contributors", r.Facts, "c, e, set@-30h0m0s")
	wantFigures(t, "contributors", r.Figures, WatchFigures{
		Contributors: []string{"cardiac", "endocrine"}, SetAt: ptr(hour(-30)), Set: ptr(SetOf(positive(-30))),
	})

	r = reasonOf(t, assess(cleared(withSets(young(), positive(-90), negative(-20), negative(-2)), -2)), TWatch)
	wantFacts(t, "cleared", r.Facts, "set@-2h0m0s")
	wantFigures(t, "cleared", r.Figures, WatchFigures{ClearedAt: ptr(hour(-2))})

	r = reasonOf(t, assess(withSets(atRisk(young()), negative(-20))), TWatch)
	wantFacts(t, "scheduled", r.Facts, "set@-20h0m0s")
	wantFigures(t, "scheduled", r.Figures, WatchFigures{DueAt: ptr(hour(148)), RecheckRule: RWeekly})

	d = cleared(withSets(atRisk(young()), positive(-90), negative(-20), negative(-2)), -2)
	r = reasonOf(t, assess(d), TWatch)
	wantFacts(t, "cleared and scheduled, by one set", r.Facts, "set@-2h0m0s")
}

func TestTheFiguresOfASet(t *testing.T) {
	s := positive(-5)
	s.DiastolicDrop, s.Upright[0].DiastolicDrop = ptr(12.0), ptr(12.0)
	s.Upright[0].Diastolic = ptr(68.0)
	f := SetOf(s)
	if *f.BaselineDiastolic != 80 || *f.DiastolicDrop != 12 || *f.UprightDiastolic != 68 {
		t.Errorf("%+v", f)
	}
	// Of the upright readings that count the lowest, and of two the first.
	reading := func(systolic float64, minutes float64) trends.Upright {
		return trends.Upright{Position: clinical.Standing, Systolic: &systolic, SystolicDrop: ptr(140 - systolic), Minutes: &minutes}
	}
	for _, c := range []struct {
		upright []trends.Upright
		want    float64
	}{
		{[]trends.Upright{reading(110, 1), reading(100, 3), reading(120, 5)}, 3},
		{[]trends.Upright{reading(100, 1), reading(110, 3), reading(120, 5)}, 1},
		{[]trends.Upright{reading(110, 1), reading(100, 3), reading(100, 5)}, 3},
		{[]trends.Upright{{Position: clinical.Standing, Systolic: ptr(90.0)}, reading(100, 3)}, 3},
		{[]trends.Upright{reading(100, 3), {Position: clinical.Standing, Systolic: ptr(90.0)}}, 3},
	} {
		s.Upright = c.upright
		if got := lowestUpright(s); got == nil || *got.Minutes != c.want {
			t.Errorf("%v: %v", c.upright, got)
		}
	}
	s.Upright = []trends.Upright{{Position: clinical.Standing, Systolic: ptr(90.0)}}
	if got := lowestUpright(s); got != nil {
		t.Errorf("a reading that does not count: %v", got)
	}
}

// A set that is low without a drop that is known is no pressing one.
func TestALowSetWithoutADropIsNotPressing(t *testing.T) {
	s := positive(-1, trends.CritLow)
	s.SystolicDrop = nil
	if hasReason(assess(withSets(young(), s)), TLow) {
		t.Error("T-LOW holds without a drop")
	}
}

func TestARecheckThatNoDrugAskedForNamesNone(t *testing.T) {
	f := reasonOf(t, assess(guarded(withSets(young(), positive(-30)))), TOverdue).Figures
	wantFigures(t, "no drug", f, RecheckFigures{
		DueAt: hour(-18), Rule: RPositive, State: Overdue, Set: ptr(SetOf(positive(-30))),
	})
}

func TestTheFactsOfADoseReview(t *testing.T) {
	d := guarded(withDrugs(withSets(young(), positive(-3)), "sertraline", "doxazosin", "lisinopril", "amlodipine"))
	r := reasonOf(t, assess(d), TReview)
	wantFacts(t, "review", r.Facts, "order of doxazosin, order of amlodipine, order of lisinopril")
	wantFigures(t, "review", r.Figures, ReviewFigures{
		Flags: []string{DAlpha, DThree}, Drugs: []string{"doxazosin", "amlodipine", "lisinopril"}, SetAt: hour(-3),
		Set: ptr(SetOf(positive(-3))),
	})
	// D-FRID stands last in the table: what comes after it would count too.
	flags := Review{Needed: true, Flags: []Flag{{Rule: DFrid, Drugs: []string{"a"}, Facts: []string{"1"}}, {Rule: DAlpha, Drugs: []string{"b"}, Facts: []string{"2"}}}}
	s := situation{Digest: d, policy: clinical.DefaultPolicy(), zone: time.UTC, at: noon}
	wantFigures(t, "with D-FRID first", reviewNeeded(s, Assessment{Review: flags}).Figures,
		ReviewFigures{Flags: []string{DAlpha}, Drugs: []string{"b"}, SetAt: hour(-3), Set: ptr(SetOf(positive(-3)))})
}

func TestTheFactsOfFlags(t *testing.T) {
	d := withChanges(withSets(young(), positive(-1)), change("furosemide", trends.Started, -20, true, true), change("furosemide", trends.Raised, -10, true, true), change("lisinopril", trends.Started, -9, true, true))
	f := flag(t, assess(d), DRecent)
	wantFacts(t, "D-RECENT", f.Facts, "order of furosemide, order of lisinopril, set@-1h0m0s")
	if strings.Join(f.Drugs, ", ") != "furosemide, lisinopril" || f.Figures != (RecentFigures{SetAt: hour(-1), Hours: 72}) {
		t.Errorf("D-RECENT: %+v", f)
	}

	d = young()
	d.Peaks = []trends.Peak{{Drug: "amlodipine", Sets: 3, Facts: []string{"set", "dose a"}}, {Drug: "doxazosin", Sets: 2, Facts: []string{"set", "dose d"}}, {Drug: "lisinopril", Sets: 1, Facts: []string{"dose l"}}}
	f = flag(t, assess(d), DPeak)
	wantFacts(t, "D-PEAK", f.Facts, "set, dose a, dose d")
	if p := f.Figures.(PeakFigures); p.Sets != 3 || p.FromHours != 1 || p.ToHours != 4 || p.EffectHours != 4 {
		t.Errorf("D-PEAK: %v", f.Figures)
	}
	d.Peaks[0].Sets, d.Peaks[1].Sets = 2, 3
	if f = flag(t, assess(d), DPeak); f.Figures.(PeakFigures).Sets != 3 {
		t.Errorf("D-PEAK, the most sets second: %v", f.Figures)
	}

	both := positive(-1)
	both.LyingPressure = trends.SevereSupine
	f = flag(t, assess(withSets(young(), both)), DBoth) // no drug at all
	if f.Drugs == nil || len(f.Drugs) != 0 {
		t.Errorf("D-BOTH without a drug names %v, want an empty list", f.Drugs)
	}
	wantFacts(t, "D-BOTH", f.Facts, "set@-1h0m0s")
}

// D-PEAK tells the figures of T-DOSE of the drugs that it names, of no other.
func TestTheDosesOfAPeak(t *testing.T) {
	d := young()
	d.Peaks = []trends.Peak{{Drug: "doxazosin", Sets: 2}, {Drug: "lisinopril", Sets: 1}}
	d.Serial.Doses = []trends.AroundDose{{Drug: "amlodipine", SetsAfter: 1}, {Drug: "doxazosin", SetsAfter: 2}, {Drug: "lisinopril", SetsAfter: 3}}
	doses := flag(t, assess(d), DPeak).Figures.(PeakFigures).Doses
	if len(doses) != 1 || doses[0].Drug != "doxazosin" || doses[0].SetsAfter != 2 {
		t.Errorf("D-PEAK: %+v", doses)
	}
}

// D-UNKNOWN names each unknown drug as charted, with its orders and doses.
func TestTheFactsOfUnknownDrugs(t *testing.T) {
	d := young()
	d.Unknown = []trends.UnknownDrug{
		{Text: "Study drug", Orders: []string{"o1"}, Doses: []trends.UnknownDose{{At: hour(-1), SourceID: "d1"}}},
		{Text: "own tea", Orders: []string{"o2", "o1"}},
	}
	f := flag(t, assess(d), DUnknown)
	wantFacts(t, "D-UNKNOWN", f.Facts, "o1, d1, o2")
	if strings.Join(f.Drugs, ", ") != "Study drug, own tea" {
		t.Errorf("D-UNKNOWN names %v", f.Drugs)
	}
}

// Flags on the latest set's lying pressure need a set, lying, with a systolic.
func TestFlagsOfAPressureThatWasNotTaken(t *testing.T) {
	bare, unmeasured, low := unreadable(-1), unreadable(-1), unreadable(-1)
	bare.Baseline = nil
	unmeasured.Baseline = &trends.Baseline{TakenAt: hour(-1), Position: clinical.Lying}
	low.Baseline = &trends.Baseline{TakenAt: hour(-1), Position: clinical.Lying, Systolic: ptr(119.0)}
	for _, c := range []struct {
		name string
		sets []trends.Set
		want string
	}{{"no set", nil, ""}, {"no baseline", []trends.Set{bare}, ""}, {"no systolic", []trends.Set{unmeasured}, ""}, {"119", []trends.Set{low}, DRoom}} {
		a := assess(withSets(withDrugs(young(), "lisinopril", "midodrine"), c.sets...))
		if got := flagsOf(a.Review); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestTheFactsOfAnOpenPositive(t *testing.T) {
	open := func(d trends.Digest) Instance {
		for _, i := range assess(d).Recheck.Open {
			if i.Rule == RPositive {
				return i
			}
		}
		t.Fatal("R-POSITIVE is not open")
		return Instance{}
	}
	wantFacts(t, "by the positive set and the latest", open(withSets(young(), positive(-30), negative(-2))).Facts, "set@-30h0m0s, set@-2h0m0s")
	wantFacts(t, "by one set", open(withSets(young(), positive(-30))).Facts, "set@-30h0m0s")
	d := withChanges(withSets(young(), positive(-30)), change("furosemide", trends.Raised, -10, true, true))
	wantFacts(t, "by a drug since", open(d).Facts, "set@-30h0m0s, order of furosemide")
	d = withChanges(withSets(young(), positive(-30)), change("furosemide", trends.Raised, -30, true, true))
	wantFacts(t, "by a drug at the set's moment", open(d).Facts, "set@-30h0m0s")
	// A lowering is no raise, however late.
	d = withChanges(withSets(young(), positive(-30)), change("furosemide", trends.Lowered, -10, true, true))
	wantFacts(t, "by a lowering since", open(d).Facts, "set@-30h0m0s")
}

func TestWhatATreatmentAndAnInconclusiveSetAskFor(t *testing.T) {
	asks := func(d trends.Digest, rule string) bool {
		for _, i := range assess(d).Recheck.Open {
			if i.Rule == rule {
				return true
			}
		}
		return false
	}
	treated := func(d trends.Digest) trends.Digest {
		d.Treatments = []trends.TreatmentFact{{SourceID: "t", At: hour(-5), What: "fluid bolus"}}
		return d
	}
	if asks(treated(withSets(young(), negative(-10))), RTreated) || !asks(treated(withSets(young(), positive(-10))), RTreated) {
		t.Error("R-TREATED follows a positive set alone")
	}
	if asks(withSets(young(), negative(-5)), RRepeat) || !asks(withSets(young(), unreadable(-5)), RRepeat) || asks(withSets(young(), positive(-5)), RRepeat) {
		t.Error("R-REPEAT follows an inconclusive set alone")
	}
	stopped := set(-1, trends.Positive, trends.CritStopped)
	i := Instance{}
	for _, one := range assess(withSets(young(), stopped)).Recheck.Open {
		if one.Rule == RStopped {
			i = one
		}
	}
	if i.MetFrom == nil || !i.MetFrom.Equal(hour(-1).Add(time.Nanosecond)) {
		t.Errorf("R-STOPPED is met from %v, want just after its start", i.MetFrom)
	}
}

func TestASetAtTheMomentOfAFallCountsAsAfterIt(t *testing.T) {
	s := situation{Digest: withSets(young(), negative(-3)), at: noon}
	for h, want := range map[float64]bool{-4: true, -3: true, -2: false} {
		if s.interpretableSince(hour(h)) != want || (interpretableFrom(s.Sets, hour(h)) != nil) != want {
			t.Errorf("from %v h: want %v", h, want)
		}
	}
}

// Of several falls each is looked at, wherever it stands.
func TestInjuriesOfSeveralFalls(t *testing.T) {
	for _, c := range []struct {
		name     string
		injuries []string
		want     string
	}{
		{"moderate, then none", []string{"moderate", "none"}, InjuryUncleared},
		{"major, then none", []string{"major", "none"}, InjuryUncleared},
		{"none, then moderate", []string{"none", "moderate"}, InjuryUncleared},
		{"not charted, then none", []string{"", "none"}, InjuryUnknown},
		{"major, then not charted", []string{"major", ""}, InjuryUncleared + " " + InjuryUnknown},
	} {
		d := young()
		for n, injury := range c.injuries {
			d = withFall(d, float64(-5+n), injury)
		}
		if got := strings.Join(assess(d).Recheck.Missing, " "); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
	// A fall that a set has followed, and one since.
	d := withFall(withFall(withSets(young(), negative(-4)), -5, "major"), -3, "moderate")
	if got := strings.Join(assess(d).Recheck.Missing, " "); got != InjuryUncleared {
		t.Errorf("a set between two falls: %q", got)
	}
}

// Precautions are needed while the latest interpretable set is positive, also of a
// stay that was cleared before.
func TestPrecautionsAfterANewPositive(t *testing.T) {
	d := cleared(withSets(young(), positive(-60), negative(-40), negative(-20), positive(-1)), -20)
	if !assess(d).Precautions.Needed {
		t.Error("positive after it was cleared: no precautions")
	}
	quiet := withSets(young(), negative(-1))
	a := assess(guarded(quiet))
	if hasReason(a, TPrecaution) || a.Precautions.Needed {
		t.Errorf("negative: %s", rulesOf(a.Reasons))
	}
}

func TestDigitsStandBeforeAnyOtherMark(t *testing.T) {
	for _, c := range [][2]string{{"1", "-"}, {"A1", "A-"}, {"A", "A1"}, {"1 ", "1A"}, {"A/", "A:"}, {"9", "A"}, {"A ", "AA"}} {
		if CompareBeds(c[0], c[1]) >= 0 || CompareBeds(c[1], c[0]) <= 0 {
			t.Errorf("%q does not stand before %q", c[0], c[1])
		}
	}
	// Neither / nor : is a digit, though they stand beside them among the bytes.
	if digits("/1") != 0 || digits(":1") != 0 || digits("0/") != 1 || digits("90:") != 2 {
		t.Error("what a digit is")
	}
}
