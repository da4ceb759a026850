package alerts

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// guarded puts every precaution that may be asked for in place.
func guarded(d trends.Digest) trends.Digest {
	for _, w := range clinical.Precautions[:6] {
		d.Precautions = append(d.Precautions, trends.PrecautionFact{SourceID: "p " + w, What: w, From: hour(-90)})
	}
	return d
}

func lowLying(at float64) trends.Set {
	s := unreadable(at)
	s.Baseline.Systolic, s.LyingPressure = ptr(85.0), trends.LowLying
	return s
}

func lowStanding(at, drop float64) trends.Set {
	s := positive(at, trends.CritLow)
	s.SystolicDrop = &drop
	return s
}

func TestTheTierIsDecidedByTheFirstRuleThatHolds(t *testing.T) {
	coded := func(d trends.Digest) trends.Digest {
		d.Conditions = []trends.Coded{{SourceID: "c", Code: "I509", Charted: "I50.9"}}
		return d
	}
	longAgo := cleared(withSets(young(), positive(-190), negative(-100), negative(-80)), -80) // over 72 h
	longAgo.Stay.AdmittedAt = hour(-200)
	cases := []struct {
		name string
		stay trends.Digest
		tier string
		want string // every rule that holds
	}{
		{"nothing", young(), None, ""},
		{"a fall, no set since", guarded(withFall(young(), -23.9, "none")), Now, "T-FALL T-FELL T-ROUTINE"},
		{"a fall 24 h ago", guarded(withFall(withSets(young(), negative(-90)), -24, "none")), ThisShift, "T-OVERDUE"},
		{"a fall and a set since", guarded(withFall(withSets(young(), negative(-3)), -5, "none")), ThisShift, "T-FELL T-WATCH"},
		{"a fall and one that cannot be read since", guarded(withFall(withSets(young(), negative(-50), unreadable(-1)), -2, "none")), Now, "T-FALL T-FELL T-DUE"},
		{"a fatal fall", guarded(withFall(withSets(young(), negative(-50)), -2, "death")), Now, "T-FALL T-FELL"},
		{"stopped by symptoms", guarded(withSets(young(), positive(-23.9, trends.CritStopped))), Now, "T-STOPPED T-POSITIVE T-OVERDUE"},
		{"stopped by symptoms 24 h ago", guarded(withSets(young(), positive(-24, trends.CritStopped))), ThisShift, "T-POSITIVE T-OVERDUE"},
		{"stopped, and a set since", guarded(withSets(young(), positive(-9, trends.CritStopped), negative(-1))), Today, "T-SOON"},
		{"low standing, drop of 10", guarded(withSets(young(), lowStanding(-1, 10))), Now, "T-LOW T-POSITIVE T-SOON"},
		{"low standing, drop of 9", guarded(withSets(young(), lowStanding(-1, 9))), ThisShift, "T-POSITIVE T-SOON"},
		{"low standing 24 h ago", guarded(withSets(young(), lowStanding(-24, 30))), ThisShift, "T-POSITIVE T-OVERDUE"},
		{"lying low", withSets(young(), lowLying(-1)), Now, "T-LOW-LYING T-SOON"},
		{"lying low 24 h ago", withSets(young(), lowLying(-24)), ThisShift, "T-OVERDUE"},
		{"lying low, then not", withSets(young(), lowLying(-5), negative(-1)), None, ""},
		{"positive, precautions missing", withSets(young(), positive(-1)), Now, "T-GAP T-POSITIVE T-SOON T-PRECAUTION"},
		{"positive 72 h ago, precautions missing", withSets(young(), positive(-72)), ThisShift, "T-POSITIVE T-OVERDUE T-PRECAUTION"},
		{"symptoms, precautions missing", withSets(young(), symptoms(-1)), Now, "T-GAP T-SYMPTOMS T-SOON T-PRECAUTION"},
		{"dizzy and no pressure, precautions missing", withSets(young(), withDizziness(unreadable(-1))), Now, "T-GAP T-SYMPTOMS T-SOON T-PRECAUTION"},
		{"dizzy and no pressure, all in place", guarded(withSets(young(), withDizziness(unreadable(-1)))), Today, "T-SYMPTOMS T-SOON"},
		{"dizzy and no pressure 72 h ago", withSets(young(), withDizziness(unreadable(-72))), ThisShift, "T-OVERDUE T-SYMPTOMS T-PRECAUTION"},
		{"dizzy and no pressure, then told", withSets(young(), withDizziness(unreadable(-5)), negative(-1)), None, ""},
		{"negative, then dizzy and no pressure", withSets(young(), negative(-5), withDizziness(unreadable(-1))), Now, "T-GAP T-SYMPTOMS T-SOON T-PRECAUTION"},
		{"positive long ago, then dizzy and no pressure", withSets(young(), positive(-80), withDizziness(unreadable(-1))), Now, "T-GAP T-POSITIVE T-OVERDUE T-SYMPTOMS T-PRECAUTION"},
		{"a major injury", guarded(withFall(withSets(young(), negative(-90)), -30, "major")), ThisShift, "T-CLEARANCE"},
		{"a major injury, stood since", guarded(withFall(withSets(young(), negative(-29)), -30, "major")), Watch, "T-WATCH"},
		{"a major injury lately", guarded(withFall(withSets(young(), negative(-90)), -20, "moderate")), Now, "T-FALL T-FELL T-CLEARANCE"},
		{"a major injury, then a death", guarded(withFall(withFall(young(), -40, "major"), -30, "death")), None, ""},
		{"symptoms, all in place", guarded(withSets(young(), symptoms(-1))), Today, "T-SYMPTOMS T-SOON"},
		{"positive, all in place", guarded(withSets(young(), positive(-1))), ThisShift, "T-POSITIVE T-SOON"},
		{"positive, then one that cannot be read", guarded(withSets(young(), positive(-5), unreadable(-1))), ThisShift, "T-POSITIVE T-SOON"},
		{"a recheck due", guarded(withSets(young(), positive(-30), negative(-8))), ThisShift, "T-DUE"},
		{"a recheck overdue", guarded(withSets(young(), positive(-30), negative(-12.1))), ThisShift, "T-OVERDUE"},
		{"a recheck within 24 h", withChanges(young(), change("furosemide", trends.Started, 0, true, true)), Today, "T-SOON"},
		{"the admission screen overdue", atRisk(young()), Today, "T-ROUTINE"},
		{"the weekly screen due", func() trends.Digest {
			d := withSets(atRisk(young()), negative(-166))
			d.Stay.AdmittedAt = hour(-200)
			return d
		}(), Today, "T-ROUTINE"},
		{"the weekly screen later", withSets(atRisk(young()), negative(-20)), Watch, "T-WATCH"},
		{"a dose review", guarded(withDrugs(withSets(young(), positive(-30), negative(-2)), "doxazosin")), Today, "T-REVIEW T-SOON"},
		{"precautions missing, negative since", withSets(young(), positive(-30), negative(-2)), Today, "T-SOON T-PRECAUTION"},
		{"cleared lately", cleared(withSets(young(), positive(-90), negative(-80), negative(-71)), -71), Watch, "T-WATCH"},
		{"cleared 72 h ago", cleared(withSets(young(), positive(-95), negative(-90), negative(-72)), -72), None, ""},
		{"cleared long ago, with a contributor", coded(longAgo), Watch, "T-WATCH"},
		{"cleared long ago", longAgo, None, ""},
		{"cleared long ago, drugs only", withDrugs(longAgo, "sertraline"), None, ""},
		{"a contributor without a positive set", coded(withSets(young(), negative(-5))), None, ""},
	}
	for _, c := range cases {
		a := assess(c.stay)
		if a.Tier != c.tier || rulesOf(a.Reasons) != c.want {
			t.Errorf("%s: %s by %q, want %s by %q", c.name, a.Tier, rulesOf(a.Reasons), c.tier, c.want)
		}
		first, _, _ := strings.Cut(c.want, " ")
		if a.DecidedBy() != first {
			t.Errorf("%s: decided by %q", c.name, a.DecidedBy())
		}
		for _, r := range a.Reasons {
			if r.Facts == nil || r.Figures == nil {
				t.Errorf("%s: %s has facts %v, figures %v", c.name, r.Rule, r.Facts, r.Figures)
			}
		}
	}
}

