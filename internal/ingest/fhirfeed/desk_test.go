package fhirfeed_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/policy"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// now is the moment of loading.
var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// site is the table of codes of the tests' site.
const site = `
codes:
  - {system: "urn:site", code: BA, kind: precaution, value: bed alarm}
  - {system: "urn:site", code: FIST, kind: restriction, value: left arm, reason: fistula}
  - {system: "urn:site", code: CLR, kind: clearance, words: {"OK": "yes", "NOT": "no"}}
  - {system: "urn:site", code: RECHECK, kind: answer, words: {DEC: declined, ELSE: done elsewhere}}
  - {system: "urn:site", code: FALL, kind: fall, words: {mild: minor, severe: major}}
  - {system: "urn:site", code: DIZZY, kind: symptom, value: dizziness, words: {"true": "yes", "false": "no"}}
  - {system: "urn:site", code: REST, kind: minutes_in_position}
  - {system: "urn:site", code: STOP, kind: stopped_early, words: {"true": "yes", "false": "no"}}
  - {system: "urn:site", code: SYS, kind: vital, value: 8480-6}
  - {system: "urn:site", code: FURO, kind: drug, value: C03CA01}
  - {system: "urn:site", code: WATER, kind: ignore}
  - {system: "urn:site", code: POS, kind: vital, value: 8361-8, words: {U: sitting, S: standing}}
  - {system: "urn:site", code: BED, kind: vital, value: 8361-8, words: {BED: lying}}
`

func siteSettings(t testing.TB) fhirfeed.Settings {
	t.Helper()
	entries, err := codes.Read([]byte(site))
	if err != nil {
		t.Fatal(err)
	}
	s := fhirfeed.Defaults()
	s.Codes = codes.New(entries)
	return s
}

// desk is a store of a test's own, and a loader of FHIR and CSV into it.
type desk struct {
	*ingest.Loader
	t   *testing.T
	db  *store.Store
	dir string
}

func newDesk(t *testing.T) desk { return deskOn(t, teststore.Empty(t)) }

func deskOn(t *testing.T, db *store.Store) desk {
	t.Helper()
	return desk{t: t, db: db, dir: t.TempDir(), Loader: &ingest.Loader{
		Store: db, Readers: []feed.Reader{fhirfeed.New(siteSettings(t)), csvfeed.Reader{}},
		Clock: func() time.Time { return now }, Zone: time.UTC,
		Plausible: func(v clinical.Vitals) []string {
			return text.Doubts(trends.Believe("", v, policy.Default().Policy.Plausible).Implausible)
		},
	}}
}

// load reads files, by name and text, in one load, and holds the summary to its sum.
func (d desk) load(files map[string]string) ingest.Summary {
	d.t.Helper()
	var paths []string
	for _, name := range slices.Sorted(maps.Keys(files)) {
		paths = append(paths, filepath.Join(d.dir, name))
		if err := os.WriteFile(paths[len(paths)-1], []byte(files[name]), 0o600); err != nil {
			d.t.Fatal(err)
		}
	}
	return d.loadPaths(paths...)
}

func (d desk) loadPaths(paths ...string) ingest.Summary {
	d.t.Helper()
	s, err := d.Load(d.t.Context(), paths, "test")
	if err != nil {
		d.t.Fatal(err)
	}
	if sum := s.Accepted + s.Unchanged + s.Superseded + s.Waiting + s.Skipped + s.Held; sum != s.Rows {
		d.t.Fatalf("the ends add up to %d, want the %d rows: %+v", sum, s.Rows, s)
	}
	return s
}

// ends is what became of a load's rows.
func ends(s ingest.Summary) string {
	return fmt.Sprintf("%d rows: %d accepted, %d unchanged, %d superseded, %d waiting, %d skipped, %d held",
		s.Rows, s.Accepted, s.Unchanged, s.Superseded, s.Waiting, s.Skipped, s.Held)
}

func problems(s ingest.Summary) string {
	var out []string
	for _, p := range s.Problems {
		out = append(out, p.String())
	}
	return strings.Join(out, "; ")
}

// chart is what is known of a stay at a moment, a line a fact, but the stay itself.
func (d desk) chart(stay string, at time.Time) string {
	d.t.Helper()
	versions, err := d.db.Versions(d.t.Context(), []string{stay})
	if err != nil {
		d.t.Fatal(err)
	}
	var out []string
	c := clinical.ChartAt(stay, versions[stay], at)
	for _, r := range c.Records {
		if r.Kind != clinical.KindStay {
			out = append(out, line(r.Version))
		}
	}
	for _, r := range c.Removed {
		out = append(out, "removed "+string(r.Kind)+" "+r.SourceID)
	}
	slices.Sort(out)
	return strings.Join(out, "\n")
}

