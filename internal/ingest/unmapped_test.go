package ingest_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/codebook"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// local is a message of a reading with a symptom, and of whatever else, by the site's own codes.
func local(control string, obx ...string) string {
	return `MSH|^~\&|A|B|C|D|20261125080000||ORU^R01|` + control + "|P|2.5\rPID|1||P^^^H^MR\rPV1|1|I|" + strings.Repeat("|", 16) +
		"V\rOBR|1||G" + control + "|X|||20261125070000\rOBX|1|NM|8480-6^^LN||120|mm[Hg]|||||F\r" + strings.Join(obx, "\r") + "\r"
}

func rail(id string) string {
	return `{"resourceType":"Flag","id":"` + id + `","status":"active","code":{"coding":[{"system":"S","code":"RAIL"}]},
		"subject":{"reference":"Patient/P"},"encounter":{"reference":"Encounter/V"},"period":{"start":"2026-11-24T08:00:00Z"}}`
}

// coded is a site with a book of codes, whose rows are kept within a bound.
func coded(t *testing.T, st *store.Store, most int64) (*ingest.Loader, *codebook.Book) {
	st.KeepUnmapped = most
	l := both(t, st, nil)
	f := fhirfeed.Defaults()
	f.Codes = codes.New()
	l.Readers = []feed.Reader{fhirfeed.New(f), hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: f.StayClasses, Codes: f.Codes}}}
	return l, &codebook.Book{Store: st, Clock: l.Clock, Table: f.Codes, Changed: func(ctx context.Context) error {
		_, held := l.Retry(ctx)
		_, untold := l.RetryUnmapped(ctx)
		return errors.Join(held, untold)
	}}
}

func keptUntold(t *testing.T, st *store.Store) (out []string) {
	t.Helper()
	err := st.EachUnmapped(t.Context(), func(_ string, h records.Held) error {
		out = append(out, strings.ReplaceAll(h.Reason, "\n", ", "))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(out)
	return out
}

// What was skipped because nothing told its code comes by itself once the code is told, by file and by
// message; so does a part of what was used already, such as a symptom.
func TestWhatWasSkippedForItsCodeComesByItself(t *testing.T) {
	for engine, open := range map[string]func(t *testing.T) *store.Store{
		"SQLite":     func(t *testing.T) *store.Store { return teststore.Empty(t) },
		"PostgreSQL": func(t *testing.T) *store.Store { return teststore.EmptyOnPostgres(t) },
	} {
		t.Run(engine, func(t *testing.T) {
			st := open(t)
			l, book := coded(t, st, 1<<20)
			loadText(t, l, "v.json", `{"resourceType":"Encounter","id":"V","status":"in-progress","class":{"code":"IMP"},
				"subject":{"reference":"Patient/P"},"period":{"start":"2026-11-24T07:00:00Z"}}`)
			loadText(t, l, "a.json", rail("F"))
			loadText(t, l, "a.hl7", local("1", "OBX|2|ST|DIZ^^S||Y||||||F"))
			text := []byte(local("2", "OBX|2|NM|W8^^S||70|kg|||||F", "OBX|3|NM|NEVER^^S||1||||||F", "OBX|4|NM|8867-4^^LN||80||||||F"))
			m := records.Message{Feed: hl7feed.Feed, ID: "2", ReceivedAt: l.Clock()}
			if _, reason, err := l.Receive(t.Context(), m, "mllp", text); err != nil || reason != "" {
				t.Fatal(reason, err)
			}
			want := []string{"flag S RAIL", "observation S DIZ", "observation S NEVER, observation S W8"}
			if diff := cmp.Diff(want, keptUntold(t, st)); diff != "" {
				t.Error(diff)
			}
			facts := func() (out []string) {
				all, err := st.Versions(t.Context(), []string{"V"})
				if err != nil {
					t.Fatal(err)
				}
				for _, r := range clinical.ChartAt("V", all["V"], l.Clock()).Records {
					said := string(r.Kind)
					switch b := r.Body.(type) {
					case clinical.Vitals:
						said += fmt.Sprint(b.Symptoms)
					case clinical.Precaution:
						said += " " + b.Precaution
					}
					out = append(out, said)
				}
				slices.Sort(out)
				return out
			}
			if diff := cmp.Diff([]string{"stays", "vitals[]", "vitals[]"}, facts()); diff != "" {
				t.Error(diff)
			}
			held, err := st.AllHeld(t.Context())
			if err != nil || len(held) != 1 { // the pulse without a unit
				t.Fatalf("%d rows are held, %v", len(held), err)
			}
			for _, c := range []records.Code{
				{System: "S", Code: "RAIL", Kind: "precaution", Value: "bed alarm"},
				{System: "S", Code: "DIZ", Kind: "symptom", Value: "dizziness", Words: map[string]string{"Y": codes.Yes}},
				{System: "S", Code: "W8", Kind: "vital", Value: "29463-7"},
			} {
				c.Who = "ann"
				if _, err := book.Save(t.Context(), c); err != nil {
					t.Fatal(err)
				}
			}
			if diff := cmp.Diff([]string{"precautions bed alarm", "stays", "vitals[]", "vitals[dizziness]", "weights"}, facts()); diff != "" {
				t.Error(diff)
			}
			if diff := cmp.Diff([]string{"observation S NEVER"}, keptUntold(t, st)); diff != "" {
				t.Error(diff)
			}
			if again, err := st.AllHeld(t.Context()); err != nil || len(again) != 1 || again[0].ID != held[0].ID {
				t.Errorf("held are %+v, %v; want the pulse, once", again, err)
			}
			if n, err := l.RetryUnmapped(t.Context()); err != nil || n != 0 {
				t.Errorf("%d rows are read again of which nothing more is told, %v", n, err)
			}
		})
	}
}

// What is kept stays within its bound in each delivery, whatever it brings, and over all of them.
func TestWhatIsKeptForItsCodeIsBounded(t *testing.T) {
	st := teststore.Empty(t)
	l, _ := coded(t, st, 3000)
	var many []string
	for n := range 100 {
		many = append(many, strings.ReplaceAll(rail(fmt.Sprint("F", n)), "\n", " "))
	}
	loadText(t, l, "many.ndjson", strings.Join(many, "\n"))
	first := len(keptUntold(t, st))
	if first == 0 || first > 3000/len(many[0]) {
		t.Errorf("%d rows of %d bytes are kept", first, len(many[0]))
	}
	loadText(t, l, "again.ndjson", strings.Join(many, "\n"))
	if dropped, err := st.TrimUnmapped(t.Context(), l.Clock().AddDate(0, 0, -1)); err != nil || dropped == 0 || len(keptUntold(t, st)) > first {
		t.Errorf("%d are dropped, %v, %d stay", dropped, err, len(keptUntold(t, st)))
	}
	if _, err := st.TrimUnmapped(t.Context(), l.Clock().Add(time.Minute)); err != nil || len(keptUntold(t, st)) != 0 {
		t.Errorf("old rows stay: %v", err)
	}
}