func TestAReasonNamesItsFigures(t *testing.T) {
	a := assess(withFall(withFall(withSets(young(), positive(-5)), -3, "none"), -2, "major"))
	fall := a.Reasons[0]
	if fall.Rule != TFall || !reflect.DeepEqual(fall.Figures, FellFigures{FellAt: hour(-2), Injury: "major", Falls: 2}) || len(fall.Facts) != 2 {
		t.Errorf("falls: %+v", fall)
	}
	same := assess(withFall(withFall(withSets(young(), positive(-5)), -2, "major"), -2, "none")).Reasons[0]
	if !reflect.DeepEqual(same.Figures, FellFigures{FellAt: hour(-2), Injury: "major", Falls: 2}) {
		t.Errorf("of two falls at one time the worse is told: %+v", same)
	}
	gap := a.Reasons[1]
	if f := gap.Figures.(GapFigures); gap.Rule != TGap || f.Finding != trends.Positive || len(f.Missing) != 6 ||
		*f.SystolicDrop != 25 || *f.UprightSystolic != 115 || *f.UprightMinutes != 3 ||
		*f.BaselineSystolic != 140 || f.UprightPosition != "standing" {
		t.Errorf("gap: %+v", gap)
	}
	bare := set(-5, trends.Positive, trends.CritStopped)
	bare.Baseline, bare.SystolicDrop, bare.Upright = nil, nil, nil
	if f := SetOf(bare); f.BaselineSystolic != nil || f.UprightSystolic != nil || f.SystolicDrop != nil {
		t.Errorf("a set without pressures: %v", f)
	}
	two := positive(-5)
	two.Upright = append(two.Upright, trends.Upright{Position: clinical.Standing, Systolic: ptr(90.0)}, // does not count
		trends.Upright{Position: clinical.Standing, Systolic: ptr(100.0), SystolicDrop: ptr(40.0)})
	if f := SetOf(two); *f.UprightSystolic != 100 {
		t.Errorf("the lowest that counts: %v", *f.UprightSystolic)
	}
	review := assess(guarded(withDrugs(withSets(young(), positive(-3)), "doxazosin", "sertraline")))
	for _, r := range review.Reasons {
		if f, ok := r.Figures.(ReviewFigures); ok && (strings.Join(f.Flags, " ") != DAlpha || strings.Join(f.Drugs, " ") != "doxazosin") {
			t.Errorf("review: %+v", r)
		}
	}
	drug := assess(withChanges(young(), change("furosemide", trends.Started, -3, true, true))).Reasons[0]
	if f := drug.Figures.(RecheckFigures); f.Drug != "furosemide" || f.Change != trends.Started || f.Rule != RDrug {
		t.Errorf("a drug's recheck: %+v", drug)
	}
}

