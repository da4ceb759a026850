package fhirfeed_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/drill"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// eachEngine runs a test on a store of each engine.
func eachEngine(t *testing.T, test func(t *testing.T, empty func() *store.Store)) {
	t.Run("SQLite", func(t *testing.T) { test(t, func() *store.Store { return teststore.Empty(t) }) })
	t.Run("PostgreSQL", func(t *testing.T) { test(t, func() *store.Store { return teststore.EmptyOnPostgres(t) }) })
}

// The demo unit as FHIR: in one file, and resource by resource in any order over many deliveries,
// some of them twice, is assessed alike, at every moment.
func TestTheOrderOfResourcesChangesNothing(t *testing.T) {
	drill.Long(t)
	w := &twin{byPlace: map[string]bool{}}
	for _, v := range demoVersions(t) {
		w.add(v)
	}
	settings := fhirfeed.Defaults()
	settings.Codes = codes.New(w.table)
	loaded := func(t *testing.T, st *store.Store, deliveries [][]string) desk {
		d := deskOn(t, st)
		d.Clock = teststore.Now
		d.Readers = []feed.Reader{fhirfeed.New(settings)}
		for n, lines := range deliveries {
			// In byte order of the names, as a hospital would number them: versions of one resource that
			// were recorded at one moment are not told apart otherwise, so each keeps its line below.
			path := filepath.Join(d.dir, fmt.Sprintf("%04d.ndjson", n))
			if err := os.WriteFile(path, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
				t.Fatal(err)
			}
			d.loadPaths(path)
		}
		return d
	}
	lists := func(st *store.Store) string {
		var out string
		for _, unit := range []string{"4W", "7E"} {
			for _, before := range []time.Duration{0, 8 * time.Hour, 30 * time.Hour, 4 * 24 * time.Hour} {
				out += listOf(t, st, unit, teststore.Now().Add(-before)) + "\n"
			}
		}
		return out
	}
	orders, err := strconv.ParseUint(drill.Draws(1), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	eachEngine(t, func(t *testing.T, empty func() *store.Store) {
		st := empty()
		loaded(t, st, [][]string{w.lines})
		want := lists(st)
		for n := range orders {
			seed := n
			if strings.HasSuffix(t.Name(), "PostgreSQL") {
				seed += orders // each engine its own
			}
			random := rand.New(rand.NewPCG(seed, 15)) //nolint:gosec // a shuffle
			lines := append([]string(nil), w.lines...)
			random.Shuffle(len(lines), func(a, b int) { lines[a], lines[b] = lines[b], lines[a] })
			var deliveries [][]string
			for len(lines) > 0 {
				n := min(len(lines), 1+random.IntN(80))
				some := lines[:n]
				lines = lines[n:]
				if again := random.IntN(len(w.lines)); random.IntN(3) == 0 {
					some = append(some[:n:n], w.lines[again:min(again+20, len(w.lines))]...)
				}
				deliveries = append(deliveries, some)
			}
			shuffled := empty()
			loaded(t, shuffled, deliveries)
			if diff := cmp.Diff(want, lists(shuffled)); diff != "" {
				t.Errorf("seed %d, %d deliveries (-one file +many):\n%.3000s", seed, len(deliveries), diff)
			}
		}
	})
}

// TestWhatComesLaterRenewsWhatRefersToIt: every resource that another refers to comes in a load of its
// own after it, and then changes.
func TestWhatComesLaterRenewsWhatRefersToIt(t *testing.T) {
	replaced := func(r, old, to string) string { return strings.Replace(r, old, to, 1) }
	eachEngine(t, func(t *testing.T, empty func() *store.Store) {
		d := deskOn(t, empty())
		n := 0
		load := func(resources ...string) string {
			n++
			s := d.load(map[string]string{fmt.Sprintf("%02d.json", n): bundled(resources...)})
			if s.Held > 0 {
				t.Errorf("load %d: %s", n, problems(s))
			}
			return ends(s)
		}
		expect := func(what, want, got string) {
			t.Helper()
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", what, diff)
			}
		}
		order := `{"resourceType":"MedicationRequest","id":"M","intent":"order","status":"active","subject":{"reference":"Patient/P1"},
			"encounter":{"reference":"Encounter/E1"},"authoredOn":"2026-11-24T09:00:00Z","medicationReference":{"reference":"urn:uuid:drug"},
			"dosageInstruction":[{"doseAndRate":[{"doseQuantity":{"value":1}}]}]}`
		drug := func(text, at string) string {
			return `urn:uuid:drug {"resourceType":"Medication","id":"D","code":{"text":"` + text + `"}` + updated(at) + `}`
		}
		weight := strings.Replace(obs("W", "29463-7", "25T06:00:00Z", ","+quantity("70", "kg")), `"encounter":{"reference":"Encounter/E1"},`, "", 1)
		cleared := `{"resourceType":"Procedure","id":"C","status":"completed","code":{"coding":[{"system":"urn:site","code":"CLR"}]},
			"subject":{"reference":"Patient/P1"},"encounter":{"reference":"Encounter/E1"},"performedDateTime":"2026-11-25T08:00:00Z",
			"performer":[{"actor":{"reference":"Practitioner/D"}}]}`
		expect("before anything is known", "4 rows: 0 accepted, 0 unchanged, 0 superseded, 4 waiting, 0 skipped, 0 held",
			load(order, panel("B", "25T07:00:00Z", 142, 78, ""), weight, cleared))
		expect("the visit", "1 rows: 1 accepted, 0 unchanged, 0 superseded, 0 waiting, 0 skipped, 0 held", load(enc1))
		expect("on a ward that nobody knows", "P1 on unassigned", d.stay("E1", now))
		expect("its facts", "clearances Procedure/C 25.08:00\nvitals Observation/B 25.07:00 diastolic=78 systolic=142\nweights Observation/W 25.06:00 weight=70", d.chart("E1", now))
		load(ward)
		expect("the ward", "P1 on 4W", d.stay("E1", now))
		load(replaced(pat1, `"id":"P1"`, `"id":"P1","identifier":[{"type":{"coding":[{"code":"MR"}]},"value":"77"}]`))
		expect("the patient", "77 on 4W Tanoueva, Ana M 1945-02-13 female", d.stay("E1", now))
		load(drug("Furosemide 40 MG Oral Tablet", "24T10:00:00"), `{"resourceType":"Practitioner","id":"D","name":[{"family":"Cole","given":["Ann"]}]}`)
		facts := "clearances Procedure/C 25.08:00 by=Cole, Ann\norders MedicationRequest/M 24.09:00 active dose=%s dose_unit=mg drug=%s\n" +
			"vitals Observation/B 25.07:00 diastolic=78 systolic=142\nweights Observation/W 25.06:00 weight=70"
		expect("the drug", fmt.Sprintf(facts, "40", "Furosemide 40 MG Oral Tablet"), d.chart("E1", now))
		load(drug("Furosemide 20 MG Oral Tablet", "24T11:00:00"))
		expect("another drug", fmt.Sprintf(facts, "20", "Furosemide 20 MG Oral Tablet"), d.chart("E1", now))
		load(replaced(ward, `"name":"4W"`, `"name":"5W"`))
		expect("the ward has another name", "77 on 5W Tanoueva, Ana M 1945-02-13 female", d.stay("E1", now))
		load(replaced(enc1, `"class":{"code":"IMP"}`, `"class":{"code":"AMB"}`+updated("25T09:00:00")))
		expect("it makes no stay", "none", d.stay("E1", now))
		expect("as was known before", "77 on 5W Tanoueva, Ana M 1945-02-13 female", d.stay("E1", time.Date(2026, 11, 25, 8, 30, 0, 0, time.UTC)))
	})
}

