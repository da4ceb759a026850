package assess_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/report"
)

var epoch = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// minute draws a moment within six days of the epoch, often at whole hours so
// that windows and ties are hit.
func minute(t *rapid.T, name string) time.Time {
	m := rapid.IntRange(0, 6*24*60).Draw(t, name)
	if rapid.Bool().Draw(t, name+" on the hour") {
		m -= m % 60
	}
	return epoch.Add(time.Duration(m) * time.Minute)
}

func some[T any](t *rapid.T, name string, values ...T) T {
	return rapid.SampledFrom(values).Draw(t, name)
}

func maybe(t *rapid.T, name string, low, high int) *float64 {
	if rapid.IntRange(0, 9).Draw(t, name+" missing") == 0 {
		return nil
	}
	v := float64(rapid.IntRange(low, high).Draw(t, name))
	return &v
}

// drawVersion draws a version of some fact of one of two stays.
func drawVersion(t *rapid.T, n int) clinical.Version {
	kind := some(t, "kind", clinical.KindVitals, clinical.KindVitals, clinical.KindVitals, clinical.KindOrder,
		clinical.KindOrder, clinical.KindDose, clinical.KindFluid, clinical.KindWeight, clinical.KindFall,
		clinical.KindPrecaution, clinical.KindTreatment, clinical.KindCondition, clinical.KindFall,
		clinical.KindRestriction, clinical.KindClearance, clinical.KindAnswer, clinical.KindAnswer, clinical.KindAnswer)
	at := minute(t, "at")
	v := clinical.Version{
		Kind: kind, SourceID: fmt.Sprintf("%s-%d", kind, rapid.IntRange(0, 11).Draw(t, "id")),
		StayID: some(t, "stay", "S1", "S1", "S1", "S2"), RecordedAt: at, Status: clinical.Final,
		File: "feed.csv", Line: n,
	}
	later := at.Add(time.Duration(rapid.IntRange(0, 40).Draw(t, "hours later")) * time.Hour)
	if rapid.Bool().Draw(t, "stated") {
		v.Stated, v.RecordedAt = true, later
	}
	switch kind {
	case clinical.KindVitals:
		v.Body = clinical.Vitals{
			TakenAt: at, Systolic: maybe(t, "systolic", 60, 200), Diastolic: maybe(t, "diastolic", 40, 90),
			HeartRate: maybe(t, "pulse", 40, 130), Position: some(t, "position", clinical.Lying, clinical.Sitting, clinical.Standing),
			SetID: some(t, "set", "", "", "A", "B"), StoppedEarly: rapid.IntRange(0, 7).Draw(t, "stopped") == 0,
			Symptoms: some(t, "symptoms", nil, nil, []string{"dizziness"}), Limb: some(t, "limb", "", "left arm"),
			MinutesInPosition: maybe(t, "minutes", 1, 10),
		}
		if rapid.IntRange(0, 4).Draw(t, "here") == 0 {
			v.Feed = clinical.BedsideFeed
		}
	case clinical.KindOrder:
		v.Status = some(t, "status", clinical.Active, clinical.Active, clinical.OnHold, clinical.Stopped, clinical.Corrected)
		end := &later
		if rapid.Bool().Draw(t, "open") {
			end = nil
		}
		v.Body = clinical.Order{
			Drug: clinical.Drug{Text: some(t, "drug", "furosemide", "doxazosin", "lisinopril")}, StartAt: at, EndAt: end,
			Dose: maybe(t, "dose", 1, 3), DoseUnit: "mg", TimesPerDay: maybe(t, "times", 1, 2),
		}
	case clinical.KindDose:
		v.Status = clinical.Completed
		v.Body = clinical.Dose{Drug: clinical.Drug{Text: "furosemide"}, GivenAt: at, Dose: maybe(t, "dose", 20, 80), DoseUnit: "mg"}
	case clinical.KindFluid:
		v.Body = clinical.Fluid{From: at, To: later, Direction: some(t, "direction", "in", "out"), VolumeML: 500, What: "urine"}
		if !v.Stated {
			v.RecordedAt = later
		}
	case clinical.KindWeight:
		v.Body = clinical.Weight{MeasuredAt: at, KG: float64(rapid.IntRange(60, 70).Draw(t, "kg"))}
	case clinical.KindFall:
		v.Body = clinical.Fall{FellAt: at, Injury: some(t, "injury", "", "none", "major", "major")}
	case clinical.KindPrecaution:
		v.Body = clinical.Precaution{Precaution: some(t, "precaution", clinical.Precautions...), StartedAt: at, EndedAt: &later}
		if rapid.IntRange(0, 4).Draw(t, "here") == 0 {
			v.Feed = clinical.BedsideFeed
		}
	case clinical.KindRestriction:
		b := clinical.Restriction{Limb: "left arm", Reason: "fistula", EndedAt: &later}
		if !v.Stated || rapid.Bool().Draw(t, "begins") {
			b.StartedAt = at
		}
		v.Body = b
	case clinical.KindClearance:
		v.Body = clinical.Clearance{ClearedAt: at}
	case clinical.KindAnswer:
		v.Body = clinical.Answer{AnsweredAt: at, Answer: some(t, "answer", clinical.Answers...)}
	case clinical.KindTreatment:
		v.Body = clinical.Treatment{GivenAt: at, What: "fluid bolus"}
	case clinical.KindCondition:
		v.RecordedAt, v.Stated = later, true
		v.Body = clinical.Condition{ICD10: some(t, "code", "I48.0", "G20", "I50.1", "S32.0", "S72.0")}
	}
	if rapid.IntRange(0, 14).Draw(t, "retracted") == 0 {
		v.Status, v.Body, v.Stated, v.RecordedAt = clinical.EnteredInError, nil, true, later
	}
	return v
}

