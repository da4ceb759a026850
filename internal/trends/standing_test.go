package trends

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// injuries charts the versions of one fall at the hour 0, an hour apart from the first:
// words of the injury, "-" where it was not charted, "back" for a retraction.
func (c *chart) injuries(words ...string) *chart {
	for n, word := range words {
		v := clinical.Version{SourceID: "f", Status: clinical.Final, RecordedAt: hoursOn(float64(n)), Body: clinical.Fall{FellAt: noon, Injury: word}}
		switch word {
		case "-":
			v.Body = clinical.Fall{FellAt: noon}
		case "back":
			v.Status, v.Body = clinical.EnteredInError, clinical.Fall{FellAt: noon, Injury: "major"} // what is taken back
		}
		c.add(v)
	}
	return c
}

// From when on a clearance or a set ends the block of a fall.
func TestAnInjuryThatIsFoundLaterBlocksAnew(t *testing.T) {
	for _, test := range []struct {
		versions []string
		want     string // hours from the fall
	}{
		{[]string{"none"}, "none"}, {[]string{"-"}, "none"}, {[]string{"death"}, "none"}, {[]string{"major", "minor"}, "none"},
		{[]string{"moderate"}, "0"}, {[]string{"major", "major"}, "0"}, {[]string{"moderate", "major"}, "0"},
		{[]string{"minor", "major"}, "1"}, {[]string{"-", "moderate"}, "1"}, {[]string{"none", "major", "moderate", "major"}, "1"},
		{[]string{"major", "minor", "major"}, "2"}, {[]string{"none", "major", "-", "major"}, "3"},
		{[]string{"major", "back", "major"}, "2"},
		{[]string{"death", "major"}, "0"}, // it had said more
		{[]string{"minor", "death", "major"}, "2"},
	} {
		d := newChart(t).injuries(test.versions...).digest()
		got := "none"
		if from, blocks := d.Falls[0].BlocksFrom(); blocks {
			got = fmt.Sprint(from.Sub(noon).Hours())
		}
		if got != test.want {
			t.Errorf("%v: from %s, want %s", test.versions, got, test.want)
		}
	}
	// Charted an hour before the time that a later version gives: the fall is the later.
	c := newChart(t).injuries("minor", "major")
	late := c.versions[1].Body.(clinical.Fall)
	late.FellAt = hoursOn(3)
	c.versions[1].Body = late
	if from, _ := c.digest().Falls[0].BlocksFrom(); !from.Equal(hoursOn(3)) {
		t.Errorf("from %s", from)
	}
	// As it was known before the injury was found.
	c = newChart(t).injuries("minor", "major")
	c.asOf = hoursOn(0.5)
	if _, blocks := c.digest().Falls[0].BlocksFrom(); blocks {
		t.Error("it blocks before it was found")
	}
}

func TestSinceWhenACodeHasStood(t *testing.T) {
	coded := func(codes ...string) *chart {
		c := newChart(t)
		for n, code := range codes {
			v := clinical.Version{SourceID: "c", Status: clinical.Final, RecordedAt: hoursOn(float64(n)), Body: clinical.Condition{ICD10: code}}
			if code == "back" { // the code before it is taken back
				v.Status, v.Body = clinical.EnteredInError, clinical.Condition{ICD10: codes[n-1]}
			}
			c.add(v)
		}
		return c
	}
	for _, test := range []struct {
		codes []string
		want  float64
	}{
		{[]string{"S32.0"}, 0}, {[]string{"S32.0", "s320"}, 0}, {[]string{"S72.0", "S32.0", "S32.0"}, 1},
		{[]string{"S32.0", "back", "S32.0"}, 2}, {[]string{"S32.0", "S72.0", "S32.0"}, 2},
	} {
		d := coded(test.codes...).digest()
		if got := d.Conditions[0].Since; !got.Equal(hoursOn(test.want)) {
			t.Errorf("%v: since %s", test.codes, got)
		}
	}
	c := coded("S32.0")
	c.versions[0].Stated, c.versions[0].RecordedAt = false, time.Time{}
	if got := c.digest().Conditions[0].Since; !got.Equal(c.stay.AdmittedAt) {
		t.Errorf("without a recording: since %s", got)
	}
}

