package store

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// everyKind is a full version of every kind, its times in a zone and finer than
// they are kept.
func everyKind() []clinical.Version {
	zone := time.FixedZone("", -3*3600-1800)
	at := func(h float64) time.Time { return hours(h).Add(123_456_789).In(zone) }
	end := at(5)
	number, yes := 97.3333333333, true
	drug := clinical.Drug{Text: "furosemide <40 mg> & co", ATC: "C03CA01", RxNorm: "4603"}
	bodies := []clinical.Body{
		clinical.Stay{PatientID: "P1", Unit: "4W", Bed: "12A", Name: "Ó Briain, Zoë", BirthDate: "1940-02-29", Sex: "f", AdmittedAt: at(-1), DischargedAt: &end, NotAmbulatory: true},
		clinical.Vitals{TakenAt: at(1), Systolic: &number, Diastolic: &number, HeartRate: &number, Position: clinical.Standing, Limb: "left arm", MinutesInPosition: &number, SetID: "X", Symptoms: []string{"dizziness", "nausea"}, StoppedEarly: true, PressureUnit: "kPa"},
		clinical.Order{Drug: drug, Dose: &number, DoseUnit: "mg", Route: "oral", TimesPerDay: &number, StartAt: at(2), EndAt: &end, AsNeeded: true, NewDrug: true},
		clinical.Dose{Drug: drug, GivenAt: at(2), OrderID: "O1", Dose: &number, DoseUnit: "mg", Route: "oral"},
		clinical.Fluid{From: at(1), To: at(2), Direction: "in", VolumeML: 250, What: "iv"},
		clinical.Weight{MeasuredAt: at(1), KG: 81.6},
		clinical.Lab{TakenAt: at(1), LOINC: clinical.Haemoglobin, Value: 9.1, Unit: "g/dL"},
		clinical.Condition{ICD10: "I95.1", Text: "orthostatic hypotension"},
		clinical.Precaution{Precaution: "bed alarm", StartedAt: at(1), EndedAt: &end},
		clinical.Fall{FellAt: at(3), Injury: "minor", Assisted: &yes},
		clinical.Restriction{Limb: "left arm", Reason: "infusion", StartedAt: at(1), EndedAt: &end},
		clinical.Clearance{ClearedAt: at(3), By: "Ó Briain"},
		clinical.Answer{AnsweredAt: at(3), Answer: "declined", Reason: "<tired> & dizzy"},
		clinical.Treatment{GivenAt: at(3), What: "fluid bolus"},
	}
	var list []clinical.Version
	for _, b := range bodies {
		source := "id-" + string(b.FactKind())
		if b.FactKind() == clinical.KindStay {
			source = "S1"
		}
		list = append(list, version(source, "S1", at(4), b))
	}
	list[7].RecordedAt, list[7].Stated = time.Time{}, false // a condition known from admission
	return list
}

// kept is a version as it is expected back.
func kept(t *testing.T, v clinical.Version) clinical.Version {
	t.Helper()
	cut(&v.RecordedAt)
	switch b := v.Body.(type) {
	case clinical.Stay:
		cut(&b.AdmittedAt)
		cutEnd(&b.DischargedAt)
		v.Body = b
	case clinical.Vitals:
		cut(&b.TakenAt)
		v.Body = b
	case clinical.Order:
		cut(&b.StartAt)
		cutEnd(&b.EndAt)
		v.Body = b
	case clinical.Dose:
		cut(&b.GivenAt)
		v.Body = b
	case clinical.Fluid:
		cut(&b.From)
		cut(&b.To)
		v.Body = b
	case clinical.Weight:
		cut(&b.MeasuredAt)
		v.Body = b
	case clinical.Lab:
		cut(&b.TakenAt)
		v.Body = b
	case clinical.Precaution:
		cut(&b.StartedAt)
		cutEnd(&b.EndedAt)
		v.Body = b
	case clinical.Fall:
		cut(&b.FellAt)
		v.Body = b
	case clinical.Restriction:
		cut(&b.StartedAt)
		cutEnd(&b.EndedAt)
		v.Body = b
	case clinical.Clearance:
		cut(&b.ClearedAt)
		v.Body = b
	case clinical.Answer:
		cut(&b.AnsweredAt)
		v.Body = b
	case clinical.Treatment:
		cut(&b.GivenAt)
		v.Body = b
	}
	return v
}

