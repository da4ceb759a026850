package trends

import (
	"math"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// meets lists the criteria that a test asks about.
func meets(s Set, criterion string) bool { return s.Meets(criterion) }

// Both sides of each published threshold. 20 and 10 mmHg: Freeman 2011, Clin
// Auton Res 21:69. 15 and 7 from sitting: Shaw 2017, J Hypertens 35:1019. Under
// 90: Brignole 2018, Eur Heart J 39:1883 (its text from memory) and RCP 2017
// (from memory). 30 in supine hypertension: Freeman 2011. Pulse 30: Freeman
// 2011 and McGee 1999, JAMA 281:1022; 40 at ages 12 to 19: the POTS consensus.
// A pulse rise of 20 %: common practice, no source.
func TestACriterionIsMetFromItsThresholdOn(t *testing.T) {
	cases := []struct {
		name, readings, criterion string
		want                      bool
	}{
		{"systolic drop 19", "0 lying 140/80; 3 standing 121/80", CritSystolic, false},
		{"systolic drop 20", "0 lying 140/80; 3 standing 120/80", CritSystolic, true},
		{"systolic drop 21", "0 lying 140/80; 3 standing 119/80", CritSystolic, true},
		{"diastolic drop 9", "0 lying 140/80; 3 standing 140/71", CritDiastolic, false},
		{"diastolic drop 10", "0 lying 140/80; 3 standing 140/70", CritDiastolic, true},
		{"diastolic drop 11", "0 lying 140/80; 3 standing 140/69", CritDiastolic, true},
		{"systolic drop on sitting up 19", "0 lying 140/80; 3 sitting 121/80", CritSystolic, false},
		{"systolic drop on sitting up 20", "0 lying 140/80; 3 sitting 120/80", CritSystolic, true},
		{"systolic drop from sitting 14", "0 sitting 140/80; 3 standing 126/80", CritSystolic, false},
		{"systolic drop from sitting 15", "0 sitting 140/80; 3 standing 125/80", CritSystolic, true},
		{"diastolic drop from sitting 6", "0 sitting 140/80; 3 standing 140/74", CritDiastolic, false},
		{"diastolic drop from sitting 7", "0 sitting 140/80; 3 standing 140/73", CritDiastolic, true},
		{"standing 90", "0 lying 100/60; 3 standing 90/60", CritLow, false},
		{"standing 89", "0 lying 100/60; 3 standing 89/60", CritLow, true},
		{"standing 89 from 90", "0 lying 90/60; 3 standing 89/60", CritLow, true},
		{"standing 85 from 89: low already", "0 lying 89/60; 3 standing 85/60", CritLow, false},
		{"sitting 89 is not standing", "0 lying 100/60; 3 sitting 89/60", CritLow, false},
		{"pulse rise 29", "0 lying 140/80 70; 3 standing 140/80 99", CritPulse, false},
		{"pulse rise 30", "0 lying 140/80 70; 3 standing 140/80 100", CritPulse, true},
		{"pulse rise 19.9 %", "0 lying 140/80 100; 3 standing 140/80 119.9", CritNotable, false},
		{"pulse rise 20 %", "0 lying 140/80 100; 3 standing 140/80 120", CritNotable, true},
		{"drop 29 in supine hypertension", "0 lying 140/80; 3 standing 111/80", CritSupine, false},
		{"drop 30 in supine hypertension", "0 lying 140/80; 3 standing 110/80", CritSupine, true},
		{"drop 30 in diastolic supine hypertension", "0 lying 130/90; 3 standing 100/90", CritSupine, true},
		{"drop 30 without supine hypertension", "0 lying 139/89; 3 standing 109/89", CritSupine, false},
		{"drop 30 from a seated 140", "0 sitting 140/80; 3 standing 110/80", CritSupine, false},
	}
	for _, c := range cases {
		s := setOf(t, c.readings)
		if got := meets(s, c.criterion); got != c.want {
			t.Errorf("%s: %s met is %v, criteria %v", c.name, c.criterion, got, s.Criteria)
		}
		positive := c.want && (c.criterion == CritSystolic || c.criterion == CritDiastolic || c.criterion == CritLow)
		if positive && s.Finding != Positive {
			t.Errorf("%s: finding %s", c.name, s.Finding)
		}
	}
}

// 40 under age 20, in whole years on the day of the set: the POTS consensus.
func TestThePulseCriterionUnderTwentyIsForty(t *testing.T) {
	for _, c := range []struct {
		born, rise string
		want       bool
	}{
		{"2006-11-21", "109", false}, // 19 until tomorrow, rise 39
		{"2006-11-21", "110", true},
		{"2006-11-20", "100", true}, // 20 today
		{"", "100", true},           // an unknown age counts as 65
		{"2010", "100", true},       // so does a partial date
	} {
		ch := newChart(t).readings("0 lying 140/80 70; 3 standing 140/80 " + c.rise)
		ch.stay.BirthDate = c.born
		if s := ch.set(); s.Meets(CritPulse) != c.want {
			t.Errorf("born %q, 70 to %s: pulse_rise_30 is %v", c.born, c.rise, s.Meets(CritPulse))
		}
	}
}

func TestASiteMayReadItsThresholdsAsMoreThan(t *testing.T) {
	for spec, want := range map[string]string{
		"0 lying 140/80 up=5; 3 standing 120/70":   Negative,
		"0 lying 140/80 up=5; 3 standing 119/70":   Positive,
		"0 lying 140/80 up=5; 3 standing 120/69":   Positive,
		"0 sitting 140/80 up=5; 3 standing 125/73": Negative,
		"0 lying 100/60 up=5; 3 standing 89/60":    Positive, // F-LOW is no drop
	} {
		c := newChart(t).readings(spec)
		c.policy.Sets.Comparison = clinical.MoreThan
		if s := c.set(); s.Finding != want {
			t.Errorf("%s: %s, want %s", spec, s.Finding, want)
		}
	}
}

// A value within 1e-9 of a threshold, relatively, counts as equal to it: kPa
// are converted unrounded (1 kPa = 7.50062 mmHg).
func TestAPressureInKPaIsJudgedAsItWasMeant(t *testing.T) {
	const kPa = 7.50062
	drop := 20 / kPa
	for _, c := range []struct {
		off  float64
		want bool
	}{
		{0, true}, {-0.9e-9, true}, {-3e-9, false}, {1e-3, true}, {-1e-3, false},
	} {
		lying := 18.0 * kPa
		standing := (18.0 - drop*(1+c.off)) * kPa
		set := newChart(t).
			body("a", clinical.Vitals{TakenAt: noon, Position: clinical.Lying, Systolic: &lying}).
			body("b", clinical.Vitals{TakenAt: minutesOn(3), Position: clinical.Standing, Systolic: &standing}).set()
		if set.Meets(CritSystolic) != c.want {
			t.Errorf("a drop off by %g: systolic_drop is %v (%.12f)", c.off, set.Meets(CritSystolic), *set.SystolicDrop)
		}
	}
	if Above(20+1e-9, 20) || Below(20-1e-9, 20) || !AtMost(20+1e-8, 20) || AtMost(20.1, 20) {
		t.Error("the comparisons do not share one tolerance")
	}
}

// Grades: Fanciulli 2018, Clin Auton Res 28:355 (the numbers from memory).
func TestTheLyingPressureIsGradedByTheHigherOfTheTwo(t *testing.T) {
	for spec, want := range map[string]Word{
		"89/60": LowLying, "90/60": UsualLying, "139/89": UsualLying,
		"140/60": MildSupine, "139/90": MildSupine, "159/99": MildSupine,
		"160/60": ModerateSupine, "139/100": ModerateSupine, "179/109": ModerateSupine,
		"180/60": SevereSupine, "139/110": SevereSupine,
		"140/100": ModerateSupine, "180/95": SevereSupine,
		"-/95": MildSupine, "-/80": "", "-/-": "",
	} {
		if s := setOf(t, "0 lying "+spec+"; 3 standing 120/70"); s.LyingPressure != want {
			t.Errorf("lying %s is %q, want %q", spec, s.LyingPressure, want)
		}
	}
	if s := setOf(t, "0 sitting 180/110; 3 standing 170/105"); s.LyingPressure != "" || s.SupineHypertension() {
		t.Errorf("a seated baseline has a lying pressure: %q", s.LyingPressure)
	}
}

func TestTheFindingIsTheFirstThatApplies(t *testing.T) {
	cases := []struct{ name, readings, want string }{
		{"no drop, rested, stood at 3 min", "0 lying 140/80 up=5; 3 standing 138/80", Negative},
		{"rest not charted", "0 lying 140/80; 3 standing 138/80", Negative},
		{"rest of 4.9 min", "0 lying 140/80 up=4.9; 3 standing 138/80", Inconclusive},
		{"rest of 4.9 min, and a drop", "0 lying 140/80 up=4.9; 3 standing 118/80", Positive},
		{"standing at 0.4 min only", "0 lying 140/80; 1 standing 138/80 up=0.4", Inconclusive},
		{"standing at 0.5 min", "0 lying 140/80; 1 standing 138/80 up=0.5", Negative},
		{"standing at 5.5 min", "0 lying 140/80; 6 standing 138/80 up=5.5", Negative},
		{"standing at 5.6 min only", "0 lying 140/80; 6 standing 138/80 up=5.6", Inconclusive},
		{"standing at 5.6 min only, and a drop", "0 lying 140/80; 6 standing 118/80 up=5.6", Positive},
		{"never stood", "0 lying 140/80; 3 sitting 138/80", Inconclusive},
		{"never stood, and a drop", "0 lying 140/80; 3 sitting 118/80", Positive},
		{"baseline without a systolic", "0 lying -/80; 3 standing 138/80", Inconclusive},
		{"baseline of 89", "0 lying 89/60; 3 standing 88/60", Inconclusive},
		{"baseline of 89, diastolic drop", "0 lying 89/60; 3 standing 88/50", Positive},
		{"baseline of 90", "0 lying 90/60; 3 standing 90/60", Negative},
		{"standing without a systolic", "0 lying 140/80; 3 standing -/80", Inconclusive},
		{"another limb", "0 lying 140/80 limb=left_arm; 3 standing 138/80 limb=right_arm", Inconclusive},
		{"symptoms", "0 lying 140/80; 3 standing 138/80 sym=dizziness", SymptomsOnly},
		{"symptoms lying only", "0 lying 140/80 sym=dizziness; 3 standing 138/80", Negative},
		{"symptoms and rest too short", "0 lying 140/80 up=3; 3 standing 138/80 sym=dizziness", Inconclusive},
		{"stopped early without symptoms", "0 lying 140/80; 3 standing 138/80 stop", Inconclusive},
		{"stopped early with symptoms", "0 lying 140/80; 3 standing 138/80 stop sym=nausea", Positive},
		{"stopped and symptoms at two readings", "0 lying 140/80; 1 standing 138/80 sym=nausea; 3 standing 138/80 stop", Positive},
		{"stopped with the symptoms of the baseline only", "0 lying 140/80 sym=nausea; 3 standing 138/80 stop", Inconclusive},
		{"stopped lying with symptoms, no upright pressure", "0 lying 140/80 stop sym=dizziness", Positive},
		{"stopped lying without symptoms", "0 lying 140/80 stop", Inconclusive},
		{"stopped with no pressure at all", "0 lying -/-; 1 standing -/- stop sym=faintness", Positive},
		{"loss of consciousness standing", "0 lying 140/80; 3 standing 138/80 sym=loss_of_consciousness", Positive},
		{"loss of consciousness lying", "0 lying 140/80 sym=loss_of_consciousness; 3 standing 138/80", Negative},
		{"loss of consciousness without a baseline", "0 standing -/- set=A sym=loss_of_consciousness", Positive},
		{"low standing, small drop", "0 lying 98/60; 3 standing 88/58", Positive},
		{"low standing on another limb", "0 lying 98/60 limb=left_arm; 3 standing 70/50 limb=left_leg", Inconclusive},
	}
	for _, c := range cases {
		if s := setOf(t, c.readings); s.Finding != c.want {
			t.Errorf("%s: %s, want %s (criteria %v)", c.name, s.Finding, c.want, s.Criteria)
		}
	}
}

func TestTheSymptomsOfASetAreThoseAwayFromTheBaseline(t *testing.T) {
	s := setOf(t, "0 lying 140/80 sym=nausea; 1 standing 130/80 sym=weakness+dizziness; 3 standing 130/80 sym=dizziness+other")
	wantWords(t, "symptoms", s.Symptoms, "dizziness, weakness, other") // in the order of the list, each once
	s = setOf(t, "0 lying 140/80 stop sym=nausea; 1 standing 130/80")
	wantWords(t, "symptoms of a baseline stopped early", s.Symptoms, "nausea")
	if !s.StoppedEarly || !s.Meets(CritStopped) {
		t.Errorf("stopped early at the baseline: stopped %v, criteria %v", s.StoppedEarly, s.Criteria)
	}
	s = setOf(t, "0 - -/- set=A sym=confusion; 1 lying 140/80 set=A up=5; 5 standing 138/80 set=A")
	wantWords(t, "symptoms of another member of a given set", s.Symptoms, "confusion")
}

func TestAReadingOnAnotherLimbHasNoDropsButAPulseRise(t *testing.T) {
	for _, c := range []struct {
		lying, standing string
		compares        bool
	}{
		{"left_arm", "left_arm", true}, {"left_arm", "right_arm", false}, {"left_arm", "left_leg", false},
		{"right_leg", "right_arm", false}, {"right_leg", "left_leg", false}, {"", "right_arm", true}, {"left_leg", "", true},
	} {
		s := setOf(t, "0 lying 140/80 70 limb="+c.lying+"; 3 standing 118/68 85 limb="+c.standing)
		if u := s.Upright[0]; u.Counts() != c.compares || (u.DiastolicDrop != nil) != c.compares || *u.PulseRise != 15 {
			t.Errorf("%s to %s: drops %s and %s, pulse rise %s", c.lying, c.standing,
				show(u.SystolicDrop), show(u.DiastolicDrop), show(u.PulseRise))
		}
		if (s.Finding == Positive) != c.compares {
			t.Errorf("%s to %s: %s", c.lying, c.standing, s.Finding)
		}
	}
}

func TestTheFiguresOfASetAreTheLargestOverItsUprightReadings(t *testing.T) {
	s := setOf(t, "0 lying 140/80 70; 1 standing 150/70 90; 3 standing 125/85 80; 5 standing 135/- -")
	wantFigure(t, "systolic_drop", s.SystolicDrop, "15")
	wantFigure(t, "diastolic_drop", s.DiastolicDrop, "10")
	wantFigure(t, "pulse_rise", s.PulseRise, "20")
	if math.Abs(*s.PulseRisePercent-28.5714285714) > 1e-9 {
		t.Errorf("pulse_rise_percent = %v", *s.PulseRisePercent)
	}
	s = setOf(t, "0 lying 140/80 70; 3 standing 150/90 60")
	wantFigure(t, "a rise as systolic_drop", s.SystolicDrop, "-10")
	wantFigure(t, "a fall as pulse_rise", s.PulseRise, "-10")
	s = setOf(t, "0 lying -/80 -; 3 standing 150/60 60")
	for what, v := range map[string]*float64{"systolic": s.SystolicDrop, "diastolic": s.DiastolicDrop, "pulse": s.PulseRise, "percent": s.PulseRisePercent} {
		wantFigure(t, what+" without a baseline value", v, "null")
	}
}

// Bands: 0 to 15 s, up to 3 min, later (Europace 2022, Gibbons & Freeman 2006);
// half a minute of grace is the program's. More than 40 or 20: Freeman 2011.
func TestTheTimingIsThatOfTheFirstReadingThatMeetsADrop(t *testing.T) {
	cases := []struct {
		name, upright     string
		timing, sustained Word
	}{
		{"none met", "3 standing 138/80 up=3", "", ""},
		{"at 1 min", "1 standing 118/80 up=1", Classic, "unknown"},
		{"at 3.5 min", "4 standing 118/80 up=3.5", Classic, "unknown"},
		{"at 3.6 min", "4 standing 118/80 up=3.6", Delayed, "unknown"},
		{"from 5 min on", "3 standing 138/80 up=3; 5 standing 118/80 up=5; 6 standing 138/80 up=6", Delayed, "no"},
		{"lasting", "1 standing 118/80 up=1; 3 standing 138/70 up=3", Classic, "yes"},
		{"gone", "1 standing 118/80 up=1; 3 standing 138/80 up=3", Classic, "no"},
		{"later reading without a systolic", "1 standing 118/80 up=1; 3 standing -/80 up=3", Classic, "unknown"},
		{"41 at once, gone", "1 standing 99/80 up=0.5; 3 standing 138/80 up=3", PossibleInitial, "no"},
		{"40 at once, gone", "1 standing 100/80 up=0.5; 3 standing 138/80 up=3", Classic, "no"},
		{"diastolic 21 at once, gone", "1 standing 130/59 up=0.5; 3 standing 138/80 up=3", PossibleInitial, "no"},
		{"diastolic 20 at once, gone", "1 standing 130/60 up=0.5; 3 standing 138/80 up=3", Classic, "no"},
		{"41 at 0.6 min, gone", "1 standing 99/80 up=0.6; 3 standing 138/80 up=3", Classic, "no"},
		{"41 at once, no later reading", "1 standing 99/80 up=0.5", Classic, "unknown"},
		{"41 at once, later reading only at 3.6", "1 standing 99/80 up=0.5; 4 standing 138/80 up=3.6", Classic, "no"},
		{"41 at once, later reading at 3.5", "1 standing 99/80 up=0.5; 4 standing 138/80 up=3.5", PossibleInitial, "no"},
		{"41 at once, met again at 3", "1 standing 99/80 up=0.5; 3 standing 118/80 up=3", Classic, "yes"},
		{"41 at once, gone, met again at 5", "1 standing 99/80 up=0.5; 3 standing 138/80 up=3; 5 standing 118/80 up=5", PossibleInitial, "yes"},
	}
	for _, c := range cases {
		s := setOf(t, "0 lying 140/80 up=5; "+c.upright)
		if s.Timing != c.timing || s.Sustained != c.sustained {
			t.Errorf("%s: %q, sustained %q; want %q, %q", c.name, s.Timing, s.Sustained, c.timing, c.sustained)
		}
	}
}

// Under 0.5 per mmHg: Norcliffe-Kaufmann 2018, Ann Neurol 83:522 (0.492, as 0.5
// in later use).
func TestThePulseResponseIsTheRatioAtTheReadingNearestThreeMinutes(t *testing.T) {
	cases := []struct {
		name, readings, ratio string
		want                  Word
	}{
		{"under half", "0 lying 140/80 70; 3 standing 40/30 119", "0.49", Blunted},
		{"half", "0 lying 140/80 70; 3 standing 120/80 80", "0.5", Brisk},
		{"no rise", "0 lying 140/80 70; 3 standing 120/80 70", "0", Blunted},
		{"a fall", "0 lying 140/80 70; 3 standing 120/80 69", "-0.05", Falling},
		{"drop of 19", "0 lying 140/80 70; 3 standing 121/60 90", "null", ""},
		{"no pulse lying", "0 lying 140/80; 3 standing 120/80 90", "null", ""},
		{"no pulse standing", "0 lying 140/80 70; 3 standing 120/80", "null", ""},
		{"from sitting", "0 sitting 140/80 70; 3 standing 120/80 90", "null", ""},
		{"sitting only", "0 lying 140/80 70; 3 sitting 120/80 90", "null", ""},
		{"the sitting reading passed over", "0 lying 140/80 70; 2 sitting 120/80 72; 3 standing 120/80 80", "0.5", Brisk},
		{"the nearest of two", "0 lying 140/80 70; 1 standing 120/80 72 up=1; 3 standing 120/80 80 up=2.9", "0.5", Brisk},
		{"the earlier of two equally near", "0 lying 140/80 70; 1 standing 120/80 80 up=2; 3 standing 120/80 72 up=4", "0.5", Brisk},
		{"the one that meets the drop", "0 lying 140/80 70; 3 standing 130/80 72 up=3; 6 standing 120/80 80 up=5", "0.5", Brisk},
	}
	for _, c := range cases {
		s := setOf(t, c.readings)
		wantFigure(t, c.name+": ratio", s.PulseRatio, c.ratio)
		if s.PulseResponse != c.want {
			t.Errorf("%s: %q, want %q", c.name, s.PulseResponse, c.want)
		}
	}
}

func TestThePulseResponseIsUnreliableWhereSomethingHoldsThePulseBack(t *testing.T) {
	end := func(h float64) *time.Time { return ptr(hoursOn(h)) }
	order := func(text, route string, end *time.Time) clinical.Order {
		return clinical.Order{Drug: clinical.Drug{Text: text}, Route: route, StartAt: hoursOn(-100), EndAt: end}
	}
	given := func(text string, at float64) clinical.Dose {
		return clinical.Dose{Drug: clinical.Drug{Text: text}, GivenAt: hoursOn(at)}
	}
	cases := []struct {
		name string
		body clinical.Body
		want Word
	}{
		{"nothing", clinical.Weight{MeasuredAt: noon, KG: 70}, Brisk},
		{"a beta-blocker ordered", order("metoprolol", "", nil), Unreliable},
		{"a beta-blocker stopped 23 h before", order("metoprolol", "", end(-23)), Unreliable},
		{"a beta-blocker stopped 24 h before", order("metoprolol", "", end(-24)), Brisk},
		{"eye drops", order("timolol", "ophthalmic", nil), Brisk},
		{"verapamil given 23 h before", given("verapamil", -23), Unreliable},
		{"verapamil given 24 h before", given("verapamil", -24), Brisk},
		{"verapamil given after the set", given("verapamil", 1), Brisk},
		{"digoxin", order("digoxin", "", nil), Unreliable},
		{"ivabradine", order("ivabradine", "", nil), Unreliable},
		{"amiodarone", clinical.Order{Drug: clinical.Drug{Text: "amiodarone", ATC: "C01BD01"}, StartAt: hoursOn(-1)}, Unreliable},
		{"amlodipine", order("amlodipine", "", nil), Brisk},
		{"amlodipine given", given("amlodipine", -1), Brisk},
		{"a beta-blocker ordered from the hour after", clinical.Order{Drug: clinical.Drug{Text: "metoprolol"}, StartAt: hoursOn(1)}, Brisk},
		{"atrial fibrillation", clinical.Condition{ICD10: "I48.91"}, Unreliable},
		{"a pacemaker", clinical.Condition{ICD10: "z95.0"}, Unreliable},
		{"an artificial hip", clinical.Condition{ICD10: "Z96.64"}, Brisk},
	}
	for _, c := range cases {
		ch := newChart(t).readings("0 lying 140/80 70; 3 standing 120/80 80")
		status := clinical.Final
		switch c.body.(type) {
		case clinical.Order:
			status = clinical.Active
		case clinical.Dose:
			status = clinical.Completed
		}
		v := clinical.Version{SourceID: "x", Status: status, Body: c.body}
		if c.body.OwnTime().IsZero() {
			v.RecordedAt = hoursOn(100) // known at as_of is enough
		}
		s := ch.add(v).set()
		if s.PulseResponse != c.want || show(s.PulseRatio) != "0.5" {
			t.Errorf("%s: %q with ratio %s, want %q", c.name, s.PulseResponse, show(s.PulseRatio), c.want)
		}
	}
}

func TestAnAsNeededRateLimitingOrderCountsOnlyWhenGiven(t *testing.T) {
	c := newChart(t).readings("0 lying 140/80 70; 3 standing 120/80 80").add(clinical.Version{
		SourceID: "o", Status: clinical.Active,
		Body: clinical.Order{Drug: clinical.Drug{Text: "metoprolol"}, StartAt: hoursOn(-50), AsNeeded: true},
	})
	if s := c.set(); s.PulseResponse != Brisk {
		t.Errorf("as needed: %q", s.PulseResponse)
	}
	c.add(clinical.Version{
		SourceID: "d", Status: clinical.Completed,
		Body: clinical.Dose{Drug: clinical.Drug{Text: "metoprolol"}, GivenAt: hoursOn(-1)},
	})
	if s := c.set(); s.PulseResponse != Unreliable {
		t.Errorf("given: %q", s.PulseResponse)
	}
}
