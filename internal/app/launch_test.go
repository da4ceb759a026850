package app

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/idp"
)

// The record names patient and visit by ids of its own. What FHIR has brought says their numbers; where the feeds are
// of another kind, the record itself, if it shows them.
func TestTheStayThatTheRecordHasOpen(t *testing.T) {
	now := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	s := bareSite(t, filepath.Join(t.TempDir(), "site.db"), now)
	file := filepath.Join(t.TempDir(), "visits.json")
	feed := `{"resourceType":"Patient","id":"p1","identifier":[{"type":{"coding":[{"code":"MR"}]},"value":"MR-1"}]}
{"resourceType":"Patient","id":"p2"}
{"resourceType":"Encounter","id":"e-old","status":"finished","class":{"code":"IMP"},"subject":{"reference":"Patient/p1"},"period":{"start":"2026-10-01T08:00:00Z","end":"2026-10-05T08:00:00Z"},"identifier":[{"type":{"coding":[{"code":"VN"}]},"value":"V-old"}],"location":[{"location":{"display":"4W"}}]}
{"resourceType":"Encounter","id":"e-now","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/p1"},"period":{"start":"2026-11-20T08:00:00Z"},"identifier":[{"type":{"coding":[{"code":"VN"}]},"value":"V-now"}],"location":[{"location":{"display":"4W"}}]}
{"resourceType":"Encounter","id":"e-out","status":"in-progress","class":{"code":"AMB"},"subject":{"reference":"Patient/p1"},"period":{"start":"2026-11-21T08:00:00Z"}}
{"resourceType":"Encounter","id":"e-2","status":"in-progress","class":{"code":"IMP"},"subject":{"reference":"Patient/p2"},"period":{"start":"2026-11-20T08:00:00Z"},"location":[{"location":{"display":"7E"}}]}
`
	if err := os.WriteFile(file, []byte(feed), 0o600); err != nil {
		t.Fatal(err)
	}
	if sum, err := s.loader.Load(t.Context(), []string{file}, "test"); err != nil || len(sum.Problems) > 0 {
		t.Fatal(sum, err)
	}
	patient := func(id, number string) []byte {
		return []byte(`{"resourceType":"Patient","id":"` + id + `","identifier":[{"type":{"coding":[{"code":"MR"}]},"value":"` + number + `"}]}`)
	}
	for name, c := range map[string]struct {
		o    idp.Opened
		want string
	}{
		"the visit of now":                       {idp.Opened{Patient: "p1", Encounter: "e-now"}, "V-now"},
		"a visit of before":                      {idp.Opened{Patient: "p1", Encounter: "e-old"}, "V-old"},
		"no visit":                               {idp.Opened{Patient: "p1"}, "V-now"},
		"a visit that makes no stay":             {idp.Opened{Patient: "p1", Encounter: "e-out"}, "V-now"},
		"a visit that nobody knows":              {idp.Opened{Patient: "p1", Encounter: "e-9"}, "V-now"},
		"the visit of another patient":           {idp.Opened{Patient: "p1", Encounter: "e-2"}, "V-now"},
		"a patient and a visit without a number": {idp.Opened{Patient: "p2", Encounter: "e-2"}, "e-2"},
		"a number that the record shows":         {idp.Opened{Patient: "x", PatientJSON: patient("x", "MR-1")}, "V-now"},
		"a number of another patient":            {idp.Opened{Patient: "x", PatientJSON: patient("y", "MR-1")}, ""},
		"nobody":                                 {idp.Opened{Patient: "x"}, ""},
	} {
		got, err := s.openedStay(t.Context(), c.o, now)
		if missing := clinical.CodeOf(err) == clinical.NotFound; got.ID != c.want || missing != (c.want == "") || err != nil && !missing {
			t.Errorf("%s: %q, %v, want %q", name, got.ID, err, c.want)
		}
	}
}
