package clinical

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func hour(h float64) time.Time { return noon.Add(time.Duration(h * float64(time.Hour))) }

// weighed is a version of a weight; its kilograms tell versions apart.
func weighed(id, stay string, kg, recorded float64) Version {
	return Version{
		Kind: KindWeight, SourceID: id, StayID: stay, RecordedAt: hour(recorded), Stated: true, Status: Final,
		Body: Weight{MeasuredAt: noon, KG: kg},
	}
}

func back(kind Kind, id, stay string, recorded float64) Version {
	return Version{Kind: kind, SourceID: id, StayID: stay, RecordedAt: hour(recorded), Stated: true, Status: EnteredInError}
}

func stayed(id, unit string, admitted float64, discharged *time.Time, recorded float64) Version {
	return Version{
		Kind: KindStay, SourceID: id, StayID: id, RecordedAt: hour(recorded), Stated: true, Status: Final,
		Body: Stay{PatientID: "P", Unit: unit, AdmittedAt: hour(admitted), DischargedAt: discharged},
	}
}

// told writes the records of a chart as "id kg (versions)".
func told(c Chart) string {
	var out []string
	for _, r := range c.Records {
		if w, ok := r.Body.(Weight); ok {
			out = append(out, fmt.Sprintf("%s %v (%d)", r.SourceID, w.KG, len(r.History)))
		}
	}
	return strings.Join(out, ", ")
}

func TestOfTheVersionsKnownTheLatestCounts(t *testing.T) {
	versions := []Version{
		stayed("S", "4W", -24, nil, -24),
		weighed("a", "S", 70, 1), weighed("a", "S", 71, 3), weighed("a", "S", 72, 5),
		weighed("b", "S", 60, 2), weighed("c", "T", 50, 2),
	}
	for at, want := range map[float64]string{
		0.9: "", 1: "a 70 (1)", 2.9: "a 70 (1), b 60 (1)", 3: "a 71 (2), b 60 (1)", 9: "a 72 (3), b 60 (1)",
	} {
		for _, vs := range [][]Version{versions, reversed(versions)} {
			if got := told(ChartAt("S", vs, hour(at))); got != want {
				t.Errorf("at hour %v: %s, want %s", at, got, want)
			}
		}
	}
}

func reversed(vs []Version) []Version {
	out := slices.Clone(vs)
	slices.Reverse(out)
	return out
}

func TestOfVersionsOfOneMomentTheLaterRowAndTheLastFileCount(t *testing.T) {
	at := func(kg float64, file string, line int) Version {
		v := weighed("a", "S", kg, 1)
		v.File, v.Line = file, line
		return v
	}
	for _, c := range []struct {
		name string
		vs   []Version
		want string
	}{
		{"the later row", []Version{at(70, "w.csv", 2), at(71, "w.csv", 3)}, "a 71 (2)"},
		{"the last file in byte order", []Version{at(70, "weights-2.csv", 2), at(71, "weights-10.csv", 9)}, "a 70 (2)"},
		{"one row twice", []Version{at(70, "w.csv", 2), at(70, "w.csv", 2)}, "a 70 (2)"},
	} {
		for _, vs := range [][]Version{c.vs, reversed(c.vs)} {
			if got := told(ChartAt("S", vs, hour(2))); got != c.want {
				t.Errorf("%s: %s, want %s", c.name, got, c.want)
			}
		}
	}
}

func TestAFactEnteredInErrorIsRemovedUntilItIsEnteredAgain(t *testing.T) {
	vs := []Version{weighed("a", "S", 70, 1), back(KindWeight, "a", "", 3), weighed("a", "S", 72, 5), back(KindWeight, "x", "", 1)}
	c := ChartAt("S", vs, hour(4))
	if told(c) != "" || len(c.Removed) != 1 || c.Removed[0].StayID != "S" || c.Removed[0].Body == nil {
		t.Errorf("after the retraction: %q, removed %+v", told(c), c.Removed)
	}
	if c = ChartAt("S", vs, hour(5)); told(c) != "a 72 (3)" || len(c.Removed) != 0 {
		t.Errorf("entered again: %q", told(c))
	}
	if c = ChartAt("S", vs, hour(2)); told(c) != "a 70 (1)" {
		t.Errorf("before the retraction: %q", told(c))
	}
	// A stay that is taken back is not known.
	c = ChartAt("S", []Version{stayed("S", "4W", 0, nil, 0), back(KindStay, "S", "S", 2), weighed("a", "S", 70, 1)}, hour(3))
	if c.Stay != nil || told(c) != "a 70 (1)" || c.OnUnit("4W") {
		t.Errorf("a stay taken back: %+v", c)
	}
}