// Patients who turn out to be one, said by either, before and after the facts.
func TestPatientsAreMerged(t *testing.T) {
	old := func(rest string) string { return `{"resourceType":"Patient","id":"OLD"` + rest + `}` }
	new := func(rest string) string {
		return `{"resourceType":"Patient","id":"NEW","identifier":[{"type":{"coding":[{"code":"MR"}]},"value":"99"}]` + rest + `}`
	}
	stay := strings.Replace(enc1, "Patient/P1", "Patient/OLD", 1)
	weight := strings.NewReplacer("Patient/P1", "Patient/OLD", `"encounter":{"reference":"Encounter/E1"},`, "").
		Replace(obs("W", "29463-7", "25T06:00:00Z", ","+quantity("70", "kg")))
	for how, merge := range map[string][]string{
		"replaced-by": {old(`,"link":[{"other":{"reference":"Patient/NEW"},"type":"replaced-by"}]` + updated("25T07:00:00")), new("")},
		"replaces":    {old(""), new(`,"link":[{"other":{"reference":"Patient/OLD"},"type":"replaces"}]` + updated("25T07:00:00"))},
	} {
		eachEngine(t, func(t *testing.T, empty func() *store.Store) {
			for _, loads := range [][][]string{
				{{ward, stay, weight}, merge}, {merge, {weight}, {ward, stay}}, {{weight}, {merge[1]}, {stay}, {merge[0]}, {ward}},
			} {
				d := deskOn(t, empty())
				for n, resources := range loads {
					d.load(map[string]string{fmt.Sprintf("%d.json", n): bundled(resources...)})
				}
				before, after := d.stay("E1", time.Date(2026, 11, 25, 6, 30, 0, 0, time.UTC)), d.stay("E1", now)
				if before != "OLD on 4W" || after != "99 on 4W" || d.chart("E1", now) != "weights Observation/W 25.06:00 weight=70" {
					t.Errorf("%s: before %s, after %s\n%s", how, before, after, d.chart("E1", now))
				}
			}
		})
	}
}

