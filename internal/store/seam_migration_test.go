package store

import (
	"encoding/json"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/records"
)

// What was held, put right and sent from the bedside before rows of every format were
// kept alike is there afterwards, and is read as it was.
func TestHeldRowsSurviveTheirNewForm(t *testing.T) {
	header := []string{"source_id", "weight"}
	unparted := "w,\"7\"0\"\n\\"
	rows := []struct{ header, record []string }{
		{header, []string{"w", `"7o", or <70> & é\`}},
		{header, []string{"w", "", "two\nlines"}}, // more cells than columns
		{header, []string{"w"}},
		{nil, []string{unparted}},
		{[]string{}, []string{unparted}},
	}
	bare(t, func(t *testing.T, target string) {
		s := openTarget(t, target)
		migrateTo(t, s, 14)
		for n, r := range rows {
			text := func(list []string) string { return string(get(json.Marshal(list))(t)) }
			must(t, s.write.Exec(`INSERT INTO quarantined_rows (id, name, file, line, kind, source_id, status, reason, header, record, feed, load_id, first_seen, last_seen)
				VALUES (?, '/x/w.csv', 'w.csv', ?, 'weights', 'w', 'final', 'because', ?, ?, 'csv', 3, 7, 8)`, n+1, n+2, text(r.header), text(r.record)).Error)
			must(t, s.write.Exec(`INSERT INTO row_fixes (name, file, line, kind, source_id, feed, reason, header, record, new_header, new_record, who, at, load_id)
				VALUES ('/x/w.csv', 'w.csv', ?, 'weights', 'w', 'csv', 'because', ?, ?, ?, ?, 'root', 9, 3)`,
				n+2, text(r.header), text(r.record), text(header), text([]string{"w", `7"0`})).Error)
		}
		must(t, s.write.Exec(`INSERT INTO bedside_sets (id, stay_id, who, received_at, sum, body) VALUES ('A', 'S1', 'nurse', 5, 'one', '{}')`).Error)
		must(t, s.write.Exec(`INSERT INTO feed_files (name, size, rows, unchanged, quarantined, load_id, read_at, error) VALUES ('/x/w.csv', 9, 5, 0, 5, 3, 8, '')`).Error)
		must(t, s.Migrate(t.Context()))

		held, fixes := get(s.AllHeld(t.Context()))(t), get(s.FixesOf(t.Context(), "/x/w.csv"))(t)
		if len(held) != len(rows) || len(fixes) != len(rows) {
			t.Fatalf("%d rows held and %d put right, want %d of each", len(held), len(fixes), len(rows))
		}
		for n, r := range rows {
			wantHeader := r.header
			if len(wantHeader) == 0 {
				wantHeader = nil
			}
			h, f := held[n], fixes[n]
			for what, of := range map[string]records.Held{"held": h, "put right": f.Was} {
				header, record := csvfeed.Cells(of)
				if diff := cmp.Diff([2][]string{wantHeader, r.record}, [2][]string{header, record}); diff != "" {
					t.Errorf("row %d %s (-before +after):\n%s", n, what, diff)
				}
			}
			if h.ID != int64(n)+1 || h.Line != n+2 || h.Reason != "because" || h.FirstSeen != fromMicros(7) || h.Status != clinical.Final {
				t.Errorf("row %d held: %+v", n, h)
			}
			columns, cells := csvfeed.Cells(records.Held{Context: f.Context, Original: f.Original})
			if diff := cmp.Diff([2][]string{header, {"w", `7"0`}}, [2][]string{columns, cells}); diff != "" || f.Who != "root" || f.Source != "/x/w.csv" {
				t.Errorf("row %d put right: %+v (-before +after):\n%s", n, f, diff)
			}
		}
		want := records.Message{Feed: "bedside", ID: "A", Sum: "one", StayID: "S1", Who: "nurse", ReceivedAt: fromMicros(5), Body: []byte("{}")}
		if diff := cmp.Diff(want, get(s.Message(t.Context(), "bedside", "A"))(t)); diff != "" {
			t.Errorf("the set (-before +after):\n%s", diff)
		}
		if f := get(s.Feeds(t.Context()))(t).Files; len(f) != 1 || f[0].FileCounts != (records.FileCounts{Rows: 5, Held: 5}) {
			t.Errorf("the file: %+v", f)
		}
	})
}
