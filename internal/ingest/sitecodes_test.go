package ingest_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/codebook"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// A code that nobody told is listed; what is said of it in the app goes before the site's file, counts for
// what comes next and for what was held back, and is taken back to what the file says.
func TestWhatIsSaidOfACodeCountsAtOnce(t *testing.T) {
	for engine, open := range map[string]func(t *testing.T) *store.Store{
		"SQLite":     func(t *testing.T) *store.Store { return teststore.Empty(t) },
		"PostgreSQL": func(t *testing.T) *store.Store { return teststore.EmptyOnPostgres(t) },
	} {
		t.Run(engine, func(t *testing.T) {
			st := open(t)
			file := []codes.Entry{{System: "S", Code: "CLR", Kind: codes.Clearance, Words: map[string]string{"Y": codes.Yes}}}
			table := codes.New(file)
			l := both(t, st, nil)
			f := fhirfeed.Defaults()
			f.Codes = table
			l.Readers = []feed.Reader{fhirfeed.New(f), hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: f.StayClasses, Codes: table}}}
			book := &codebook.Book{Store: st, Clock: l.Clock, File: file, Table: table, Changed: func(ctx context.Context) error {
				_, err := l.Retry(ctx)
				return err
			}}
			message := func(obx ...string) string {
				return `MSH|^~\&|A|B|C|D|20261125080000||ORU^R01|1|P|2.5` + "\rPID|1||P^^^H^MR\rPV1|1|I|" + strings.Repeat("|", 16) +
					"V\rOBR|1||G|X|||20261125070000\r" + strings.Join(obx, "\r") + "\r"
			}
			s := loadText(t, l, "a.hl7", message("OBX|1|ST|CLR^May stand^S||OK||||||F", "OBX|2|ST|WALK^Walks^S||3||||||F", "OBX|3|NM|8480-6^^LN||12|cmHg|||||F"))
			if s.Held != 2 {
				t.Errorf("%+v", s)
			}
			loadText(t, l, "a.json", `{"resourceType":"Flag","id":"F","status":"active","code":{"coding":[{"system":"S","code":"RAIL","display":"Rails up"}]},
				"subject":{"reference":"Patient/P"},"encounter":{"reference":"Encounter/V"},"period":{"start":"2026-11-24T08:00:00Z"}}`)
			seen := func() (out []string) {
				list, err := book.Seen(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				for _, c := range list {
					out = append(out, fmt.Sprintf("%d %s %s %s|%s %s", c.Rows, c.Feed, c.Kind, c.System, c.Code, c.Text))
				}
				return out
			}
			want := []string{"1 fhir flag S|RAIL Rails up", "1 hl7 observation S|WALK Walks", "1 hl7 unit |cmHg ", "1 hl7 word S CLR|OK "}
			if diff := cmp.Diff(want, seen()); diff != "" {
				t.Error(diff)
			}
			words, err := codebook.Words("OK = yes; NOT=no")
			if err != nil {
				t.Fatal(err)
			}
			_, err = book.Save(t.Context(), records.Code{System: "S", Code: "CLR", Kind: "clearance", Words: words, Who: "ann"})
			if err != nil {
				t.Fatal(err)
			}
			held, err := st.HeldRows(t.Context(), records.HeldQuery{})
			if err != nil || len(held) != 1 || !strings.Contains(held[0].Reason, "cmHg") {
				t.Errorf("held still: %v %v", held, err)
			}
			if diff := cmp.Diff(want[:3], seen()); diff != "" {
				t.Error(diff)
			}
			// Another program on the same database takes it up.
			other := &codebook.Book{Store: st, Clock: l.Clock, File: file, Table: codes.New(file)}
			if err := other.Refresh(t.Context()); err != nil {
				t.Fatal(err)
			}
			if e, _ := other.Table.Find("S", "CLR"); e.Words["OK"] != codes.Yes || e.Words["Y"] != "" {
				t.Errorf("%+v", e)
			}
			if _, err := book.Save(t.Context(), records.Code{System: "S", Code: "CLR", Kind: records.CodeNothing, Who: "ann"}); err != nil {
				t.Fatal(err)
			}
			if e, _ := table.Find("S", "CLR"); e.Words["Y"] != codes.Yes {
				t.Errorf("taken back, the file does not hold: %+v", e)
			}
			if _, err := book.Save(t.Context(), records.Code{System: "S", Code: "RAIL", Kind: "precaution", Value: "rails", Who: "ann"}); err == nil ||
				!strings.Contains(err.Error(), "value is none of assisted rising") {
				t.Errorf("a word that is in no list: %v", err)
			}
		})
	}
}