func (c *chart) restriction(limb string, from float64, to *float64) *chart {
	b := clinical.Restriction{Limb: limb, Reason: "fistula", StartedAt: minutesOn(from)}
	if to != nil {
		end := minutesOn(*to)
		b.EndedAt = &end
	}
	return c.add(clinical.Version{SourceID: fmt.Sprint("restriction ", len(c.versions)), Status: clinical.Final, RecordedAt: hoursOn(5), Body: b})
}

// A reading on a limb that must not be measured, from the start of the restriction until
// its end, as known now: the set is at best usable, and its finding stands.
func TestAReadingOnARestrictedLimbIsNoted(t *testing.T) {
	at := func(m float64) *float64 { return &m }
	for _, test := range []struct {
		name, readings string
		limb           string
		from           float64
		to             *float64
		noted          bool
	}{
		{"before and after", byTheBook, "left arm", -60, nil, true},
		{"another limb", byTheBook, "right arm", -60, nil, false},
		{"from the last reading on", byTheBook, "left arm", 3, nil, true},
		{"just after it", byTheBook, "left arm", 3.01, nil, false},
		{"until the first", byTheBook, "left arm", -60, at(0), false},
		{"until just after the first", byTheBook, "left arm", -60, at(0.01), true},
		{"a reading without a pressure", byTheBook + "; 4 standing -/- 80 up=4 limb=right_arm", "right arm", -60, nil, false},
		{"a limb that was not charted", byTheBook + "; 4 standing 137/80 80 up=4", "right arm", -60, nil, false},
	} {
		set := newChart(t).readings(test.readings).restriction(test.limb, test.from, test.to).set()
		if got := has(set.QualityNotes, NoteRestrictedLimb); got != test.noted {
			t.Errorf("%s: notes %v", test.name, set.QualityNotes)
		}
		if test.noted && (set.Quality != Usable || set.Finding != Negative) {
			t.Errorf("%s: %s, %s", test.name, set.Quality, set.Finding)
		}
	}
	c := newChart(t).readings(byTheBook).restriction("left arm", -60, nil)
	c.asOf = hoursOn(4.9)
	if set := c.set(); set.Quality != Complete {
		t.Errorf("before it was known: %s, %v", set.Quality, set.QualityNotes)
	}
	if d := newChart(t).restriction("left arm", 5, nil).restriction("right arm", -5, nil).digest(); len(d.Restrictions) != 2 || d.Restrictions[0].Limb != "right arm" {
		t.Errorf("by their start: %+v", d.Restrictions)
	}
}

// A set whose only lying pressure is not believed is positive by stopping early, and has
// no usable baseline: it is not complete.
func TestACompleteSetNeedsAUsableBaseline(t *testing.T) {
	set := setOf(t, "0 lying 30/20 70 up=5 limb=left_arm; 1 standing 138/80 72 up=1 limb=left_arm; 3 standing 137/80 73 up=3 limb=left_arm stop sym=dizziness")
	if set.Finding != Positive || set.Quality != Usable {
		t.Errorf("%s, %s", set.Finding, set.Quality)
	}
	wantWords(t, "notes", set.QualityNotes, NoteStoppedEarly+", "+NoteImplausible)
}

// lateAt is a set that drops at some minutes upright, or, with a drop of 0, that does not.
func lateAt(h, minutes, drop float64) string {
	return fmt.Sprintf("%v lying 140/80 up=5; %v standing 139/80 up=3; %v standing %v/80 up=%v", 60*h, 60*h+3, 60*h+minutes, 140-drop, minutes)
}