func TestPrecautionsAskedFor(t *testing.T) {
	const bundle = "assisted rising, call light in reach, non-slip footwear, bed low and locked, toileting schedule"
	stopped := positive(-30, trends.CritStopped)
	cases := []struct {
		name   string
		stay   trends.Digest
		needed bool
		want   string
	}{
		{"nothing", young(), false, ""},
		{"negative", withSets(young(), negative(-1)), false, ""},
		{"positive", withSets(young(), positive(-1)), true, bundle},
		{"symptoms only", withSets(young(), symptoms(-1)), true, bundle},
		{"positive, then negative", withSets(young(), positive(-5), negative(-1)), true, bundle},
		{"positive, cleared", cleared(withSets(young(), positive(-30), negative(-20), negative(-1)), -1), false, ""},
		{"stopped by symptoms", withSets(young(), stopped), true, bundle + ", bed alarm"},
		{"stopped by symptoms, then negative", withSets(young(), stopped, negative(-1)), true, bundle + ", bed alarm"},
		{"stopped by symptoms, cleared, symptoms again", cleared(withSets(young(), stopped, negative(-20), negative(-9), symptoms(-1)), -9), true, bundle},
		{"a fall", withFall(withSets(young(), negative(-1)), -50, "none"), true, bundle + ", bed alarm"},
		{"dizzy and no pressure", withSets(young(), negative(-5), withDizziness(unreadable(-1))), true, bundle},
		{"dizzy and no pressure, then told", withSets(young(), withDizziness(unreadable(-5)), negative(-1)), false, ""},
		{"no pressure and no symptom", withSets(young(), unreadable(-1)), false, ""},
	}
	for _, c := range cases {
		p := assess(c.stay).Precautions
		if p.Needed != c.needed || strings.Join(p.Missing, ", ") != c.want || p.Missing == nil || p.InPlace == nil || (len(p.Facts) > 0) != c.needed {
			t.Errorf("%s: needed %v, missing %v", c.name, p.Needed, p.Missing)
		}
	}
}