// inUTC fails where a time is not in UTC, to the microsecond.
var inUTC = cmp.Comparer(func(a, b time.Time) bool {
	return a.Equal(b) && a.Location() == time.UTC && b.Location() == time.UTC && a.Nanosecond()%1000 == 0
})

func TestEveryKindComesBackAsItWas(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		given := everyKind()
		var kinds []clinical.Kind
		for _, v := range given {
			kinds = append(kinds, v.Kind)
		}
		if !slices.Equal(kinds, clinical.Kinds) {
			t.Fatalf("the test holds the kinds %v, want %v", kinds, clinical.Kinds)
		}
		for k := range codecs {
			if !slices.Contains(kinds, k) {
				t.Errorf("the kind %s has a codec and no test", k)
			}
		}
		load(t, s, in("all.csv", given...))
		got := versions(t, s, "S1")["S1"]
		slices.SortFunc(got, func(a, b clinical.Version) int { return a.Line - b.Line })
		var want []clinical.Version
		for _, v := range given {
			want = append(want, kept(t, v))
		}
		if diff := cmp.Diff(want, got, inUTC, cmpopts.IgnoreFields(clinical.Version{}, "Reading")); diff != "" {
			t.Errorf("what came back (-want +got):\n%s", diff)
		}
		if !got[7].RecordedAt.IsZero() {
			t.Errorf("a condition without recorded_at has %v, want the zero time", got[7].RecordedAt)
		}
		again := in("all.csv", got...)
		if r := load(t, s, again); r.Unchanged != len(given) {
			t.Errorf("what came back is not what was stored: %+v", r)
		}
	})
}

// A restriction may leave its beginning to its first version; the gap is kept.
func TestARestrictionWithoutABeginningComesBackWithout(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("all.csv", stay("S1", "4W", 0), version("r", "S1", hours(2), clinical.Restriction{Limb: "left arm", Reason: "other"})))
		for _, v := range versions(t, s, "S1")["S1"] {
			if b, ok := v.Body.(clinical.Restriction); ok && !b.StartedAt.IsZero() {
				t.Errorf("it began at %v", b.StartedAt)
			}
		}
	})
}

func versions(t *testing.T, s *Store, stays ...string) map[string][]clinical.Version {
	t.Helper()
	return get(s.Versions(t.Context(), stays))(t)
}

// Texts that one engine cannot keep come back alike from both.
func TestTextsThatOneEngineCannotKeep(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		odd := "a\x00b\xffc"
		v := vitals(odd, "S\x00", 0, 120)
		f := in("odd\x00.csv", v)
		f.name = odd
		f.held = []records.Held{{File: odd, Line: 9, SourceID: odd, Reason: odd, Status: clinical.Status(odd), Feed: odd,
			Original: []byte(odd), Context: []byte(odd)}}
		load(t, s, f)
		got := versions(t, s, "S\uFFFD")["S\uFFFD"]
		if len(got) != 1 || got[0].SourceID != "a\uFFFDb\uFFFDc" || got[0].File != "odd\uFFFD.csv" {
			t.Errorf("the version came back as %+v", got)
		}
		held := get(s.AllHeld(t.Context()))(t)
		if len(held) != 1 || held[0].Reason != "a\uFFFDb\uFFFDc" || string(held[0].Original) != odd || string(held[0].Context) != odd {
			t.Errorf("the row held back came back as %+v", held)
		}
	})
}

// A chart needs every version of a fact that was ever given to its stay.
func TestVersionsOfAFactThatMoved(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("v.csv",
			vitals("moved", "A", 0, 120), recordedAt(vitals("moved", "B", 0, 120), 1),
			recordedAt(retraction(clinical.KindVitals, "moved", "", 2), 2),
			vitals("of B", "B", 0, 130), vitals("of C", "C", 0, 140)))
		all := versions(t, s, "A", "B", "B", "nobody")
		for stay, want := range map[string]string{"A": "moved moved moved", "B": "moved moved moved of B", "nobody": ""} {
			var got []string
			for _, v := range all[stay] {
				got = append(got, v.SourceID)
			}
			if strings.Join(got, " ") != want {
				t.Errorf("versions of %s: %q, want %q", stay, got, want)
			}
		}
		if len(all) != 2 {
			t.Errorf("versions of %d stays, want 2", len(all))
		}
	})
}