// line is a fact in one line: what it says and nothing that is empty.
func line(v clinical.Version) string {
	values := v.Body.Values()
	var words []string
	for _, key := range slices.Sorted(maps.Keys(values)) {
		switch value := values[key].(type) {
		case nil:
		case time.Time:
			words = append(words, key+"="+value.Format("15:04"))
		case []string:
			if len(value) > 0 {
				words = append(words, key+"="+strings.Join(value, "+"))
			}
		default:
			if text := fmt.Sprint(value); text != "no" && text != "mm[Hg]" && text != "mL" && text != "kg" {
				words = append(words, key+"="+text)
			}
		}
	}
	at := ""
	if t := v.Body.OwnTime(); !t.IsZero() {
		at = " " + t.UTC().Format("02.15:04")
	}
	status := ""
	if v.Status != clinical.Final {
		status = " " + string(v.Status)
	}
	return strings.TrimSpace(fmt.Sprintf("%s %s%s%s %s", v.Kind, v.SourceID, at, status, strings.Join(words, " ")))
}

func (d desk) stay(stay string, at time.Time) string {
	d.t.Helper()
	versions, err := d.db.Versions(d.t.Context(), []string{stay})
	if err != nil {
		d.t.Fatal(err)
	}
	c := clinical.ChartAt(stay, versions[stay], at)
	if c.Stay == nil {
		return "none"
	}
	b := c.Stay
	out := fmt.Sprintf("%s on %s", b.PatientID, b.Unit)
	for _, word := range []string{b.Bed, b.Name, b.BirthDate, b.Sex} {
		if word != "" {
			out += " " + word
		}
	}
	if b.DischargedAt != nil {
		out += " until " + b.DischargedAt.Format("02.15:04")
	}
	return out
}

// bundled is a Bundle of resources. A line that begins with an address and a space before
// the brace gives the fullUrl.
func bundled(resources ...string) string {
	var entries []string
	for _, r := range resources {
		url, text, found := strings.Cut(r, " {")
		if !found || strings.HasPrefix(r, "{") {
			entries = append(entries, `{"resource":`+r+`}`)
			continue
		}
		entries = append(entries, `{"fullUrl":`+quoted(url)+`,"resource":{`+text+`}`)
	}
	return `{"resourceType":"Bundle","type":"collection","entry":[` + strings.Join(entries, ",\n") + `]}`
}

func quoted(s string) string {
	text, _ := json.Marshal(s)
	return string(text)
}

// The patient and the stay of most tests: on ward 4W from 08:00 of the 24th.
const (
	pat1 = `{"resourceType":"Patient","id":"P1","name":[{"family":"Old"},{"use":"official","family":"Tanoueva","given":["Ana","M"]}],
		"birthDate":"1945-02-13","gender":"female"}`
	ward = `{"resourceType":"Location","id":"W","name":"4W","physicalType":{"coding":[{"code":"wa"}]}}`
	enc1 = `{"resourceType":"Encounter","id":"E1","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/P1"},
		"period":{"start":"2026-11-24T08:00:00Z"},"location":[{"location":{"reference":"Location/W"}}]}`
)

// obs is an observation of the stay with a LOINC code; rest are its further members.
func obs(id, loinc, at, rest string) string {
	return fmt.Sprintf(`{"resourceType":"Observation","id":%q,"status":"final","code":{"coding":[{"system":"http://loinc.org","code":%q}]},
		"subject":{"reference":"Patient/P1"},"encounter":{"reference":"Encounter/E1"},"effectiveDateTime":"2026-11-%s"%s}`, id, loinc, at, rest)
}

func quantity(value, unit string) string {
	return fmt.Sprintf(`"valueQuantity":{"value":%s,"system":"http://unitsofmeasure.org","code":%q}`, value, unit)
}

func component(loinc, value string) string {
	return fmt.Sprintf(`{"code":{"coding":[{"system":"http://loinc.org","code":%q}]},%s}`, loinc, value)
}

func components(list ...string) string { return `,"component":[` + strings.Join(list, ",") + `]` }

// panel is a pressure of the stay: diastolic first, as some send it.
func panel(id, at string, systolic, diastolic int, rest string) string {
	return obs(id, "85354-9", at, components(
		component("8462-4", quantity(fmt.Sprint(diastolic), "mm[Hg]")), component("8480-6", quantity(fmt.Sprint(systolic), "mm[Hg]")))+rest)
}

const standingExtension = `,"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/observation-bodyPosition",
	"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"10904000"}]}}]`

func updated(at string) string { return `,"meta":{"lastUpdated":"2026-11-` + at + `Z"}` }

const lyingConcept = `"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"40199007"}]}`