func drawFeed(t *rapid.T) []clinical.Version {
	vs := []clinical.Version{
		stayVersion("S1", epoch, nil), stayVersion("S2", epoch.Add(24*time.Hour), nil),
	}
	for n := range rapid.IntRange(5, 60).Draw(t, "versions") {
		vs = append(vs, drawVersion(t, n))
	}
	return vs
}

func stayVersion(id string, at time.Time, discharged *time.Time) clinical.Version {
	return clinical.Version{
		Kind: clinical.KindStay, SourceID: id, StayID: id, RecordedAt: at, Status: clinical.Final, File: "stays.csv",
		Body: clinical.Stay{PatientID: "P" + id, Unit: "4W", Bed: "1", BirthDate: "1950-01-01", AdmittedAt: at, DischargedAt: discharged},
	}
}

func serviceOf(vs []clinical.Version) (*assess.Service, *assesstest.Memory) {
	m := &assesstest.Memory{All: vs}
	return &assess.Service{Store: m, Policy: policy.Default(), Zone: time.UTC}, m
}

func answer(t *rapid.T, s *assess.Service, at time.Time, live bool) string {
	ask := s.List
	if live {
		ask = s.Live
	}
	list, err := ask(context.Background(), "4W", at)
	if err != nil {
		t.Fatal(err)
	}
	out, err := json.MarshalIndent(report.ListOf("4W", "", clinical.DefaultPolicy().Unit, list, s.Catalogue(at)), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// The live list, from digests made at one moment and used at later ones, equals
// the list from the facts known at each moment.
func TestLiveListEqualsListOfTheSameMoment(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, _ := serviceOf(drawFeed(t))
		// Often late, when little lies ahead and kept digests are used for long.
		at := minute(t, "first look").Add(time.Duration(some(t, "days on", 0, 3, 6, 6)) * 24 * time.Hour)
		for range 6 {
			if live, known := answer(t, s, at, true), answer(t, s, at, false); live != known {
				t.Fatalf("at %s\nlive %s\nknown %s", at, live, known)
			}
			at = at.Add(time.Duration(rapid.IntRange(1, 600).Draw(t, "minutes on")) * time.Minute)
		}
	})
}

// The age of a list is that of the whole list, though it is told from readings alone.
func TestTheAgeOfAListIsThatOfTheList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, _ := serviceOf(drawFeed(t))
		at := minute(t, "as of")
		list, err := s.List(context.Background(), "4W", at)
		if err != nil {
			t.Fatal(err)
		}
		want := alerts.FreshnessOf(list, clinical.DefaultPolicy().Unit, at)
		got, err := s.Freshness(context.Background(), "4W", at)
		got.Came = nil // the list does not tell it
		if err != nil || !cmp.Equal(got, want) {
			t.Fatalf("at %s: %+v, %v; of the list %+v", at, got, err, want)
		}
	})
}

// Any order and any repetition of the same versions give the same answer.
func TestOrderAndRepetitionChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs := drawFeed(t)
		at := minute(t, "as of")
		s, _ := serviceOf(vs)
		want := answer(t, s, at, false)

		mixed := append([]clinical.Version{}, vs...)
		for range rapid.IntRange(0, 5).Draw(t, "repeated") {
			mixed = append(mixed, vs[rapid.IntRange(0, len(vs)-1).Draw(t, "which")])
		}
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		random.Shuffle(len(mixed), func(a, b int) { mixed[a], mixed[b] = mixed[b], mixed[a] })
		s, _ = serviceOf(mixed)
		if got := answer(t, s, at, false); got != want {
			t.Fatalf("mixed %s\nwant %s", got, want)
		}
	})
}