func TestVersionsOfManyStays(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		rows := readings(3000)
		for n := range rows {
			rows[n].StayID = rows[n].SourceID // one a stay
		}
		load(t, s, in("v.csv", rows...))
		var stays []string
		for _, v := range rows {
			stays = append(stays, v.StayID)
		}
		all := versions(t, s, stays...)
		for _, v := range rows {
			if len(all[v.StayID]) != 1 {
				t.Fatalf("stay %s has %d versions, want 1", v.StayID, len(all[v.StayID]))
			}
		}
		if _, revisions, err := s.Digests(t.Context(), stays); err != nil || len(revisions) != len(stays) {
			t.Errorf("revisions of %d stays (%v), want %d", len(revisions), err, len(stays))
		}
		if held := get(s.HasFacts(t.Context(), clinical.KindVitals, append(stays, "no")))(t); len(held) != len(stays) {
			t.Errorf("%d facts are held, want %d", len(held), len(stays))
		}
	})
}

func TestCandidates(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("stays.csv",
			stay("open", "4W", 0),
			discharged(stay("left", "4W", 0), 10),
			stay("moved", "4W", 0), recordedAt(stay("moved", "5E", 0), 6),
			stay("void", "4W", 0), retraction(clinical.KindStay, "void", "void", 3),
			stay("later", "4W", 20),
			stay("elsewhere", "ICU", 0),
			retraction(clinical.KindStay, "never", "", 3)))
		for _, c := range []struct {
			unit string
			h    float64
			want string
		}{
			{"4W", -1, ""},
			{"4W", 0, "left moved open void"},
			{"4W", 2.9, "left moved open void"},
			{"4W", 3, "left moved open"},
			{"4W", 9.9, "left moved open"},
			{"4W", 10, "moved open"}, // a candidate: its chart tells that it has moved
			{"4W", 20, "later moved open"},
			{"5E", 7, "moved"},
			{"ICU", 1e5, "elsewhere"},
			{"none", 1, ""},
		} {
			got := get(s.Candidates(t.Context(), c.unit, hours(c.h)))(t)
			if strings.Join(got, " ") != c.want {
				t.Errorf("candidates for %s at %v h: %v, want %s", c.unit, c.h, got, c.want)
			}
		}
		for _, c := range []struct {
			unit     string
			from, to float64
			want     string
		}{
			{"4W", -5, 0, ""}, // to is outside
			{"4W", -5, 0.1, "left moved open void"},
			{"4W", 3, 10, "left moved open"},
			{"4W", 10, 20, "moved open"},
			{"4W", 10, 21, "later moved open"},
			{"5E", 0, 1, "moved"}, // a candidate: its chart tells when it came
			{"none", 0, 100, ""},
		} {
			got := get(s.Between(t.Context(), c.unit, hours(c.from), hours(c.to)))(t)
			if strings.Join(got, " ") != c.want {
				t.Errorf("candidates for %s from %v to %v h: %v, want %s", c.unit, c.from, c.to, got, c.want)
			}
		}
		if got := get(s.Units(t.Context()))(t); strings.Join(got, " ") != "4W 5E ICU" {
			t.Errorf("units = %v", got)
		}
	})
}

func TestUnitsAreListedInByteOrder(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		if units := get(s.Units(ctx))(t); units == nil || len(units) != 0 {
			t.Errorf("units of an empty store = %#v, want an empty list", units)
		}
		load(t, s, in("x.csv", stay("S1", "é", 0), stay("S2", "Z", 0), stay("S3", "a", 0), vitals("V1", "S9", 0, 120),
			retraction(clinical.KindVitals, "V2", "", 0)))
		if got := get(s.Units(ctx))(t); strings.Join(got, " ") != "Z a é" {
			t.Errorf("units = %v, want them in byte order", got)
		}
	})
}

// U-FRESH: when each kind of fact last came is told by the feeds, not by what was charted in
// this program, and by nothing that was recorded later.
func TestWhenTheFeedsLastSaidSomething(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		file := in("v.csv",
			recordedAt(vitals("first", "A", 0, 120), 1), recordedAt(vitals("of B", "B", 0, 120), 2),
			recordedAt(vitals("here", "A", 0, 120), 3), recordedAt(vitals("last", "A", 0, 120), 4))
		file.versions[2].Feed = clinical.BedsideFeed
		load(t, s, file)
		for by, want := range map[float64]float64{1.5: 1, 2: 2, 3.5: 2, 4: 4} {
			got := get(s.LastCame(t.Context(), []string{"A", "B"}, hours(by)))(t)
			if len(got) != 1 || !got[clinical.KindVitals].Equal(hours(want)) {
				t.Errorf("by hour %v: %v, want hour %v", by, got, want)
			}
		}
	})
}
