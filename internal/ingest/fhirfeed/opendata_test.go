package fhirfeed_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/internal/drill"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
)

// openData is a folder of published examples, which is not part of the project.
func openData(t *testing.T, name string) string {
	t.Helper()
	path := filepath.Join("..", "..", "..", "..", "shared", "data", name)
	if _, err := os.Stat(path); err != nil {
		t.Skipf("the open data are not here: %s", path)
	}
	return path
}

// stored counts the facts of each kind that are stored.
func (d desk) stored() string {
	d.t.Helper()
	state, err := d.db.Feeds(d.t.Context())
	if err != nil {
		d.t.Fatal(err)
	}
	var out []string
	for _, k := range state.Kinds {
		if n := k.Accepted + k.Superseded + k.Waiting + k.Unchanged; n > 0 {
			out = append(out, fmt.Sprintf("%s %d", k.Kind, n))
		}
	}
	return strings.Join(out, ", ")
}

// everyClass makes every encounter of the data a stay.
func (d desk) everyClass() desk {
	s := siteSettings(d.t)
	s.StayClasses = append(s.StayClasses, "AMB", "HH", "VR")
	d.Readers = []feed.Reader{fhirfeed.New(s)}
	return d
}

// The figures are counted by jq over the same files, without this program:
//
//	zcat *.gz | jq -r '.entry[].resource | select(.resourceType=="Encounter") | .class.code' | sort | uniq -c
//	   965 AMB, 80 EMER, 27 IMP; and 11,976 resources in all
//	zcat *.gz | jq -r '.entry[].resource | select(.resourceType=="Observation") | .code.coding[0].code' | sort | uniq -c
//	   302 55284-4 (pressures), 302 29463-7 (weights), 82 718-7 and 183 33914-3 (265 labs)
//	zcat *.gz | jq -r '.entry[].resource | select(.resourceType=="MedicationRequest") | .id' | wc -l
//	   270
func TestSyntheaIsReadToTheLastResource(t *testing.T) {
	drill.Long(t)
	d := newDesk(t)
	s := d.loadPaths(openData(t, "fhir-synthea"))
	if got := ends(s); got != "11976 rows: 163 accepted, 0 unchanged, 0 superseded, 0 waiting, 11813 skipped, 0 held" || s.Unreadable != 0 {
		t.Errorf("%s [%s]", got, problems(s))
	}
	if got := d.stored(); got != "stays 107, orders 46, labs 10" { // 80 + 27
		t.Error(got)
	}
}

// As above, with every encounter a stay: all facts of the data come to be.
func drillSynthea(t *testing.T) {
	all := newDesk(t).everyClass()
	s := all.loadPaths(openData(t, "fhir-synthea"))
	if got := all.stored(); got != "stays 1072, vitals 302, orders 270, weights 302, labs 265" || s.Held != 0 {
		t.Errorf("%s; %s [%s]", got, ends(s), problems(s))
	}
}

// A bulk export, one type of resource a file: what is in one refers to what is in another.
// zcat Encounter*.gz | jq -r .class.code | sort | uniq -c gives 49 IMP and 23 EMER beside those of no
// stay; log.ndjson is the export's own log, and no FHIR.
func TestABulkExportIsReadOverItsFiles(t *testing.T) {
	drill.Long(t)
	d := newDesk(t)
	s := d.loadPaths(openData(t, "fhir-bulk-ndjson"))
	if s.Unreadable != 1 || s.Held != 0 || s.Waiting != 0 || !strings.Contains(problems(s), "log.ndjson: the file is JSON, but no FHIR") {
		t.Errorf("%s [%s]", ends(s), problems(s))
	}
	if got := d.stored(); got != "stays 72, orders 475" {
		t.Error(got)
	}
}

// The examples of the standard and of a national guide: nothing is lost without a word.
func TestTheExamplesOfTheStandardAreReadOrNamed(t *testing.T) {
	drill.Long(t)
	for name, want := range map[string]struct {
		unreadable, rows int
		reasons          []string
	}{
		"fhir-spec-r4": {1, 902, []string{
			"Observation-blood-pressure.json:1 Observation/blood-pressure: no time of day",
			"MedicationRequest-medrx0329.json:1 MedicationRequest/medrx0329: drug is missing",
			"Bundle-father.json", "package.json: the file is JSON, but no FHIR",
		}},
		"fhir-uscore":            {0, 137, []string{"bp-data-absent.json:1 Observation/bp-data-absent: no time of day", "period.start is missing"}},
		"fhir-primitives-ndjson": {42, 0, []string{"decimal.valid.ndjson: the file is no FHIR in line 1"}},
	} {
		d := newDesk(t)
		s := d.loadPaths(openData(t, name))
		if s.Unreadable != want.unreadable || s.Rows != want.rows {
			t.Errorf("%s: %d unreadable, %s", name, s.Unreadable, ends(s))
		}
		for _, reason := range want.reasons {
			if !strings.Contains(problems(s), reason) {
				t.Errorf("%s: no word of %s in\n%s", name, reason, strings.ReplaceAll(problems(s), "; ", "\n"))
			}
		}
	}
}

// An encounter that moved through wards, in one resource and with text alone.
func TestAnEmergencyMovesThroughWards(t *testing.T) {
	d := newDesk(t)
	d.loadPaths(filepath.Join(openData(t, "fhir-spec-r4"), "Encounter-emerg.json"))
	for at, want := range map[string]string{
		"2017-01-31T21:14:00Z": "none",
		"2017-01-31T21:15:00Z": "example on Emergency Waiting Room",
		"2017-01-31T22:45:00Z": "example on Emergency",
		"2017-01-31T23:27:00Z": "example on Ward 1, Room 42, Bed 1",
	} {
		moment, _ := feed.ParseTime(at, d.Zone)
		if got := d.stay("emerg", moment); got != want {
			t.Errorf("%s: %s, want %s", at, got, want)
		}
	}
}
