package bedside

import (
	"fmt"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func options() Options {
	return Options{
		Options: feed.Options{Zone: time.UTC, Now: now}, StayID: "S1", AdmittedAt: now.Add(-10 * time.Hour),
		Plausible: clinical.DefaultPolicy().Plausible,
		Restrictions: map[string]clinical.Restriction{
			"R1": {Limb: "left leg", Reason: "injury", StartedAt: now.Add(-5 * time.Hour)},
		},
	}
}

const id = "6f1c9b1e-0000-4000-8000-000000000001"

// whole is a set without a drop, as the form sends it.
func whole() url.Values {
	v, _ := url.ParseQuery("set=" + id + "&mobility=stand&no_holds=yes&limb=left+arm&restrict=right+arm&because=fistula" +
		"&base_at=2026-11-25T11:50:00Z&base_minutes=5.04&base_systolic=142&base_diastolic=78&base_pulse=70" +
		"&first_at=2026-11-25T11:51:30Z&first_minutes=1&first_systolic=138&first_diastolic=76&first_pulse=74" +
		"&second_at=2026-11-25T11:53:30Z&second_minutes=3&second_systolic=139,5&second_diastolic=77&second_pulse=76&no_symptoms=yes")
	return v
}

// with changes the form: "name=value", or "-name" for a field left out.
func with(v url.Values, changes ...string) url.Values {
	for _, c := range changes {
		name, value, set := strings.Cut(c, "=")
		switch {
		case !set:
			for field := range v {
				if strings.HasPrefix(field, name[1:]) {
					v.Del(field)
				}
			}
		case v.Has(name) && name == "symptom":
			v.Add(name, value)
		default:
			v.Set(name, value)
		}
	}
	return v
}

func read(t *testing.T, v url.Values) Set {
	t.Helper()
	s, problems := Read(v, options())
	if len(problems) > 0 {
		t.Fatalf("%v: %v", v, problems)
	}
	return s
}

func ptr(v float64) *float64 { return &v }

func TestEveryFieldOfASetIsRead(t *testing.T) {
	s := read(t, whole())
	at := func(min, sec int) time.Time { return time.Date(2026, 11, 25, 11, min, sec, 0, time.UTC) }
	want := Set{
		ID: id, StayID: "S1", Mobility: MayStand, Limb: "left arm", Restricted: []string{"right arm"}, Because: "fistula",
		Readings: []Reading{
			{Base, false, clinical.Vitals{TakenAt: at(50, 0), Systolic: ptr(142), Diastolic: ptr(78), HeartRate: ptr(70), Position: clinical.Lying, Limb: "left arm", MinutesInPosition: ptr(5), SetID: id}},
			{First, false, clinical.Vitals{TakenAt: at(51, 30), Systolic: ptr(138), Diastolic: ptr(76), HeartRate: ptr(74), Position: clinical.Standing, Limb: "left arm", MinutesInPosition: ptr(1), SetID: id}},
			{Second, false, clinical.Vitals{TakenAt: at(53, 30), Systolic: ptr(139.5), Diastolic: ptr(77), HeartRate: ptr(76), Position: clinical.Standing, Limb: "left arm", MinutesInPosition: ptr(3), SetID: id}},
		},
	}
	if !reflect.DeepEqual(s, want) {
		t.Errorf("%+v\nwant %+v", s, want)
	}
	if !s.LastTaken().Equal(at(53, 30)) || !s.Upright() {
		t.Errorf("last taken %s, upright %v", s.LastTaken(), s.Upright())
	}
}

// How a set was ended, and what it becomes.
func TestHowASetEnds(t *testing.T) {
	tell := func(s Set) string {
		var out []string
		for _, r := range s.Readings {
			line := fmt.Sprintf("%s %s", r.Name, r.Position)
			if len(r.Symptoms) > 0 {
				line += " " + strings.Join(r.Symptoms, "+")
			}
			if r.StoppedEarly {
				line += " stopped"
			}
			out = append(out, line)
		}
		return strings.Join(append(out, s.Holds...), ", ")
	}
	for _, c := range []struct {
		name, want string
		changes    []string
	}{
		{"stopped after the first reading", "base lying, first standing dizziness+nausea stopped", []string{"-second", "-no_symptoms", "stopped=yes", "symptom=nausea", "symptom=dizziness"}},
		{"stopped before a reading", "base lying, stop standing faintness stopped", []string{"-first", "-second", "-no_symptoms", "stopped=yes", "stop_at=2026-11-25T11:51:00Z", "symptom=faintness"}},
		{"stopped sitting", "base lying, stop sitting stopped", []string{"-first", "-second", "stopped=yes", "stop_at=2026-11-25T11:51:00Z", "stop_position=sitting"}},
		{"the pulse alone could be taken", "base lying, first standing, second standing", []string{"-second_systolic", "-second_diastolic"}},
		{"a time without figures is no reading", "base lying, first standing", []string{"-second", "second_at=2026-11-25T11:53:30Z", "second_minutes=3"}},
		{"sitting", "base lying, first sitting, second sitting", []string{"first_position=sitting", "second_position=sitting", "mobility=sit"}},
		{"cannot lie flat", "base sitting, first standing, second standing", []string{"base_position=sitting"}},
		// A pain at rest belongs to the baseline: it must not make the set one that
		// symptoms of standing ended (S-SYMPTOMS, F-STOP).
		{"chest pain at rest", "base lying chest pain, chest pain", []string{"-first", "-second", "-no_", "hold=chest pain"}},
		{"stays in bed", "base lying, bed-rest order", []string{"-first", "-second", "-no_", "mobility=bed"}},
		{"nothing answered and nothing upright", "base lying", []string{"-first", "-second", "-no_", "-mobility"}},
	} {
		if got := tell(read(t, with(whole(), c.changes...))); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestEveryProblemNamesItsField(t *testing.T) {
	for _, c := range []struct {
		want    string
		changes []string
	}{
		{"set missing", []string{"-set"}},
		{"set missing", []string{"set=1"}},
		{"set missing", []string{"set=../" + id}},
		{"mobility missing", []string{"-mobility"}},
		{"mobility not_of_list", []string{"mobility=yes"}},
		{"hold missing", []string{"-no_holds"}},
		{"hold contrary", []string{"hold=chest pain"}},
		{"hold not_of_list", []string{"hold=headache", "-no_holds"}},
		{"limb missing", []string{"-limb"}},
		{"limb not_of_list", []string{"limb=nose"}},
		{"because not_of_list", []string{"because=because"}},
		{"because missing", []string{"-because"}},
		{"restrict contrary", []string{"restrict=left arm"}},
		{"restrict not_of_list", []string{"restrict=nose"}},
		{"lifted not_of_list", []string{"lifted=R2"}},
		{"cleared_by nobody", []string{"cleared_by=\u200b", "cleared_at=2026-11-25T11:00:00Z"}},
		{"cleared_by missing", []string{"cleared_at=2026-11-25T11:00:00Z"}},
		{"cleared_at missing", []string{"cleared_by=Dr A"}},
		{"cleared_at not_time", []string{"cleared_by=Dr A", "cleared_at=noon"}},
		{"cleared_at too_old", []string{"cleared_by=Dr A", "cleared_at=2026-11-25T01:00:00Z"}},
		{"cleared_at late", []string{"cleared_by=Dr A", "cleared_at=2026-11-25T11:52:00Z"}},
		{"cleared_by too_long", []string{"cleared_by=" + strings.Repeat("x", longestCell+1), "cleared_at=2026-11-25T11:00:00Z"}},
		{"cleared_at ahead", []string{"cleared_by=Dr A", "cleared_at=2026-11-25T12:05:01Z"}},
		{"told not_of_list", []string{"told=nobody 2026-11-25T11:52:00Z"}},
		{"told not_time", []string{"told=provider soon"}},
		{"told too_old", []string{"told=provider 2020-11-25T11:52:00Z"}},
		// V-PLAUSIBLE: systolic 40 to 300, diastolic 10 to 200 and below it, pulse 20 to 300.
		{"base_systolic range", []string{"base_systolic=39"}},
		{"base_systolic range", []string{"base_systolic=301"}},
		{"first_diastolic range", []string{"first_diastolic=9"}},
		{"first_diastolic range", []string{"first_systolic=290", "first_diastolic=201"}},
		{"second_pulse range", []string{"second_pulse=19"}},
		{"second_pulse range", []string{"second_pulse=301"}},
		{"base_diastolic not_below", []string{"base_diastolic=142"}},
		{"base_unread contrary", []string{"base_unread=yes"}},
		{"base_unread not_stood", []string{"-base_systolic", "-base_diastolic", "base_unread=yes"}},
		{"base_systolic missing", []string{"-base_systolic"}},
		{"base_systolic not_number", []string{"base_systolic=12o"}},
		{"base_systolic not_number", []string{"base_systolic=-120"}},
		{"base_systolic not_number", []string{"base_systolic=1e3"}},
		{"base_systolic not_number", []string{"base_systolic=NaN"}},
		{"base_position not_of_list", []string{"base_position=standing"}},
		{"base_at missing", []string{"-base_at"}},
		{"base_at not_time", []string{"base_at=noon"}},
		{"base_at not_time", []string{"base_at=2026-11-31T11:50:00Z"}},
		{"base_at too_old", []string{"base_at=2026-11-25T01:59:59Z"}}, // before admission
		{"second_at ahead", []string{"second_at=2026-11-25T12:05:00.001Z"}},
		{"first_at order", []string{"first_at=2026-11-25T11:49:59Z"}},
		{"second_at order", []string{"second_at=2026-11-25T11:51:29Z"}},
		{"second_minutes not_number", []string{"second_minutes=1441"}},
		{"first_systolic missing", []string{"-first_systolic"}},
		{"first_position positions", []string{"base_position=sitting", "first_position=sitting"}},
		{"stopped not_of_list", []string{"stopped=maybe"}},
		{"stop_at missing", []string{"-first", "-second", "stopped=yes"}},
		{"symptom missing", []string{"-no_symptoms"}},
		{"symptom contrary", []string{"symptom=nausea"}},
		{"symptom not_of_list", []string{"symptom=hunger", "-no_symptoms"}},
		{"symptom no_upright", []string{"-first", "-second", "-no_symptoms", "symptom=nausea"}},
	} {
		_, problems := Read(with(whole(), c.changes...), options())
		if len(problems) == 0 || problems[0].Field+" "+string(problems[0].Why) != c.want {
			t.Errorf("%v: %v, want %s", c.changes, problems, c.want)
		}
	}
	o := options()
	o.AdmittedAt = now.Add(-72 * time.Hour)
	if _, problems := Read(with(whole(), "base_at=2026-11-24T11:59:59Z"), o); len(problems) != 1 || problems[0].Why != TooOld {
		t.Errorf("more than a day ago: %v", problems)
	}
	if s := read(t, with(whole(), "second_at=2026-11-25T12:05:00Z")); s.LastTaken().Before(now) {
		t.Error("a clock that is five minutes ahead is borne with")
	}
}

// The same content has the same sum, however often it is read; any other has another.
func TestTheSumTellsContents(t *testing.T) {
	first := read(t, whole()).Sum()
	later := options()
	later.Now = now.Add(time.Hour)
	if again, _ := Read(with(whole(), "confirm=stood"), later); again.Sum() != first {
		t.Error("sent again an hour later, a set has another sum")
	}
	for _, change := range []string{"base_systolic=143", "base_at=2026-11-25T11:50:00.001Z", "limb=left leg", "because=injury", "mobility=sit", "-restrict", "plain=yes", "lifted=R1", "told=provider 2026-11-25T11:55:00Z", "set=6f1c9b1e-0000-4000-8000-000000000002"} {
		if read(t, with(whole(), change)).Sum() == first {
			t.Errorf("%s has the same sum", change)
		}
	}
}

// The facts of a set are those that the CSV feed would read of the same columns.
func TestASetIsWhatTheFeedWouldTake(t *testing.T) {
	header := []string{"source_id", "stay_id", "taken_at", "systolic", "diastolic", "heart_rate", "position", "limb", "minutes_in_position", "set_id", "symptoms", "stopped_early", "recorded_at"}
	cell := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'f', -1, 64)
	}
	for _, changes := range [][]string{
		nil, {"-second", "-no_symptoms", "stopped=yes", "symptom=nausea"}, {"-first", "-second", "stopped=yes", "stop_at=2026-11-25T11:51:00Z"}, {"-first", "-second", "-no_", "hold=chest pain"},
	} {
		s := read(t, with(whole(), append(changes, "-restrict")...))
		for n, v := range s.Versions(now) {
			b := v.Body.(clinical.Vitals)
			stopped := map[bool]string{true: "yes"}[b.StoppedEarly]
			record := []string{v.SourceID, v.StayID, b.TakenAt.Format(time.RFC3339Nano), cell(b.Systolic), cell(b.Diastolic), cell(b.HeartRate),
				string(b.Position), b.Limb, cell(b.MinutesInPosition), b.SetID, strings.Join(b.Symptoms, ";"), stopped, v.RecordedAt.Format(time.RFC3339)}
			want, reason := csvfeed.Parse(clinical.KindVitals, header, record, options().Options)
			want.Feed, want.File, want.Line = Feed, Feed, n+1
			if reason != "" || !reflect.DeepEqual(v, want) {
				t.Errorf("%v: %s\n%+v\nwant %+v", changes, reason, v, want)
			}
		}
	}
}

// At both ends of V-PLAUSIBLE a figure is taken.
func TestTheEndsOfWhatIsBelievedAreTaken(t *testing.T) {
	read(t, with(whole(), "base_systolic=300", "base_diastolic=200", "base_pulse=300",
		"first_systolic=40", "first_diastolic=10", "first_pulse=20", "second_systolic=78", "second_diastolic=77.9"))
}

// What stands beside the readings lands as facts of its own: who cleared the patient, which
// limbs must not be measured from now on, and which may be again.
func TestClearanceAndRestrictionsLandAsFacts(t *testing.T) {
	s := read(t, with(whole(), "cleared_by=Dr A", "cleared_at=2026-11-25T11:40:00Z", "lifted=R1"))
	began := s.Baseline().TakenAt
	want := []clinical.Version{
		{Kind: clinical.KindClearance, SourceID: "bedside-" + id + "-clearances",
			Body: clinical.Clearance{ClearedAt: began.Add(-10 * time.Minute), By: "Dr A"}},
		{Kind: clinical.KindRestriction, SourceID: "bedside-" + id + "-right-arm",
			Body: clinical.Restriction{Limb: "right arm", Reason: "fistula", StartedAt: began}},
		{Kind: clinical.KindRestriction, SourceID: "R1",
			Body: clinical.Restriction{Limb: "left leg", Reason: "injury", StartedAt: now.Add(-5 * time.Hour), EndedAt: &began}},
	}
	o := options()
	later := began.Add(time.Minute)
	o.Restrictions["R1"] = clinical.Restriction{Limb: "left leg", Reason: "injury", StartedAt: later}
	if s, problems := Read(with(whole(), "lifted=R1"), o); len(problems) > 0 || !s.Lifted[0].EndedAt.Equal(later) {
		t.Errorf("a restriction that began after the set ends when it began: %+v, %v", s.Lifted, problems)
	}
	for n, v := range s.Versions(now)[3:] {
		w := want[n]
		w.StayID, w.RecordedAt, w.Stated, w.Status, w.Feed, w.File, w.Line = "S1", now, true, clinical.Final, Feed, Feed, n+4
		if !reflect.DeepEqual(v, w) {
			t.Errorf("%+v\nwant %+v", v, w)
		}
	}
}

// A cuff that could not read is a reading without figures, with what was seen.
func TestACuffThatCouldNotRead(t *testing.T) {
	s := read(t, with(whole(), "-first", "-second", "-no_", "-base_systolic", "-base_diastolic", "-base_pulse",
		"base_unread=yes", "symptom=confusion", "hold=chest pain", "told=provider 2026-11-25T11:55:00Z"))
	v := s.Baseline()
	if len(s.Readings) != 1 || v.Systolic != nil || !s.Readings[0].Unread || !slices.Equal(v.Symptoms, []string{"confusion", "chest pain"}) {
		t.Errorf("%+v", s.Readings)
	}
	if want := []Told{{TheProvider, now.Add(-5 * time.Minute)}}; !slices.Equal(s.Told, want) {
		t.Errorf("told %v", s.Told)
	}
	s = read(t, with(whole(), "-second", "-no_", "no_holds=yes", "-first_systolic", "-first_diastolic", "-first_pulse",
		"first_unread=yes", "stopped=yes", "symptom=loss of consciousness"))
	if last := s.Readings[1]; !last.Unread || last.Systolic != nil || !last.StoppedEarly || last.Position != clinical.Standing {
		t.Errorf("%+v", last)
	}
}

// Vital signs are readings of no set; a third reading is one like the others.
func TestVitalSignsAndAThirdReading(t *testing.T) {
	s := read(t, with(whole(), "plain=yes", "third_systolic=120", "third_at=2026-11-25T11:58:30Z", "third_minutes=8"))
	if len(s.Readings) != 4 || s.Readings[3].Name != Third || *s.Readings[3].MinutesInPosition != 8 {
		t.Errorf("%+v", s.Readings)
	}
	for _, r := range s.Readings {
		if r.SetID != "" {
			t.Errorf("%s is of the set %q", r.Name, r.SetID)
		}
	}
}

func TestIDsAreDistinctAndTaken(t *testing.T) {
	seen := map[string]bool{}
	for range 100 {
		id := NewID()
		if seen[id] || !uuid.MatchString(id) || id[14] != '4' || !slices.Contains([]byte("89ab"), id[19]) {
			t.Fatalf("the id %s", id)
		}
		seen[id] = true
	}
}

// A set that was taken in comes back from its message as it was, and a form of it that is
// sent again reads as the same set, though today's limits believe less.
func TestAKeptSetComesBackFromItsMessage(t *testing.T) {
	kept := Kept{Set: read(t, whole()), Who: "bedside-nurse", At: options().Now}
	m := kept.Message()
	if m.Feed != Feed || m.ID != kept.ID || m.StayID != kept.StayID || m.Sum != kept.Sum() || m.Who != kept.Who || !m.ReceivedAt.Equal(kept.At) {
		t.Errorf("the message is %+v", m)
	}
	back, err := KeptOf(m)
	if err != nil || back.Sum() != kept.Sum() || back.Who != kept.Who || !back.At.Equal(kept.At) {
		t.Errorf("it comes back as %+v (%v)", back, err)
	}
	o := OptionsOf(back, options().Zone)
	o.AdmittedAt = options().AdmittedAt
	again, problems := Read(whole(), o)
	if len(problems) > 0 || again.Sum() != kept.Sum() {
		t.Errorf("sent again it reads as %+v, %v", again, problems)
	}
	// A restriction that it lifted has ended since, and the chart does not offer it any more.
	lifted := with(whole(), "lifted=R1")
	ended := Kept{Set: read(t, lifted), At: options().Now}
	o = OptionsOf(ended, options().Zone)
	o.AdmittedAt = options().AdmittedAt
	if again, problems := Read(lifted, o); len(problems) > 0 || again.Sum() != ended.Sum() {
		t.Errorf("with a restriction lifted it reads as %+v, %v", again, problems)
	}
	strict := options()
	strict.Plausible.SystolicMax = 1
	if _, problems := Read(whole(), strict); len(problems) == 0 {
		t.Error("limits that believe nothing take it")
	}
}

func TestAMessageThatIsNoSetSaysSo(t *testing.T) {
	for body, want := range map[string]clinical.Code{"": clinical.NotFound, "{}": clinical.NotFound, "[": clinical.Internal} {
		if _, err := KeptOf(records.Message{ID: "x", Body: []byte(body)}); clinical.CodeOf(err) != want {
			t.Errorf("of %q: %v, want %s", body, err, want)
		}
	}
}
