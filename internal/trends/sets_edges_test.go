package trends

import (
	"fmt"
	"reflect"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// What a set that shares a number takes as its baseline and as upright, where
// readings come in an unusual order (S-GIVEN). Written as "kind, baseline's
// minute, minutes of upright readings".
func TestAGivenSetWhoseReadingsComeInAnUnusualOrder(t *testing.T) {
	for _, c := range []struct{ name, readings, want string }{
		{"two standing readings with a sitting one between: the chair before the first", "0 sitting 140/80 set=A; 1 standing 130/80 set=A; 2 sitting 150/80 set=A; 3 standing 120/80 set=A",
			"sitting_to_standing 0 [1 3]"},
		{"standing first, then a chair: nothing before the first standing one", "0 standing 130/80 set=A; 1 sitting 140/80 set=A; 2 standing 120/80 set=A",
			"lying_to_standing none [0 1 2]"},
		{"standing first, then lying", "0 standing 130/80 set=A; 1 lying 140/80 set=A; 2 standing 120/80 set=A", "lying_to_standing none [0 2]"},
		{"lying, sitting, lying, sitting: the lying one before the first sitting one", "0 lying 140/80 set=A; 1 sitting 130/80 set=A; 2 lying 150/80 set=A; 3 sitting 120/80 set=A",
			"lying_to_sitting 0 [1 3]"},
		{"a reading without a position is not upright", "0 lying 140/80 set=A; 1 - 120/80 set=A; 2 lying 150/80 set=A; 3 standing 130/80 set=A", "lying_to_standing 2 [3]"},
		{"standing, lying, sitting", "0 standing 130/80 set=A; 1 lying 140/80 set=A; 2 sitting 120/80 set=A", "lying_to_standing none [0 2]"},
		{"sitting before lying is not upright", "0 sitting 130/80 set=A; 1 lying 140/80 set=A", "lying_to_standing 1 []"},
		{"nor where the lying one has no systolic", "0 sitting 130/80 set=A; 1 lying -/- 60 set=A; 2 standing 120/80 set=A", "lying_to_standing none [2]"},
		{"sitting only, beside one without a position", "0 - 140/80 set=A; 1 sitting 130/80 set=A", "lying_to_sitting none [1]"},
		{"sitting again after standing, from a chair", "0 sitting 140/80 set=A; 1 standing 130/80 set=A; 2 sitting 120/80 set=A", "sitting_to_standing 0 [1]"},
	} {
		s := setOf(t, c.readings)
		baseline, upright := "none", []float64{}
		if s.Baseline != nil {
			baseline = fmt.Sprint(s.Baseline.TakenAt.Sub(noon).Minutes())
		}
		for _, u := range s.Upright {
			upright = append(upright, u.TakenAt.Sub(noon).Minutes())
		}
		if got := fmt.Sprint(s.Kind, " ", baseline, " ", upright); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// A value that is not believed is noted where its reading was passed over for the
// baseline: in the lower position, after the baseline and before the first upright
// reading.
func TestAnImplausibleValueIsNotedWhereItWasPassedOver(t *testing.T) {
	for _, c := range []struct {
		name, readings string
		noted          bool
	}{
		{"between baseline and standing", "0 lying 140/80 set=A; 1 lying 400/80 set=A; 2 standing 130/80 set=A", true},
		{"before the baseline", "0 lying 400/80 set=A; 1 lying 140/80 set=A; 2 standing 130/80 set=A", false},
		{"after standing", "0 lying 140/80 set=A; 1 standing 130/80 set=A; 2 lying 400/80 set=A", false},
		{"without a position", "0 lying 140/80 set=A; 1 - 400/80 set=A; 2 standing 130/80 set=A", false},
		{"in a chair, before lying down", "0 sitting 400/80 set=A; 1 lying 140/80 set=A; 2 standing 130/80 set=A", false},
		{"nobody stood", "0 lying 140/80 set=A; 1 lying 400/80 set=A", true},
		{"standing came first", "0 standing 130/80 set=A; 1 lying 400/80 set=A", false},
		{"at the baseline: its pulse", "0 lying 140/80 301 set=A; 2 standing 130/80 set=A", true},
		{"upright: its pulse", "0 lying 140/80 set=A; 2 standing 130/80 301 set=A", true},
		{"the inferred baseline", "0 lying 140/80 301; 2 standing 130/80", true},
		{"passed over for an inferred baseline", "0 lying 140/80; 1 lying 400/80; 2 standing 130/80", true},
		{"no doubt", "0 lying 140/80; 2 standing 130/80", false},
	} {
		if got := has(setOf(t, c.readings).QualityNotes, NoteImplausible); got != c.noted {
			t.Errorf("%s: noted is %v", c.name, got)
		}
	}
}

func wantDoubts(t *testing.T, got, want []Doubt) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("not believed is %+v, want %+v", got, want)
	}
}

func TestWhatIsNotBelievedIsNamed(t *testing.T) {
	r := Believe("r", clinical.Vitals{Systolic: ptr(140.0), Diastolic: ptr(80.0), HeartRate: ptr(300.54)}, clinical.DefaultPolicy().Plausible)
	wantDoubts(t, r.Implausible, []Doubt{{Of: OfPulse, Value: 300.54, Low: 20, High: 300}})
	r = Believe("r", clinical.Vitals{Systolic: ptr(301.0), Diastolic: ptr(9.96)}, clinical.DefaultPolicy().Plausible)
	wantDoubts(t, r.Implausible, []Doubt{
		{Of: OfSystolic, Value: 301, Low: 40, High: 300}, {Of: OfDiastolic, Value: 9.96, Low: 10, High: 200},
	})
	low := 90.0
	r = Believe("r", clinical.Vitals{Systolic: ptr(80.0), Diastolic: &low}, clinical.DefaultPolicy().Plausible)
	wantDoubts(t, r.Implausible, []Doubt{{Of: OfSystolic, Value: 80, Diastolic: &low}})
}

// Sets that start together stand in the order of their smallest source_id,
// wherever in the set that stands.
func TestTheSmallestSourceIDMayStandAnywhereInASet(t *testing.T) {
	for _, c := range []struct{ readings, first string }{
		{"0 lying 140/80 set=A id=b; 1 standing 130/80 set=A id=z; 0 lying 140/80 set=B id=c; 1 standing 130/80 set=B id=a", "B"},
		{"0 lying 140/80 set=A id=a; 1 standing 130/80 set=A id=z; 0 lying 140/80 set=B id=b; 1 standing 130/80 set=B id=y", "A"},
		{"0 lying 140/80 set=A id=c; 1 standing 130/80 set=A id=a; 2 standing 130/80 set=A id=x; 0 lying 140/80 set=B id=b; 1 standing 130/80 set=B id=y", "A"},
	} {
		if got := newChart(t).readings(c.readings).sets()[0].SetID; got != c.first {
			t.Errorf("%s: set %s stands first", c.readings, got)
		}
	}
}

func TestReadingsThatBeginNoSet(t *testing.T) {
	for _, c := range []struct {
		name, readings string
		sets           int
	}{
		{"lying down after sitting", "0 sitting 140/80; 5 lying 130/80", 0},
		{"the baseline and one passed over, both stopped early, are no sets of their own", "0 lying 140/80 stop; 1 lying -/- stop; 2 standing 130/80", 1},
		{"one stopped early before another baseline is", "0 lying 150/80 stop; 1 lying 140/80; 2 standing 130/80", 2},
	} {
		if got := len(newChart(t).readings(c.readings).sets()); got != c.sets {
			t.Errorf("%s: %d sets, want %d", c.name, got, c.sets)
		}
	}
}

// Of readings taken together the lower position comes first, then source_id.
func TestReadingsTakenTogetherStandByPositionAndSourceID(t *testing.T) {
	s := setOf(t, "0 standing 130/80 id=a; 0 lying 140/80 id=b")
	wantWords(t, "facts", s.Facts, "b, a")
	s = setOf(t, "0 lying 140/80 id=l; 1 standing 130/80 id=z; 1 sitting 135/80 id=s; 1 standing 120/80 id=a")
	wantWords(t, "facts", s.Facts, "l, s, a, z")
	s = setOf(t, "0 lying 130/80 id=z; 0 lying 140/80 id=a; 1 standing 120/80 id=s")
	wantFigure(t, "the later one by source_id is the baseline", s.Baseline.Systolic, "130")
}

// A reading that lies ahead is none: it is not there yet.
func TestOnlyReadingsUpToTheMomentAreRead(t *testing.T) {
	c := newChart(t).readings("0 lying 140/80; 2 standing 130/80; 6 standing 100/80")
	c.versions = append(c.versions, c.versions[2])
	c.versions[2].RecordedAt = noon
	c.asOf = minutesOn(3)
	if s := c.set(); len(s.Upright) != 1 {
		t.Errorf("%d upright readings at 3 min, want 1", len(s.Upright))
	}
	readings := readingsOf(clinical.Chart{AsOf: minutesOn(3), Records: []clinical.Record{
		{Version: clinical.Version{Kind: clinical.KindWeight, Body: clinical.Weight{MeasuredAt: noon, KG: 70}}},
		{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: "at", Body: clinical.Vitals{TakenAt: minutesOn(3)}}},
		{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: "ahead", Body: clinical.Vitals{TakenAt: minutesOn(3).Add(time.Nanosecond)}}},
	}}, clinical.DefaultPolicy().Plausible)
	if len(readings) != 1 || readings[0].SourceID != "at" {
		t.Errorf("read %v", readings)
	}
}

