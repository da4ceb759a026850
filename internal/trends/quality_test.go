package trends

import (
	"testing"

	"plumbline/internal/clinical"
)

// A set taken by the book: STEADI (seen in adaptations only) and RCP 2017 (seen
// in secondary sources) rest five minutes and measure at 1 and 3 min.
const byTheBook = "0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm"

func TestASetTakenByTheBookIsComplete(t *testing.T) {
	s := setOf(t, byTheBook)
	if s.Quality != Complete || s.QualityNotes == nil || len(s.QualityNotes) != 0 || s.Finding != Negative {
		t.Errorf("%s, %s, notes %v", s.Finding, s.Quality, s.QualityNotes)
	}
}

func TestEveryDepartureFromTheProtocolIsNoted(t *testing.T) {
	cases := []struct{ name, readings, notes, quality string }{
		{"rest not charted",
			"0 lying 140/80 70 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteRestNotCharted, Usable},
		{"rest of 4.9 min",
			"0 lying 140/80 70 up=4.9 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteRestShort, Unusable},
		{"standing timed by the clock",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 limb=left_arm",
			NoteStandingNotCharted, Usable},
		{"no reading near 1 min",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1.6 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteNoOneMinute, Usable},
		{"no reading near 3 min",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 5 standing 137/80 73 up=4.1 limb=left_arm",
			NoteNoThreeMinutes, Usable},
		{"both near, at the ends",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=0.5 limb=left_arm; 5 standing 137/80 73 up=4 limb=left_arm",
			"", Complete},
		{"one reading at 1.5 and one at 2",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1.5 limb=left_arm; 2 standing 137/80 73 up=2 limb=left_arm",
			"", Complete},
		{"sitting timed by the clock",
			"0 lying 140/80 70 up=5 limb=left_arm; 0.5 sitting 139/80 71 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			"", Complete},
		{"near 1 min by the clock",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteStandingNotCharted, Usable},
		{"no systolic near 1 min",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing -/- 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteNoOneMinute, Usable},
		{"on a leg near 1 min",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_leg; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteNoOneMinute + ", " + NoteLimbChanged, Usable},
		{"limb not charted between",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteLimbNotCharted, Usable},
		{"limb not charted and changed",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1; 3 standing 137/80 73 up=3 limb=left_arm; 4 standing 130/80 73 up=4 limb=right_arm",
			NoteLimbNotCharted + ", " + NoteLimbChanged, Usable},
		{"a systolic alone, without its pulse",
			byTheBook + "; 4 standing 137/- up=4 limb=left_arm", NotePulseMissing, Usable},
		{"pulse missing",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NotePulseMissing, Usable},
		{"limb not charted",
			"0 lying 140/80 70 up=5; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteLimbNotCharted, Usable},
		{"limb changed",
			"0 lying 140/80 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm; 4 standing 130/80 73 up=4 limb=right_arm",
			NoteLimbChanged, Usable},
		{"a reading without a pressure needs no limb and no pulse",
			byTheBook + "; 4 standing -/- - up=4", "", Complete},
		{"never stood",
			"0 lying 140/80 70 up=5 limb=left_arm; 3 sitting 137/80 73 up=3 limb=left_arm",
			NoteNoOneMinute + ", " + NoteNoThreeMinutes + ", " + NoteNeverStood, Unusable},
		{"stopped early",
			byTheBook + " stop sym=dizziness", NoteStoppedEarly, Complete},
		{"implausible standing value",
			byTheBook + "; 4 standing 400/80 73 up=4 limb=left_arm", NoteImplausible, Complete},
		{"implausible lying value passed over",
			"-2 lying 400/80 70 up=5; " + byTheBook, "", Complete}, // the later one is the baseline by itself
		{"implausible lying value passed over, after the baseline",
			"-2 lying 140/80 70 up=5 limb=left_arm; 0 lying 30/20 70; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm",
			NoteImplausible, Complete},
		{"implausible in a given set, after the baseline",
			"-2 lying 140/80 70 up=5 limb=left_arm set=A; 0 lying 30/20 70 set=A; 1 standing 138/80 72 up=1 limb=left_arm set=A; 3 standing 137/80 73 up=3 limb=left_arm set=A",
			NoteImplausible, Complete},
		{"a given set without a baseline",
			"1 standing 138/80 72 up=1 limb=left_arm set=A; 3 standing 137/80 73 up=3 limb=left_arm set=A",
			"", Unusable},
	}
	for _, c := range cases {
		s := setOf(t, c.readings)
		wantWords(t, c.name+": notes", s.QualityNotes, c.notes)
		if s.Quality != c.quality {
			t.Errorf("%s: quality %s, want %s", c.name, s.Quality, c.quality)
		}
	}
}

func TestAReadingKnowsTheUnitItWasChartedIn(t *testing.T) {
	for unit, want := range map[string]bool{"": false, "kPa": true} {
		if got := Believe("r", clinical.Vitals{PressureUnit: unit}, clinical.DefaultPolicy().Plausible); got.KPa != want {
			t.Errorf("%q: in kPa %v", unit, got.KPa)
		}
	}
}

// V-PLAUSIBLE: policy; BMC Fam Pract 2015 s12875-015-0301-2 uses other bounds.
func TestWhatIsNotBelievedIsTakenOutAndTheRestCounts(t *testing.T) {
	cases := []struct {
		reading         string
		systolic, pulse string
	}{
		{"40/30 70", "40", "70"}, {"39.9/30 70", "null", "70"},
		{"300/200 70", "300", "70"}, {"300.1/90 70", "null", "70"},
		{"120/10 70", "120", "70"}, {"120/9 70", "null", "70"}, {"250/201 70", "null", "70"},
		{"120/120 70", "null", "70"}, {"120/119 70", "120", "70"},
		{"-/9 70", "null", "70"}, {"120/- 70", "120", "70"},
		{"120/80 20", "120", "20"}, {"120/80 19", "120", "null"},
		{"120/80 300", "120", "300"}, {"120/80 301", "120", "null"},
		{"400/80 10", "null", "null"},
	}
	for _, c := range cases {
		s := setOf(t, "0 lying "+c.reading+" up=5 stop sym=dizziness")
		wantFigure(t, c.reading+": systolic", s.Baseline.Systolic, c.systolic)
		wantFigure(t, c.reading+": pulse", s.Baseline.HeartRate, c.pulse)
		if c.systolic == "null" && s.Baseline.Diastolic != nil {
			t.Errorf("%s: a diastolic is left", c.reading)
		}
		if s.Finding != Positive { // symptoms and the early stop still count
			t.Errorf("%s: %s", c.reading, s.Finding)
		}
	}
}