func TestPrecautionsInPlace(t *testing.T) {
	d := withSets(young(), positive(-1))
	put := func(id, what string, from float64, to *float64) {
		f := trends.PrecautionFact{SourceID: id, What: what, From: hour(from)}
		if to != nil {
			f.To = ptr(hour(*to))
		}
		d.Precautions = append(d.Precautions, f)
	}
	put("a", "bed alarm", -2, nil)
	put("b", "assisted rising", 0, nil)
	put("b2", "assisted rising", -5, nil)
	put("c", "toileting schedule", -5, ptr(0.0)) // ended
	put("e", "non-slip footwear", 1, nil)        // ahead
	put("f", "call light in reach", -5, ptr(1.0))
	p := assess(d).Precautions
	if strings.Join(p.InPlace, ", ") != "assisted rising, call light in reach, bed alarm" ||
		strings.Join(p.Missing, ", ") != "non-slip footwear, bed low and locked, toileting schedule" || len(p.Facts) != 1 {
		t.Errorf("%+v", p)
	}
	a := assessWith(d, func(p *clinical.Policy) { p.Precautions.InFeed = false })
	if a.Precautions.InPlace != nil || a.Precautions.Missing != nil || !a.Precautions.Needed || hasReason(a, TGap) || hasReason(a, TPrecaution) {
		t.Errorf("feeds without precautions: %+v, %s", a.Precautions, rulesOf(a.Reasons))
	}
	d.Precautions[0].Here = true // charted in this program: known, in place or not
	a = assessWith(d, func(p *clinical.Policy) { p.Precautions.InFeed = false })
	if !slices.Equal(a.Precautions.InPlace, p.InPlace) || !slices.Equal(a.Precautions.Missing, p.Missing) || !hasReason(a, TGap) {
		t.Errorf("one charted here: %+v, %s", a.Precautions, rulesOf(a.Reasons))
	}
	a = assessWith(withFall(young(), -1, "none"), func(p *clinical.Policy) {
		p.Precautions.Bundle, p.Precautions.Added = []string{"sitter", "bed alarm"}, []string{"bed alarm", "floor mat"}
	})
	if strings.Join(a.Precautions.Missing, ", ") != "sitter, bed alarm, floor mat" {
		t.Errorf("a site's bundle: %v", a.Precautions.Missing)
	}
}