func TestACorrectionMayMoveAFactToAnotherStay(t *testing.T) {
	vs := []Version{weighed("a", "S", 70, 1), weighed("a", "T", 70, 3)}
	for _, c := range []struct {
		stay string
		at   float64
		want string
	}{{"S", 2, "a 70 (1)"}, {"T", 2, ""}, {"S", 3, ""}, {"T", 3, "a 70 (2)"}} {
		if got := told(ChartAt(c.stay, vs, hour(c.at))); got != c.want {
			t.Errorf("stay %s at hour %v: %q, want %q", c.stay, c.at, got, c.want)
		}
	}
	// A retraction that names no stay takes it from where it had been moved to.
	vs = append(vs, back(KindWeight, "a", "", 4))
	if c := ChartAt("T", vs, hour(5)); len(c.Removed) != 1 {
		t.Errorf("removed from T: %+v", c.Removed)
	}
	if c := ChartAt("S", vs, hour(5)); len(c.Removed) != 0 {
		t.Errorf("removed from S: %+v", c.Removed)
	}
}

func TestWithoutARecordedTimeEachTimeIsKnownWhenItComes(t *testing.T) {
	end := hour(5)
	unstated := func(b Body) Version {
		return Version{Kind: b.FactKind(), SourceID: "x", StayID: "S", RecordedAt: b.OwnTime(), Status: Final, Body: b}
	}
	stay := unstated(Stay{PatientID: "P", Unit: "4W", AdmittedAt: noon, DischargedAt: &end})
	stay.SourceID = "S"
	order := unstated(Order{StartAt: noon, EndAt: &end})
	order.Status = Active
	precaution := unstated(Precaution{StartedAt: noon, EndedAt: &end})
	endOf := func(c Chart) *time.Time {
		for _, r := range c.Records {
			switch b := r.Body.(type) {
			case Stay:
				return b.DischargedAt
			case Order:
				return b.EndAt
			case Precaution:
				return b.EndedAt
			}
		}
		return nil
	}
	for _, v := range []Version{stay, order, precaution} {
		if c := ChartAt("S", []Version{v}, hour(-1)); len(c.Records) != 0 {
			t.Errorf("%s: known before its own time", v.Kind)
		}
		if c := ChartAt("S", []Version{v}, hour(4.9)); len(c.Records) != 1 || endOf(c) != nil {
			t.Errorf("%s: its end is known before it came", v.Kind)
		}
		if c := ChartAt("S", []Version{v}, hour(5)); endOf(c) == nil {
			t.Errorf("%s: its end is not known when it came", v.Kind)
		}
		v.Stated = true
		if c := ChartAt("S", []Version{v}, hour(1)); endOf(c) == nil {
			t.Errorf("%s: a stated version hides its end", v.Kind)
		}
	}
	// Other kinds have one time only.
	for _, b := range []Body{
		Vitals{TakenAt: noon}, Dose{GivenAt: noon}, Fluid{From: hour(-1), To: noon}, Weight{MeasuredAt: noon},
		Lab{TakenAt: noon}, Fall{FellAt: noon}, Treatment{GivenAt: noon}, Clearance{ClearedAt: noon}, Answer{AnsweredAt: noon},
	} {
		v := unstated(b)
		if len(ChartAt("S", []Version{v}, hour(-0.1)).Records) != 0 || len(ChartAt("S", []Version{v}, noon).Records) != 1 {
			t.Errorf("%s: not known at its own time", v.Kind)
		}
	}
}

