package app

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
)

var countsAt = time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)

// tryCommand runs a command, and returns what it prints and its exit code.
func tryCommand(t *testing.T, database string, args ...string) (string, int) {
	t.Helper()
	var out, log bytes.Buffer
	env := func(name string) string { return map[string]string{"PLUMBLINE_DATABASE": database}[name] }
	code := Run(context.Background(), args, env, nil, &out, &log)
	return out.String(), code
}

// What is held back is one number, whoever tells it: the summary of the load, the list of the command,
// the table of the page by kind, the page's own count and the metric. For every reader.
func TestWhatIsHeldBackAddsUpEverywhere(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		dir := t.TempDir()
		if database == "" {
			database = filepath.Join(dir, "counts.db")
		}
		feed := filepath.Join(dir, "feed")
		if err := os.Mkdir(feed, 0o700); err != nil {
			t.Fatal(err)
		}
		total := 0
		for _, f := range []struct {
			name, text string
			held       int
		}{
			{"stays.csv", "stay_id,patient_id,unit,admitted_at\nS1,P1,4W,2026-03-01T07:00:00Z\nS2,P2,4W,no time\n", 1},
			{"weights.csv", "source_id,stay_id,measured_at,weight\nw1,S1,2026-03-02T07:00:00Z,70\nw2,S1,2026-03-02T07:00:00Z,heavy\nw3,S1,x,70\n", 2},
			{"oru.hl7", adt("A01", "1", "H1", 1) + "\n" + oru("2", "H1", 2, "mm[Hg]") + "\n" + oru("3", "H1", 3, "") + "\n", -1},
			{
				"obs.ndjson", `{"resourceType":"Observation","id":"w","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},` +
					`"subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-03-02T07:00:00Z","valueQuantity":{"value":70}}` + "\n" +
					`{"resourceType":"Patient","id":"p"}` + "\n", 1,
			},
		} {
			path := filepath.Join(feed, f.name)
			if err := os.WriteFile(path, []byte(f.text), 0o600); err != nil {
				t.Fatal(err)
			}
			var s struct {
				Rows, Accepted, Unchanged, Superseded, Waiting, Skipped, Quarantined int
				Problems                                                             []struct{ Reason string }
			}
			out, code := tryCommand(t, database, "load", "--format", "json", path)
			if err := json.Unmarshal([]byte(out), &s); err != nil || code != 1 {
				t.Fatalf("%s: exit %d: %v: %s", f.name, code, err, out)
			}
			if s.Rows != s.Accepted+s.Unchanged+s.Superseded+s.Waiting+s.Skipped+s.Quarantined {
				t.Errorf("%s: the ends do not add up: %+v", f.name, s)
			}
			if s.Quarantined == 0 || f.held >= 0 && s.Quarantined != f.held || len(s.Problems) < s.Quarantined {
				t.Errorf("%s: %d rows are held and %d named, want %d", f.name, s.Quarantined, len(s.Problems), f.held)
			}
			total += s.Quarantined
		}
		var listed struct{ Quarantined []struct{ Reason string } }
		out, _ := tryCommand(t, database, "quarantine", "list", "--format", "json")
		if err := json.Unmarshal([]byte(out), &listed); err != nil || len(listed.Quarantined) != total {
			t.Errorf("the command lists %d rows (%v), want %d", len(listed.Quarantined), err, total)
		}
		if found, _ := tryCommand(t, database, "quarantine", "list", "--reason", "NO UNIT"); strings.Count(found, "no unit") == 0 ||
			strings.Contains(found, "heavy") {
			t.Errorf("those without a unit: %s", found)
		}
		if _, code := tryCommand(t, database, "quarantine", "list", "--kind", "bogus"); code != 2 {
			t.Errorf("a kind that is none ends with %d, want 2", code)
		}

		by := &ward{mllp: freeAddress(t)}
		i := startInstance(t, "PLUMBLINE_DATABASE="+database, "PLUMBLINE_MLLP_LISTEN="+by.mllp)
		within(t, "messages are taken", func() bool { return by.sent(adt("A01", "m1", "H2", 1), false) })
		two := oru("m2", "H2", 2, "") + oru("m3", "H2", 3, "mm[Hg]")[len("MSH|^~\\&|A|B|C|D|20260302000300+0000||ORU^R01|m3|P|2.5"):]
		for range 2 { // sent again, it changes nothing
			if !by.sent(two, false) || !by.sent(oru("m4", "NOBODY", 40, "mm[Hg]"), false) {
				t.Error("a message is not answered")
			}
		}
		if n, err := heldBy(database, "mllp"); err != nil || n != 2 {
			t.Errorf("of the messages %d rows are held, %v; want the two values without a unit", n, err)
		}
		total += 2
		_, metrics := get(t, i.url+"/metrics")
		if !strings.Contains(metrics, "\nplumbline_rows_quarantined "+strconv.Itoa(total)+"\n") {
			t.Errorf("the metric is another than %d: %s", total, regexp.MustCompile("plumbline_rows_quarantined.*").FindAllString(metrics, -1))
		}
		var ends struct{ rows, unchanged, skipped, held int }
		err := asked(database, "SELECT sum(rows), sum(unchanged), sum(skipped), sum(quarantined) FROM loads WHERE how = 'hl7'",
			&ends.rows, &ends.unchanged, &ends.skipped, &ends.held)
		if err != nil || ends.held != 2 || ends.rows != 5 || ends.unchanged+ends.skipped != 0 {
			t.Errorf("what became of the messages: %+v, %v", ends, err)
		}
		if !strings.Contains(metrics, "\nplumbline_rows_waiting 1\n") {
			t.Errorf("the metric of what waits: %s", regexp.MustCompile("plumbline_rows_waiting.*").FindAllString(metrics, -1))
		}
		i.kill()
		s := bareSite(t, database, countsAt)
		h, err := s.feedHealth(t.Context(), nil, countsAt)
		if err != nil {
			t.Fatal(err)
		}
		byKind, atLoad := 0, 0
		for _, k := range h.Kinds {
			byKind += k.HeldNow
			if k.Feed != hl7feed.Feed { // of that, the last message
				atLoad += k.Held
			}
		}
		rows, err := s.store.HeldRows(t.Context(), records.HeldQuery{Bare: true})
		if err != nil || h.Held != total || byKind != total || atLoad != 4 || len(rows) != total {
			t.Errorf("%v: the page says %d, by kind %d, as they were loaded %d (want 4), rows %d; want %d", err, h.Held, byKind, atLoad, len(rows), total)
		}
	})
}

// heldBy is how many rows are held of what came by a name.
func heldBy(database, name string) (n int, err error) {
	return n, asked(database, "SELECT count(*) FROM quarantined_rows WHERE file = '"+name+"'", &n)
}