func TestFlagsForADoseReview(t *testing.T) {
	supine := func(at float64, finding string, pressure trends.Word) trends.Set {
		s := set(at, finding)
		s.LyingPressure = pressure
		return s
	}
	lying := func(at, systolic float64) trends.Set {
		s := negative(at)
		s.Baseline.Systolic = &systolic
		return s
	}
	seated := lying(-1, 110)
	seated.Baseline.Position = clinical.Sitting
	peaks := func(n int) trends.Digest {
		d := young()
		d.Peaks = []trends.Peak{{Drug: "doxazosin", Sets: n, Facts: []string{"dose"}}}
		return d
	}
	up := func(kind string, at float64) trends.Change { return change("furosemide", kind, at, true, true) }
	cases := []struct {
		name  string
		stay  trends.Digest
		want  string
		drugs string // of the first flag
	}{
		{"nothing", young(), "", ""},
		{"an alpha-1 blocker", withDrugs(young(), "doxazosin"), "D-ALPHA", "doxazosin"},
		{"a prostate alpha-1 blocker", withDrugs(young(), "tamsulosin"), "D-ALPHA", "tamsulosin"},
		{"a central antihypertensive", withDrugs(young(), "clonidine"), "D-CENTRAL", "clonidine"},
		{"a nitrate", withDrugs(young(), "isosorbide mononitrate"), "D-NITRATE", "isosorbide mononitrate"},
		{"hydralazine and minoxidil", withDrugs(young(), "hydralazine", "minoxidil"), "D-NITRATE", "hydralazine, minoxidil"},
		{"another vasodilator", withDrugs(young(), "diazoxide"), "", ""},
		{"two ingredients", withDrugs(young(), "lisinopril", "amlodipine"), "", ""},
		{"three ingredients", withDrugs(young(), "lisinopril", "amlodipine", "metoprolol"), "D-THREE", "amlodipine, lisinopril, metoprolol"},
		{"digoxin is not counted", withDrugs(young(), "lisinopril", "amlodipine", "digoxin"), "", ""},
		{"two diuretics of one class", withDrugs(young(), "furosemide", "bumetanide"), "", ""},
		{"diuretics of two classes", withDrugs(young(), "furosemide", "spironolactone"), "D-TWO-DIURETICS", "furosemide, spironolactone"},
		{"a diuretic and signs of volume loss", dry(withDrugs(young(), "furosemide"), -1500), "D-DRY", "furosemide"},
		{"signs of volume loss alone", dry(withDrugs(young(), "lisinopril"), -1500), "", ""},
		{"started in the 72 h before the latest positive set", withChanges(withSets(young(), positive(-1)), up(trends.Started, -72.9)), "D-RECENT", "furosemide"},
		{"started 72 h before it", withChanges(withSets(young(), positive(-1)), up(trends.Started, -73)), "", ""},
		{"started at it", withChanges(withSets(young(), positive(-1)), up(trends.Raised, -1)), "D-RECENT", "furosemide"},
		{"started after it", withChanges(withSets(young(), positive(-2)), up(trends.Started, -1)), "", ""},
		{"lowered before it", withChanges(withSets(young(), positive(-1)), up(trends.Lowered, -5)), "", ""},
		{"a contributing drug started before it", withChanges(withSets(young(), positive(-1)), change("sertraline", trends.Started, -5, false, false)), "", ""},
		{"two positive sets at the peak of a drug", peaks(2), "D-PEAK", "doxazosin"},
		{"one positive set at the peak of a drug", peaks(1), "", ""},
		{"lying 119 with a drug", withDrugs(withSets(young(), lying(-1, 119)), "lisinopril"), "D-ROOM", "lisinopril"},
		{"lying 120 with a drug", withDrugs(withSets(young(), lying(-1, 120)), "lisinopril"), "", ""},
		{"lying 119 without", withSets(young(), lying(-1, 119)), "", ""},
		{"sitting 110 with a drug", withDrugs(withSets(young(), seated), "lisinopril"), "", ""},
		{"moderate supine hypertension at the latest positive set", withSets(young(), supine(-5, trends.Positive, trends.ModerateSupine), negative(-1)), "D-BOTH", ""},
		{"severe, with a drug", withDrugs(withSets(young(), supine(-5, trends.Positive, trends.SevereSupine)), "lisinopril"), "D-BOTH", "lisinopril"},
		{"mild", withSets(young(), supine(-5, trends.Positive, trends.MildSupine)), "", ""},
		{"severe at a negative set", withSets(young(), supine(-5, trends.Negative, trends.SevereSupine)), "", ""},
		{"a pressor in mild supine hypertension", withDrugs(withSets(young(), supine(-5, trends.Negative, trends.MildSupine)), "midodrine"), "D-PRESSOR", "midodrine"},
		{"a pressor, and the latest set usual", withDrugs(withSets(young(), supine(-5, trends.Negative, trends.MildSupine), negative(-1)), "midodrine"), "", ""},
		{"a contributing drug", withDrugs(young(), "sertraline"), "D-FRID", "sertraline"},
	}
	for _, c := range cases {
		r := assess(c.stay).Review
		if flagsOf(r) != c.want {
			t.Errorf("%s: %q, want %q", c.name, flagsOf(r), c.want)
			continue
		}
		if len(r.Flags) > 0 && strings.Join(r.Flags[0].Drugs, ", ") != c.drugs {
			t.Errorf("%s: names %v", c.name, r.Flags[0].Drugs)
		}
	}
	d := dry(withDrugs(withSets(young(), positive(-1)), "furosemide", "spironolactone", "doxazosin", "sertraline"), -1500)
	if got := flagsOf(assess(d).Review); got != "D-ALPHA D-THREE D-TWO-DIURETICS D-DRY D-FRID" {
		t.Errorf("flags in table order: %s", got)
	}
	if f := flag(t, assess(d), DThree); len(f.Drugs) != 3 {
		t.Errorf("D-THREE: %+v", f)
	}
	if f := flag(t, assess(d), DDry); !slices.Contains(f.Facts, "out") || !slices.Contains(f.Facts, "order of furosemide") {
		t.Errorf("D-DRY rests on %v", f.Facts)
	}
}