// A row without a recorded time has one place among the versions of its fact, that of its own time; an end
// that is known later moves it nowhere. So what was taken back or corrected in between stays so.
func TestAnEndThatIsKnownLaterOutweighsNoLaterVersion(t *testing.T) {
	end := hour(20)
	begun := func(at float64) Version {
		return Version{
			Kind: KindPrecaution, SourceID: "p", StayID: "S", RecordedAt: hour(at), Status: Final,
			Body: Precaution{Precaution: "bed alarm", StartedAt: hour(at), EndedAt: &end},
		}
	}
	stated := begun(0)
	stated.Stated, stated.RecordedAt, stated.Body = true, hour(1.5), Precaution{Precaution: "bed alarm", StartedAt: hour(0)}
	for name, c := range map[string]struct {
		versions      []Version
		counts, ended bool
	}{
		"the row alone":                {[]Version{begun(0)}, true, true},
		"taken back before its end":    {[]Version{begun(0), back(KindPrecaution, "p", "", 1.5)}, false, false},
		"taken back before it begins":  {[]Version{begun(3), back(KindPrecaution, "p", "", 1.5)}, true, true},
		"corrected to one without end": {[]Version{begun(0), stated}, true, false},
	} {
		for _, vs := range [][]Version{c.versions, {c.versions[len(c.versions)-1], c.versions[0]}} {
			chart := ChartAt("S", vs, hour(21))
			ended := len(chart.Records) == 1 && chart.Records[0].Body.(Precaution).EndedAt != nil
			if (len(chart.Records) == 1) != c.counts || ended != c.ended {
				t.Errorf("%s: %+v", name, chart.Records)
			}
		}
	}
}

func TestAConditionIsKnownFromAdmission(t *testing.T) {
	condition := Version{Kind: KindCondition, SourceID: "c", StayID: "S", Status: Final, Body: Condition{ICD10: "G20"}}
	vs := []Version{stayed("S", "4W", 2, nil, -10), condition}
	for at, want := range map[float64]int{1.9: 0, 2: 1, 50: 1} {
		n := 0
		for _, r := range ChartAt("S", vs, hour(at)).Records {
			if r.Kind == KindCondition {
				n++
			}
		}
		if n != want {
			t.Errorf("at hour %v: %d conditions", at, n)
		}
	}
	condition.Stated, condition.RecordedAt = true, hour(9)
	if c := ChartAt("S", []Version{vs[0], condition}, hour(5)); len(c.Records) != 1 {
		t.Errorf("a condition recorded later is known at hour 5: %+v", c.Records)
	}
}

func TestAChartHoldsUntilTheNextTimeThatItNames(t *testing.T) {
	end := hour(30)
	order := Version{Kind: KindOrder, SourceID: "o", StayID: "S", RecordedAt: hour(1), Stated: true, Status: Active, Body: Order{StartAt: hour(10), EndAt: &end}}
	vs := []Version{stayed("S", "4W", -5, nil, -5), weighed("a", "S", 70, 3), order, back(KindWeight, "a", "", 40)}
	for at, want := range map[float64]float64{-9: -5, 0.5: 1, 1: 3, 3: 10, 10: 30, 30: 40} {
		if got := ChartAt("S", vs, hour(at)).Until; !got.Equal(hour(want)) {
			t.Errorf("at hour %v it holds until %s, want hour %v", at, got, want)
		}
	}
	if got := ChartAt("S", vs, hour(40)).Until; !got.IsZero() {
		t.Errorf("with nothing ahead it holds until %s", got)
	}
}

func TestAStayIsOnTheListFromAdmissionToDischargeExcluded(t *testing.T) {
	end := hour(5)
	vs := []Version{stayed("S", "4W", 0, nil, -3), stayed("S", "5E", 0, &end, 2)}
	for _, c := range []struct {
		unit string
		at   float64
		want bool
	}{
		{"4W", -0.1, false}, {"4W", 0, true}, {"4W", 1.9, true}, {"4W", 2, false}, {"5E", 1.9, false}, {"5E", 2, true}, {"5E", 4.9, true}, {"5E", 5, false},
	} {
		if got := ChartAt("S", vs, hour(c.at)).OnUnit(c.unit); got != c.want {
			t.Errorf("on %s at hour %v: %v", c.unit, c.at, got)
		}
	}
	if ChartAt("T", vs, hour(1)).OnUnit("4W") {
		t.Error("a stay that nobody knows is on a unit")
	}
}

