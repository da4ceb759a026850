package fhirfeed_test

import (
	"os"
	"strings"
	"testing"

	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
)

// The examples of docs/feeds.md are read as they stand there.
func TestTheExamplesOfTheDocsAreRead(t *testing.T) {
	text, err := os.ReadFile("../../../docs/feeds.md")
	if err != nil {
		t.Fatal(err)
	}
	var resources []string
	table := ""
	for n, block := range strings.Split(string(text), "```") {
		if json, ok := strings.CutPrefix(block, "json\n"); ok && n%2 == 1 {
			resources = append(resources, json)
		}
		if yaml, ok := strings.CutPrefix(block, "yaml\n"); ok && n%2 == 1 {
			table = yaml
		}
	}
	entries, err := codes.Read([]byte(table))
	if err != nil {
		t.Fatal(err)
	}
	s := fhirfeed.Defaults()
	s.Codes = codes.New(entries)
	d := newDesk(t)
	d.Readers = []feed.Reader{fhirfeed.New(s)}
	sum := d.load(map[string]string{"docs.json": strings.Join(resources, "\n")})
	if sum.Held+sum.Waiting+sum.Unreadable > 0 || sum.Rows != 14 {
		t.Errorf("%s [%s]", ends(sum), problems(sum))
	}
	want := `answers Observation/o3 02.09:00 answer=declined reason=tired
clearances Procedure/p1 02.10:00
conditions Condition/c1 icd10=G20
doses MedicationAdministration/a1 02.06:00 completed dose=40 dose_unit=mg drug=furosemide order_id=MedicationRequest/m1
falls AdverseEvent/x1 02.03:10 injury=minor
fluids Observation/o2 02.08:00 direction=out from=20:00 kind=urine to=08:00 volume=1200
orders MedicationRequest/m1 01.21:00 active atc=C03CA01 dose=40 dose_unit=mg drug=Furosemide 40 MG Oral Tablet times_per_day=2
precautions Flag/f1 01.21:00 precaution=bed alarm
restrictions Flag/f2 01.21:00 limb=left arm reason=fistula
vitals Observation/o1 02.07:01 diastolic=66 limb=left arm position=standing systolic=108`
	if got := d.chart("e1", now); got != want {
		t.Errorf("\n got %s\nwant %s", got, want)
	}
}