// T-CLEAR after a drop that came late: the patient stands as long as it took to come.
func TestALateDropIsClearedByStandingAsLong(t *testing.T) {
	for _, test := range []struct {
		name    string
		sets    string
		change  func(*clinical.Policy)
		minutes string
		cleared bool
	}{
		{"no positive set", all(negativeAt(1), negativeAt(10)), nil, "null", false},
		{"a classic drop", all(droppingAt(0, 30), negativeAt(10), negativeAt(20)), nil, "3", true},
		{"a late drop, 3 minutes since", all(lateAt(0, 8, 30), negativeAt(10), negativeAt(20)), nil, "8", false},
		{"a late drop, 7.5 minutes since", all(lateAt(0, 8, 30), lateAt(10, 7.5, 0), lateAt(20, 8, 0)), nil, "8", true},
		{"a late drop, 7.4 minutes once", all(lateAt(0, 8, 30), lateAt(10, 7.4, 0), lateAt(20, 8, 0)), nil, "8", false},
		{"at most 10", all(lateAt(0, 14, 30), lateAt(10, 9.5, 0), lateAt(20, 9.5, 0)), nil, "10", true},
		{"at most 10, 9.4", all(lateAt(0, 14, 30), lateAt(10, 9.4, 0), lateAt(20, 9.5, 0)), nil, "10", false},
		{"a site's most", all(lateAt(0, 14, 30), lateAt(10, 9.5, 0), lateAt(20, 9.5, 0)), func(p *clinical.Policy) { p.Serial.ClearMinutesMost = 12 }, "12", false},
		{"of the latest late drop", all(lateAt(0, 9, 30), lateAt(2, 5, 30), lateAt(10, 5, 0), lateAt(20, 5, 0)), nil, "5", true},
		{"a classic drop after a late one", all(lateAt(0, 8, 30), droppingAt(2, 30), negativeAt(10), negativeAt(20)), nil, "8", false},
		{"a late reading alone is not enough", all(lateAt(0, 8, 30), "600 lying 140/80 up=5; 602 standing 139/80 up=1; 608 standing 139/80 up=8",
			"1200 lying 140/80 up=5; 1202 standing 139/80 up=1; 1208 standing 139/80 up=8"), nil, "8", false},
		{"as others, by policy", all(lateAt(0, 8, 30), negativeAt(10), negativeAt(20)), func(p *clinical.Policy) { p.Serial.ClearDelayed = clinical.StandardTime }, "3", true},
		{"never under the earliest clearing minute", all(droppingAt(0, 30), negativeAt(10), negativeAt(20)), func(p *clinical.Policy) { p.Sets.ClearingStandFromMinutes = 4 }, "4", false},
		{"a late drop when sitting alone", all("0 lying 140/80 up=5; 5 sitting 110/80 up=5; 6 standing 139/80 up=1", negativeAt(10), negativeAt(20)), nil, "3", true},
		{"late when sitting, and on standing", all("0 lying 140/80 up=5; 5 sitting 110/80 up=5; 9 standing 110/80 up=4", negativeAt(10), negativeAt(20)), nil, "4", false},
		{"late when sitting, at once on standing", all("0 lying 140/80 up=5; 5 sitting 110/80 up=5; 6 standing 110/80 up=1", negativeAt(10), negativeAt(20)), nil, "2", true},
		{"diastolic alone", all("0 lying 140/80 up=5; 3 standing 139/79 up=3; 8 standing 139/70 up=8", negativeAt(10), negativeAt(20)), nil, "8", false},
		{"timed by the clock", all("0 lying 140/80 up=5; 3 standing 139/79 up=3; 8 standing 110/70", negativeAt(10), negativeAt(20)), nil, "8", false},
	} {
		c := newChart(t).readings(test.sets)
		if test.change != nil {
			test.change(&c.policy)
		}
		s := c.digest().Serial
		wantFigure(t, test.name+": clear_minutes", s.ClearMinutes, test.minutes)
		if s.Cleared != test.cleared {
			t.Errorf("%s: cleared %v, run of %d", test.name, s.Cleared, s.ClearingRun)
		}
	}
}

// newest is the newest reading by the digest; looking at readings alone must find the same.
func (c *chart) newest() *time.Time {
	c.t.Helper()
	d := c.digest()
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	alone := NewestVitals(clinical.ChartAt("S", vs, c.asOf), c.policy.Plausible)
	if (alone == nil) != (d.NewestVitals == nil) || alone != nil && !alone.Equal(*d.NewestVitals) {
		c.t.Errorf("by the readings alone %v, by the digest %v", alone, d.NewestVitals)
	}
	times := VitalsTimes(clinical.ChartAt("S", vs, c.asOf), c.policy.Plausible)
	if (len(times) == 0) != (alone == nil) || alone != nil && !slices.MaxFunc(times, time.Time.Compare).Equal(*alone) {
		c.t.Errorf("of the times %v the last is not %v", times, alone)
	}
	return d.NewestVitals
}

// The times of readings are those of the feeds that have a believed pressure or pulse.
func TestTheTimesOfReadings(t *testing.T) {
	c := newChart(t).readings("0 - 120/80 70; 60 - -/- 70; 120 - -/-; 180 - 400/80; 240 - 130/80; 360 - 131/80").
		body("w", clinical.Weight{MeasuredAt: hoursOn(1), KG: 70}).at(4)
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	for n := range vs {
		vs[n].RecordedAt = c.stay.AdmittedAt
	}
	var got []string
	for _, at := range VitalsTimes(clinical.ChartAt("S", vs, c.asOf), c.policy.Plausible) {
		got = append(got, show(ptr(at.Sub(noon).Hours())))
	}
	slices.Sort(got)
	wantWords(t, "hours", got, "0, 1, 4")
}