func TestChartAtLeavesItsInputAlone(t *testing.T) {
	vs := []Version{weighed("b", "S", 1, 2), weighed("a", "S", 2, 1), {Kind: KindCondition, SourceID: "c", StayID: "S", Body: Condition{}}}
	before := slices.Clone(vs)
	ChartAt("S", vs, hour(9))
	for n := range vs {
		if vs[n].SourceID != before[n].SourceID || !vs[n].RecordedAt.Equal(before[n].RecordedAt) {
			t.Errorf("version %d is now %+v", n, vs[n])
		}
	}
}

func TestEveryKindOfFactNamesItsColumns(t *testing.T) {
	one, yes := 1.0, true
	end := hour(1)
	bodies := []Body{
		Stay{PatientID: "P", Unit: "4W", NotAmbulatory: true, DischargedAt: &end}, Vitals{Systolic: &one}, Order{Drug: Drug{Text: "x"}, Dose: &one, EndAt: &end}, Dose{Drug: Drug{Text: "x"}}, Fluid{VolumeML: 5, Direction: "in"},
		Weight{KG: 70}, Lab{LOINC: "718-7"}, Condition{ICD10: "G20"}, Precaution{Precaution: "sitter"}, Fall{Assisted: &yes},
		Restriction{Limb: "left arm", Reason: "fistula"}, Clearance{}, Answer{Answer: "declined"}, Treatment{What: "other"},
	}
	for n, b := range bodies {
		if b.FactKind() != Kinds[n] {
			t.Errorf("%T is of kind %s, want %s", b, b.FactKind(), Kinds[n])
		}
		for column, v := range b.Values() {
			if s, isText := v.(string); isText && s == "" {
				t.Errorf("%T: column %s is an empty text, want nil", b, column)
			}
		}
	}
	if v := bodies[0].Values(); v["ambulatory"] != "no" || v["bed"] != nil || v["discharged_at"] != end {
		t.Errorf("a stay: %v", v)
	}
	if v := bodies[1].Values(); v["systolic"] != 1.0 || v["diastolic"] != nil || len(v["symptoms"].([]string)) != 0 || v["stopped_early"] != "no" {
		t.Errorf("a reading: %v", v)
	}
	if v := bodies[9].Values(); v["assisted"] != "yes" || v["injury"] != nil {
		t.Errorf("a fall: %v", v)
	}
	if v := (Fall{}).Values(); v["assisted"] != nil {
		t.Errorf("a fall of which nothing is charted: %v", v)
	}
}

func TestPositionsFromLowToHigh(t *testing.T) {
	order := []Position{Lying, Sitting, Standing, NoPosition}
	for n, p := range order {
		if p.Height() != n {
			t.Errorf("%q has height %d, want %d", p, p.Height(), n)
		}
	}
}

func TestErrorsCarryACodeForPrograms(t *testing.T) {
	cause := errors.New("the cause")
	e := Errorf(NotFound, "there is no unit %q", "4W")
	wrapped := fmt.Errorf("listing: %w", e)
	switch {
	case CodeOf(nil) != "", CodeOf(cause) != Internal, CodeOf(wrapped) != NotFound:
		t.Errorf("codes: %q %q %q", CodeOf(nil), CodeOf(cause), CodeOf(wrapped))
	case e.Error() != `there is no unit "4W"`:
		t.Errorf("sentence: %s", e)
	}
	with := &Error{Code: Invalid, Message: "the file cannot be read", Err: cause}
	if with.Error() != "the file cannot be read: the cause" || !errors.Is(with, cause) {
		t.Errorf("with its cause: %s", with)
	}
}