func TestEdgesOfTheFindingAndItsTiming(t *testing.T) {
	// Loss of consciousness at a member that is neither baseline nor upright.
	s := setOf(t, "0 lying 140/80 set=A up=5; 1 standing 138/80 set=A up=1; 2 lying 140/80 set=A sym=loss_of_consciousness")
	if !s.Meets(CritStopped) {
		t.Errorf("unconscious after lying down again: %v", s.Criteria)
	}
	// A pulse of 0 is not plausible and a rise without a baseline pulse no share.
	s = setOf(t, "0 lying 140/80 up=5; 3 standing 138/80 90 up=3")
	if s.PulseRise != nil || s.PulseRisePercent != nil || s.Meets(CritNotable) {
		t.Errorf("rise %s, %s %%", show(s.PulseRise), show(s.PulseRisePercent))
	}
	// Stopped early with a symptom is positive, without one it says nothing.
	if got := setOf(t, "0 lying 140/80 up=5; 3 standing 138/80 up=3 stop").Finding; got != Inconclusive {
		t.Errorf("stopped early without a symptom: %s", got)
	}
	// A drop whose minutes nobody knows has no timing, and the later reading
	// that is too late, or of unknown time, does not make it a possible initial one.
	s = setOf(t, "0 standing 100/80 set=A; 1 lying 140/80 set=A; 1.2 standing 95/80 set=A up=0.2; 6 standing 138/80 set=A up=5; 7 standing 139/80 set=A up=2")
	if s.Baseline != nil {
		t.Errorf("a baseline after the first standing reading")
	}
	s = setOf(t, "0 lying 140/80 set=A up=5; 0.3 standing 90/80 set=A up=0.3; 5 standing 138/80 set=A up=5; 6 standing 139/80 set=A up=2")
	if s.Timing != PossibleInitial || s.Sustained != "no" {
		t.Errorf("a large drop, gone at 2 min charted after one at 5: timing %q, sustained %q", s.Timing, s.Sustained)
	}
}