// U-FRESH: the newest reading with a pressure or a pulse that is believed, and that was
// not taken here.
func TestTheNewestReadingOfTheFeeds(t *testing.T) {
	c := newChart(t).readings("0 - 120/80 70; 60 - -/- 70; 120 - -/-; 180 - 400/80; 240 - 400/80 70")
	c.add(clinical.Version{SourceID: "ahead", Status: clinical.Final, RecordedAt: hoursOn(6), Body: clinical.Vitals{TakenAt: hoursOn(6.01), HeartRate: ptr(70.0)}})
	c.asOf = hoursOn(6)
	if got := c.newest(); got == nil || !got.Equal(hoursOn(4)) {
		t.Errorf("%v, want the pulse of the hour 4", got)
	}
	c.versions[4].Feed = clinical.BedsideFeed
	if got := c.newest(); got == nil || !got.Equal(hoursOn(1)) {
		t.Errorf("%v, want the pulse of the hour 1: a pressure of 400 is not believed", got)
	}
	// A feed that says a reading again that was taken here.
	again := c.versions[4]
	again.Feed, again.RecordedAt = "csv", hoursOn(6)
	c.versions = []clinical.Version{c.versions[4], again}
	if got := c.newest(); got != nil {
		t.Errorf("an echo: %v", got)
	}
}

func TestAnswersAndClearancesThatHaveHappened(t *testing.T) {
	c := newChart(t)
	c.body("a2", clinical.Answer{AnsweredAt: hoursOn(2), Answer: clinical.Declined, Reason: "tired"})
	c.body("a1", clinical.Answer{AnsweredAt: hoursOn(2), Answer: clinical.DoneElsewhere})
	c.body("a3", clinical.Answer{AnsweredAt: hoursOn(1), Answer: clinical.NotPossible})
	c.body("c1", clinical.Clearance{ClearedAt: hoursOn(2), By: "Dr A"})
	c.add(clinical.Version{SourceID: "c2", Status: clinical.Final, RecordedAt: hoursOn(1), Body: clinical.Clearance{ClearedAt: hoursOn(3.01)}})
	c.asOf = hoursOn(3)
	d := c.digest()
	if len(d.Answers) != 3 || d.Answers[0].SourceID != "a3" || d.Answers[1].SourceID != "a1" || d.Answers[2].Reason != "tired" {
		t.Errorf("answers %+v", d.Answers)
	}
	if len(d.Clearances) != 1 || d.Clearances[0] != (ClearanceFact{"c1", hoursOn(2), "Dr A"}) {
		t.Errorf("clearances %v", d.Clearances)
	}
	if !d.Until.Equal(hoursOn(3.01)) {
		t.Errorf("it holds until %s", d.Until)
	}
}

// The fluids of a digest reach as far back as R-VOLUME may ask: 48 h before an answer
// whose time has not come.
func TestFluidsAreKeptForAnswers(t *testing.T) {
	c := newChart(t)
	c.asOf = hoursOn(100)
	c.fluid("old", "out", "urine", 41, 42, 1000).fluid("older", "out", "urine", 39, 40, 1000)
	kept := func() string {
		out := ""
		for _, f := range c.digest().Fluids {
			out += f.SourceID + " "
		}
		return out
	}
	if got := kept(); got != "" {
		t.Errorf("without an answer: %s", got)
	}
	c.body("done", clinical.Answer{AnsweredAt: hoursOn(88), Answer: clinical.DoneElsewhere}) // its time has come
	if got := kept(); got != "" {
		t.Errorf("with one whose time has come: %s", got)
	}
	c.asOf = hoursOn(99.9)
	if got := kept(); got != "old " {
		t.Errorf("with one whose time has not: %s", got)
	}
}

func TestBloodLossIsKeptAsFarBackAsThePolicyLooks(t *testing.T) {
	c := newChart(t)
	c.asOf = hoursOn(100)
	c.fluid("loss", "out", "blood_loss", 20, 21, 300)
	c.policy.Causes.BleedWindowHours = 100
	if got := what(c.exposures(), ByVolume); got == "" {
		t.Error("blood lost 79 h ago is not told, and the policy looks back 100 h")
	}
}