func TestTheSystemClockHasMicrosecondsInUTC(t *testing.T) {
	now := SystemClock()
	if now.Location() != time.UTC || now.Nanosecond()%1000 != 0 {
		t.Errorf("now = %v", now)
	}
	if Hours(1.5) != 90*time.Minute || Minutes(0.5) != 30*time.Second {
		t.Error("policy numbers in hours and minutes")
	}
}

// A restriction that does not say when it begins has begun with the recording of the
// fact's first version; a plan lies ahead; an end that no recording tells is known once
// it has come.
func TestWhenARestrictionBeganAndEnds(t *testing.T) {
	restricted := func(started float64, ended *float64, recorded float64, stated bool) Version {
		b := Restriction{Limb: "left arm", Reason: "fistula"}
		if started != 0 {
			b.StartedAt = hour(started)
		}
		if ended != nil {
			end := hour(*ended)
			b.EndedAt = &end
		}
		return Version{Kind: KindRestriction, SourceID: "r", StayID: "S", RecordedAt: hour(recorded), Stated: stated, Status: Final, Body: b}
	}
	nine := 9.0
	for _, c := range []struct {
		name     string
		versions []Version
		at       float64
		began    float64
		ended    bool
	}{
		{"at its recording", []Version{restricted(0, nil, 1, true)}, 2, 1, false},
		{"at the recording of the first version", []Version{restricted(0, nil, 1, true), restricted(0, nil, 3, true)}, 4, 1, false},
		{"where the first version says another", []Version{restricted(2, nil, 1, true), restricted(0, nil, 3, true)}, 4, 1, false},
		{"when it says", []Version{restricted(0, nil, 1, true), restricted(2, nil, 3, true)}, 4, 2, false},
		{"a stated end is known", []Version{restricted(2, &nine, 3, true)}, 4, 2, true},
		{"an end nobody recorded is not known", []Version{restricted(2, &nine, 2, false)}, 8.9, 2, false},
		{"until it has come", []Version{restricted(2, &nine, 2, false)}, 9, 2, true},
	} {
		chart := ChartAt("S", append([]Version{stayed("S", "4W", -24, nil, -24)}, c.versions...), hour(c.at))
		var b Restriction
		for _, r := range chart.Records {
			if got, ok := r.Body.(Restriction); ok {
				b = got
			}
		}
		if !b.OwnTime().Equal(hour(c.began)) || (b.EndedAt != nil) != c.ended {
			t.Errorf("%s: began %s, ended %v", c.name, b.StartedAt, b.EndedAt)
		}
	}
}

// A reading without a pressure tells of a cuff that could not read where the bedside form took
// it, and not as the moment at which the patient was sat down; a feed's says nothing.
func TestACuffThatCouldNotReadIsKnownFromAFeedThatSaysNothing(t *testing.T) {
	value := 70.0
	for _, c := range []struct {
		what, feed, id string
		body           Body
		want           bool
	}{
		{"at rest", BedsideFeed, "bedside-x-base", Vitals{Position: Lying}, true},
		{"at rest, with a pulse", BedsideFeed, "bedside-x-base", Vitals{Position: Lying, HeartRate: &value}, true},
		{"upright, with a pulse", BedsideFeed, "bedside-x-first", Vitals{Position: Standing, HeartRate: &value}, false},
		{"upright", BedsideFeed, "bedside-x-first", Vitals{Position: Standing}, true},
		{"sat down", BedsideFeed, "bedside-x-stop", Vitals{Position: Standing}, false},
		{"a systolic", BedsideFeed, "bedside-x-base", Vitals{Position: Lying, Systolic: &value}, false},
		{"a diastolic", BedsideFeed, "bedside-x-base", Vitals{Position: Lying, Diastolic: &value}, false},
		{"of a feed", "csv", "v1", Vitals{Position: Lying}, false},
		{"no reading", BedsideFeed, "bedside-x-clearances", Clearance{}, false},
	} {
		v := Version{Kind: c.body.FactKind(), SourceID: c.id, Feed: c.feed, Body: c.body}
		if got := (Record{Version: v, History: []Version{v}}).CouldNotRead(); got != c.want {
			t.Errorf("%s: %v", c.what, got)
		}
	}
}