// The minutes upright are counted from the reading just before in a lower
// position, not from one further back.
func TestMinutesUprightCountFromTheLastLowerPosition(t *testing.T) {
	s := setOf(t, "0 lying 140/80; 2 sitting 135/80; 3 standing 130/80; 5 standing 128/80")
	wantFigure(t, "sitting", s.Upright[0].Minutes, "2")
	wantFigure(t, "standing", s.Upright[1].Minutes, "1")
	wantFigure(t, "standing on", s.Upright[2].Minutes, "3")
}

func TestTheRatioIsTakenAtTheReadingNearestThreeMinutes(t *testing.T) {
	// Both a minute from 3: the earlier one.
	s := setOf(t, "0 lying 140/80 60 up=5; 2 standing 110/80 66 up=2; 4 standing 110/80 75 up=4")
	wantFigure(t, "ratio at 2 and 4 min", s.PulseRatio, "0.2")
	s = setOf(t, "0 lying 140/80 60 up=5; 1 standing 110/80 66 up=1; 3 standing 110/80 75 up=3")
	wantFigure(t, "ratio at 1 and 3 min", s.PulseRatio, "0.5")
}

func TestGradesOfQualityAtTheirEdges(t *testing.T) {
	byTheBook := "0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 138/80 72 up=3 limb=left_arm"
	if got := setOf(t, byTheBook).Quality; got != Complete {
		t.Errorf("by the book: %s", got)
	}
	for _, c := range []struct{ name, readings, want string }{
		{"positive after a rest of 3 min", "0 lying 140/80 70 up=3 limb=left_arm; 1 standing 110/80 72 up=1 limb=left_arm; 3 standing 110/80 72 up=3 limb=left_arm", Usable},
		{"3 min by the clock alone", "0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 138/80 72 limb=left_arm", Usable},
		{"1 min by the clock alone", "0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 limb=left_arm; 3 standing 138/80 72 up=3 limb=left_arm", Usable},
	} {
		if got := setOf(t, c.readings).Quality; got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	// A baseline without a pressure misses no pulse; one with a diastolic alone does.
	s := setOf(t, "0 lying -/- up=5; 3 standing 138/80 72 up=3")
	if has(s.QualityNotes, NotePulseMissing) {
		t.Errorf("notes %v", s.QualityNotes)
	}
	s = setOf(t, "0 lying 140/80 70 up=5; 3 standing -/80 up=3; 4 standing 138/80 72 up=4")
	if !has(s.QualityNotes, NotePulseMissing) {
		t.Errorf("a diastolic alone without a pulse: notes %v", s.QualityNotes)
	}
}

// S-START: sets stand by their start, whatever their readings are called.
func TestSetsStandByTheirStart(t *testing.T) {
	sets := newChart(t).readings("0 lying 140/80 id=y up=5; 3 standing 138/80 id=z up=3; 60 lying 141/80 id=a set=1 up=5; 63 standing 139/80 id=b set=1 up=3").sets()
	if len(sets) != 2 || !sets[0].StartedAt.Equal(noon) || sets[1].SetID != "1" {
		t.Errorf("%+v", sets)
	}
}

// Diastolic figures need a diastolic on both sides.
func TestADiastolicOnOneSideGivesNoDrop(t *testing.T) {
	for _, readings := range []string{"0 lying 140/- up=5; 3 standing 110/70 up=3", "0 lying 140/80 up=5; 3 standing 110/- up=3"} {
		set := setOf(t, readings)
		wantFigure(t, readings, set.DiastolicDrop, "null")
		wantFigure(t, readings, set.SystolicDrop, "30")
	}
}

// F-RESPONSE: a reading further from 3 min than an earlier one decides nothing.
func TestTheNearerReadingKeepsTheRatio(t *testing.T) {
	set := setOf(t, "0 lying 140/80 70 up=5; 3 standing 115/75 80 up=3; 6 standing 110/70 90 up=6")
	wantFigure(t, "ratio", set.PulseRatio, "0.4") // 10 / 25, and not 20 / 30
	if set.PulseResponse != Blunted {
		t.Errorf("response %q", set.PulseResponse)
	}
	if set.Symptoms == nil {
		t.Error("no symptom is null, want an empty list")
	}
}

// F-LOW: the lowest standing systolic that compares with the baseline, whatever the others are.
func TestTheLowestStandingSystolic(t *testing.T) {
	for readings, want := range map[string]string{
		"0 lying 140/80 up=5; 1 standing 110/70 up=1; 3 standing 105/70 up=3; 5 standing 115/70 up=5":                  "105",
		"0 lying 140/80 up=5; 1 sitting 95/70 up=1; 3 standing 120/70 up=3":                                            "120",
		"0 lying 140/80 up=5 limb=left_arm; 1 standing 85/60 up=1 limb=left_leg; 3 standing 120/70 up=3 limb=left_arm": "120",
		"0 lying 140/80 up=5; 1 standing -/- 90 up=1; 3 standing 118/70 up=3":                                          "118",
		"0 lying 140/80 up=5; 1 sitting 95/70 up=1":                                                                    "null",
	} {
		wantFigure(t, readings, setOf(t, readings).LowSystolic(), want)
	}
}