// Nothing recorded after the moment asked for has any influence on the answer.
func TestNothingRecordedLaterChangesTheAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs := drawFeed(t)
		at := minute(t, "as of")
		s, _ := serviceOf(vs)
		want := answer(t, s, at, false)
		var known []clinical.Version
		for _, v := range vs {
			if !v.RecordedAt.After(at) {
				known = append(known, v)
			}
		}
		s, _ = serviceOf(append(known, stayVersion("S9", at.Add(time.Hour), nil))) // keeps the unit known
		if got := answer(t, s, at, false); got != want {
			t.Fatalf("known only %s\nwant %s", got, want)
		}
	})
}

// A fact that was taken back equals one that was never sent.
func TestRetractionEqualsNeverSent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vs := drawFeed(t)
		at := minute(t, "as of")
		gone := vs[rapid.IntRange(2, len(vs)-1).Draw(t, "which")]
		var without []clinical.Version
		last := epoch
		for _, v := range vs {
			if v.Kind == gone.Kind && v.SourceID == gone.SourceID {
				if v.RecordedAt.After(last) {
					last = v.RecordedAt
				}
				continue
			}
			without = append(without, v)
		}
		if last.After(at) {
			t.Skip("the retraction would not be known yet")
		}
		with := append(append([]clinical.Version{}, vs...), clinical.Version{
			Kind: gone.Kind, SourceID: gone.SourceID, RecordedAt: at, Stated: true,
			Status: clinical.EnteredInError, File: "zz.csv", Line: 1,
		})
		a, _ := serviceOf(with)
		b, _ := serviceOf(without)
		if got, want := answer(t, a, at, false), answer(t, b, at, false); got != want {
			t.Fatalf("taken back %s\nnever sent %s", got, want)
		}
	})
}

// A digest made while an answer may still move R-VOLUME holds the fluids of the 48 h
// before the answer, so that the kept one answers as the facts do, hour by hour.
func TestKeptDigestsHoldTheFluidsBeforeAnAnswer(t *testing.T) {
	hour := func(h int) time.Time { return epoch.Add(time.Duration(h) * time.Hour) }
	vs := []clinical.Version{stayVersion("S1", hour(-100), nil)}
	put := func(id string, at time.Time, b clinical.Body) {
		vs = append(vs, clinical.Version{
			Kind: b.FactKind(), SourceID: id, StayID: "S1", RecordedAt: at, Stated: true, Status: clinical.Final, File: "feed.csv", Line: len(vs), Body: b,
		})
	}
	put("in", hour(105), clinical.Fluid{From: hour(0), To: hour(105), Direction: "in", VolumeML: 105 * 40})
	for h := 40; h < 105; h++ { // without the hours 49 to 57 R-VOLUME had not held at 97
		ml := 60.0
		if h < 57 || h >= 97 {
			ml = 300
		}
		put(fmt.Sprint("out ", h), hour(105), clinical.Fluid{From: hour(h), To: hour(h + 1), Direction: "out", VolumeML: ml})
	}
	put("a", hour(97), clinical.Answer{AnsweredAt: hour(97), Answer: clinical.DoneElsewhere})
	s, _ := serviceOf(vs)
	moved := 0
	for h := 105; h < 112; h++ {
		for _, at := range []time.Time{hour(h), hour(h).Add(time.Minute)} {
			live, known := listOf(t, s.Live, at), listOf(t, s.List, at)
			if live[0].Recheck.Rule != known[0].Recheck.Rule || (live[0].Recheck.Answer == nil) != (known[0].Recheck.Answer == nil) ||
				!live[0].Recheck.DueAt.Equal(*known[0].Recheck.DueAt) {
				t.Errorf("at hour %d: %+v, known %+v", h, live[0].Recheck, known[0].Recheck)
			}
			if known[0].Recheck.Answer != nil && known[0].Recheck.Rule == alerts.RVolume {
				moved++
			}
		}
	}
	if moved == 0 {
		t.Error("no answer moved R-VOLUME at any moment")
	}
}

func listOf(t *testing.T, ask func(context.Context, string, time.Time) ([]alerts.Assessment, error), at time.Time) []alerts.Assessment {
	t.Helper()
	list, err := ask(context.Background(), "4W", at)
	if err != nil || len(list) != 1 || list[0].Recheck.DueAt == nil {
		t.Fatalf("at %s: %d patients, %v", at, len(list), err)
	}
	return list
}