// A reading moves to another patient's stay, and to another moment, whole and in parts, in any order.
func TestACorrectionMovesAReading(t *testing.T) {
	other := []string{strings.Replace(pat1, `"id":"P1"`, `"id":"P2"`, 1), strings.NewReplacer(`"id":"E1"`, `"id":"E2"`, "Patient/P1", "Patient/P2").Replace(enc1)}
	moved := func(r string) string {
		return strings.NewReplacer("Patient/P1", "Patient/P2", "Encounter/E1", "Encounter/E2", `"final"`, `"corrected"`).Replace(r)
	}
	systolic := func(at, known string) string {
		return obs("S", "8480-6", at, ","+quantity("142", "mm[Hg]")+updated(known))
	}
	diastolic := obs("D", "8462-4", "25T07:00:00Z", ","+quantity("78", "mm[Hg]")+updated("25T07:05:00"))
	for name, c := range map[string]struct {
		then      string
		here, two string
	}{
		"to another patient": {moved(systolic("25T07:00:00Z", "25T08:00:00")), "vitals Observation/D 25.07:00 corrected diastolic=78", "vitals Observation/S 25.07:00 corrected systolic=142"},
		"to another moment": {strings.Replace(systolic("25T06:00:00Z", "25T08:00:00"), `"final"`, `"corrected"`, 1),
			"vitals Observation/D 25.07:00 corrected diastolic=78\nvitals Observation/S 25.06:00 corrected systolic=142", ""},
		"to another kind": {strings.Replace(obs("S", "29463-7", "25T06:00:00Z", ","+quantity("70", "kg")+updated("25T08:00:00")), `"final"`, `"corrected"`, 1),
			"removed vitals Observation/S\nvitals Observation/D 25.07:00 corrected diastolic=78\nweights Observation/S 25.06:00 corrected weight=70", ""},
		"to a code that nobody knows": {strings.Replace(obs("S", "9279-1", "25T07:00:00Z", ","+quantity("14", "/min")+updated("25T08:00:00")), `"final"`, `"amended"`, 1),
			"removed vitals Observation/S\nvitals Observation/D 25.07:00 corrected diastolic=78", ""},
	} {
		t.Run(name, func(t *testing.T) {
			all := []string{systolic("25T07:00:00Z", "25T07:05:00"), diastolic, c.then}
			for _, order := range [][]int{{0, 1, 2}, {2, 1, 0}, {1, 2, 0}, {2, 0, 1}} {
				d := newDesk(t)
				d.load(map[string]string{"a.json": bundled(append(other, pat1, ward, enc1)...)})
				for _, n := range order {
					d.load(map[string]string{fmt.Sprintf("p%d.json", n): all[n]})
				}
				if diff := cmp.Diff([]string{c.here, c.two, "vitals Observation/S 25.07:00 diastolic=78 systolic=142"},
					[]string{d.chart("E1", now), d.chart("E2", now), d.chart("E1", time.Date(2026, 11, 25, 7, 30, 0, 0, time.UTC))}); diff != "" {
					t.Errorf("%v: %s", order, diff)
				}
			}
		})
	}
}

// Patients are named in several ways; what was measured of one at one moment is one reading.
func TestOnePatientUnderSeveralNames(t *testing.T) {
	patient := `urn:uuid:p {"resourceType":"Patient","id":"P1","identifier":[{"type":{"coding":[{"code":"MR"}]},"system":"urn:mr","value":"77"}]}`
	named := func(r, subject string) string { return strings.Replace(r, `{"reference":"Patient/P1"}`, subject, 1) }
	parts := []string{
		named(obs("S", "8480-6", "25T07:00:00Z", ","+quantity("142", "mm[Hg]")), `{"reference":"urn:uuid:p"}`),
		obs("D", "8462-4", "25T07:00:00Z", ","+quantity("78", "mm[Hg]")),
		named(obs("H", "8867-4", "25T07:00:00Z", ","+quantity("70", "/min")), `{"identifier":{"system":"urn:mr","value":"77"}}`),
	}
	for _, order := range [][]string{
		{patient, parts[0], parts[1], parts[2]}, {parts[2], parts[1], parts[0], patient}, {parts[1], patient, parts[2], parts[0]},
	} {
		d := newDesk(t)
		d.load(map[string]string{"a.json": bundled(ward, enc1)})
		for n, r := range order {
			d.load(map[string]string{fmt.Sprintf("p%d.json", n): bundled(r)})
		}
		if got := d.chart("E1", now); got != "vitals Observation/S 25.07:00 diastolic=78 heart_rate=70 systolic=142" {
			t.Errorf("%v: %s", order, got)
		}
	}
}