func TestWhenADoseReviewIsNeeded(t *testing.T) {
	cases := []struct {
		name string
		stay trends.Digest
		want bool
	}{
		{"positive, a flag", withDrugs(withSets(young(), positive(-71.9)), "doxazosin"), true},
		{"positive 72 h ago", withDrugs(withSets(young(), positive(-72)), "doxazosin"), false},
		{"positive, then negative", withDrugs(withSets(young(), positive(-20), negative(-1)), "doxazosin"), true},
		{"positive, only D-FRID", withDrugs(withSets(young(), positive(-1)), "sertraline"), false},
		{"negative, a flag", withDrugs(withSets(young(), negative(-1)), "doxazosin"), false},
		{"cleared", cleared(withDrugs(withSets(young(), positive(-20), negative(-10), negative(-1)), "doxazosin"), -1), false},
	}
	for _, c := range cases {
		if got := assess(c.stay).Review.Needed; got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

func TestBedsAreInNaturalOrder(t *testing.T) {
	order := []string{"1", "2", "4", "4A", "04B", "12", "12A", "12B", "A", "A2", "A10", "A10-1", "A10-2", "AB", "B1", "a1", ""}
	for n, a := range order {
		for k, b := range order {
			got := CompareBeds(a, b)
			if n < k && got >= 0 || n > k && got <= 0 || n == k && got != 0 {
				t.Errorf("%q against %q: %d", a, b, got)
			}
		}
	}
	if CompareBeds("4", "004") != 0 || CompareBeds("99999999999999999999", "100000000000000000000") >= 0 {
		t.Error("runs of digits are numbers, however long")
	}
}

func TestTheListIsRankedByRuleThenDueThenDropThenBedThenStay(t *testing.T) {
	named := func(d trends.Digest, id, bed string) trends.Digest {
		d.StayID, d.Stay.Bed = id, bed
		return d
	}
	bigger := positive(-3)
	bigger.SystolicDrop = ptr(40.0)
	unknown := positive(-3)
	unknown.SystolicDrop = nil
	want := []Assessment{
		assess(named(withFall(young(), -1, "none"), "fall", "9")),
		assess(named(withSets(young(), positive(-5)), "gap due first", "9")),
		assess(named(withSets(young(), bigger), "gap with the larger drop", "9")),
		assess(named(withSets(young(), positive(-3)), "a gap in bed 4", "4")),
		assess(named(withSets(young(), positive(-3)), "a gap in bed 12A", "12A")),
		assess(named(withSets(young(), positive(-3)), "b gap in bed 12A", "12A")),
		assess(named(withSets(young(), positive(-3)), "gap without a bed", "")),
		assess(named(withSets(young(), unknown), "gap without a drop", "1")),
		assess(named(withSets(atRisk(young()), negative(-20)), "watch", "1")),
		assess(named(withSets(young(), negative(-3)), "none, negative", "2")),
		assess(named(young(), "none, never tested", "1")),
		assess(named(young(), "none, never tested", "2")),
	}
	random := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		list := slices.Clone(want)
		random.Shuffle(len(list), func(a, b int) { list[a], list[b] = list[b], list[a] })
		Rank(list)
		for n, a := range list {
			if a.Digest.StayID != want[n].Digest.StayID || a.Digest.Stay.Bed != want[n].Digest.Stay.Bed || a.Rank != n+1 {
				t.Fatalf("place %d, rank %d: %s", n+1, a.Rank, a.Digest.StayID)
			}
		}
	}
	// A due time stands before none.
	none, due := assess(young()), assess(young())
	due.Recheck.DueAt = ptr(hour(9))
	if compare(none, due) <= 0 || compare(due, none) >= 0 {
		t.Error("a recheck without a due time stands before one with")
	}
}

// Of falls at one minute the worst injury is told, in whatever order they were charted;
// a later fall is told before a worse one. An injury that is not charted may be any:
// common practice, no source.
func TestTheWorstOfFallsAtOneMinuteIsTold(t *testing.T) {
	told := func(first, second string, apart float64) any {
		return assess(withFall(withFall(young(), -2, first), -2+apart, second)).Reasons[0].Figures.(FellFigures).Injury
	}
	order := []string{"none", "minor", "", "moderate", "major", "death"}
	for n := 1; n < len(order); n++ {
		mild, worse := order[n-1], order[n]
		if told(mild, worse, 0) != worse || told(worse, mild, 0) != worse {
			t.Errorf("of %q and %q at one minute: %q, and in the other order %q", mild, worse, told(mild, worse, 0), told(worse, mild, 0))
		}
		if got := told(worse, mild, 1); got != mild {
			t.Errorf("%q an hour after %q: %q is told", mild, worse, got)
		}
	}
}
