package app

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/records"
	"plumbline/internal/web/feeds"
)

// bareSite is a site on a fresh database.
func bareSite(t *testing.T, database string, now time.Time) *site {
	t.Helper()
	p := newProcess(t, database, now)
	s, _, err := p.parse("test", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	site, err := p.open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(site.close)
	return site
}

// feedOf writes feed files and reads their folder.
func feedOf(t *testing.T, s *site, folder string, files map[string]string) string {
	t.Helper()
	for name, rows := range files {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(rows), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	summary, err := s.loader.Load(t.Context(), []string{folder}, "test")
	if err != nil {
		t.Fatal(err)
	}
	var problems []string
	for _, p := range summary.Problems {
		problems = append(problems, p.String())
	}
	if sum := summary.Accepted + summary.Unchanged + summary.Superseded + summary.Waiting + summary.Held; sum != summary.Rows {
		t.Errorf("the ends add up to %d, want the %d rows", sum, summary.Rows)
	}
	return strings.Join(problems, "; ")
}

const (
	deskStays  = "stay_id,patient_id,unit,admitted_at\nS1,P1,4W,2026-11-24T08:00:00Z\n"
	deskVitals = "source_id,stay_id,taken_at,systolic,position\nv1,S1,2026-11-25T07:00:00Z,12o,lying\n"
)

func deskSystolic(t *testing.T, s *site, at time.Time) any {
	t.Helper()
	chart, err := s.service.Chart(t.Context(), "S1", at)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range chart.Records {
		if r.SourceID == "v1" {
			return *r.Body.(clinical.Vitals).Systolic
		}
	}
	return nil
}

// A row that is put right counts as if it had come so, outlasts the next readings of
// its file, and gives way to what the source itself says (docs/feeds.md).
func TestARowPutRightOutlastsItsFile(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
		s := bareSite(t, database, now)
		desk := &feeds.Desk{Rows: s.store, Loader: s.loader, Log: s.log}
		folder := t.TempDir()
		if got := feedOf(t, s, folder, map[string]string{"stays.csv": deskStays, "vitals.csv": deskVitals}); got != `vitals.csv:2 v1: systolic is not a number: "12o"` {
			t.Fatalf("at first: %s", got)
		}
		held, err := desk.Rows.HeldRows(t.Context(), records.HeldQuery{Limit: 9})
		if err != nil || len(held) != 1 {
			t.Fatal(held, err)
		}
		row, err := desk.Row(t.Context(), held[0].ID)
		if err != nil || row.Record[3] != "12o" || len(row.Columns) < 10 {
			t.Fatalf("the row as it was received: %+v, %v", row, err)
		}

		right := func(systolic string) (ingest.Summary, string) {
			t.Helper()
			cells := append([]string{}, row.Record...)
			cells[3] = systolic
			ends, reason, err := desk.Fix(t.Context(), row.ID, row.Header, cells, "root")
			if err != nil {
				t.Fatal(err)
			}
			return ends, reason
		}
		if _, reason := right("12p"); reason != `systolic is not a number: "12p"` || deskSystolic(t, s, now) != nil {
			t.Errorf("still wrong: %q", reason)
		}
		if ends, reason := right("120"); reason != "" || ends.Accepted != 1 || deskSystolic(t, s, now) != 120.0 {
			t.Errorf("put right: %+v, %q, systolic %v", ends, reason, deskSystolic(t, s, now))
		}
		fixed, err := desk.Fixed(t.Context(), 5)
		if err != nil || len(fixed) != 1 || fixed[0].Who != "root" || !fixed[0].At.Equal(now) ||
			len(fixed[0].Changed) != 1 || fixed[0].Changed[0] != (feeds.ChangedCell{Column: "systolic", Was: "12o", Is: "120"}) {
			t.Errorf("kept of it: %+v, %v", fixed, err)
		}

		// The file grows, and the row stands in it as it did, one line further down.
		grown := strings.Replace(deskVitals, "\nv1", "\nv2,S1,2026-11-25T08:00:00Z,130,lying\nv1", 1)
		if got := feedOf(t, s, folder, map[string]string{"vitals.csv": grown}); got != "" || deskSystolic(t, s, now) != 120.0 {
			t.Errorf("after the file grew: %s; systolic %v", got, deskSystolic(t, s, now))
		}
		if held, err := desk.Rows.HeldRows(t.Context(), records.HeldQuery{Limit: 9}); err != nil || len(held) > 0 {
			t.Errorf("held back again: %+v, %v", held, err)
		}

		// The source sends it right itself: that counts.
		if got := feedOf(t, s, folder, map[string]string{"vitals.csv": strings.Replace(grown, "12o", "125", 1)}); got != "" || deskSystolic(t, s, now) != 125.0 {
			t.Errorf("after the source put it right: %s; systolic %v", got, deskSystolic(t, s, now))
		}
	})
}

func TestAllRowsAreReadAgain(t *testing.T) {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC) // the clock is an hour slow
	s := bareSite(t, "", now)
	folder := t.TempDir()
	feedOf(t, s, folder, map[string]string{"stays.csv": deskStays, "vitals.csv": strings.Replace(deskVitals, "12o", "120", 1)})
	desk := &feeds.Desk{Rows: s.store, Loader: s.loader, Log: s.log}
	if ends, done, err := desk.Retry(t.Context(), 0); err != nil || !done || ends.Held != 1 || len(ends.Problems) != 1 {
		t.Errorf("while the clock is slow: %+v, %v, %v", ends, done, err)
	}
	s.loader.Clock = func() time.Time { return now.Add(2 * time.Hour) }
	if ends, done, err := desk.Retry(t.Context(), 0); err != nil || !done || ends.Accepted != 1 {
		t.Errorf("after the clock was put right: %+v, %v, %v", ends, done, err)
	}
	if _, _, err := desk.Retry(t.Context(), 1); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("a row that is not held back: %v", err)
	}
}

// What the page of the feeds is told: kinds in order, files by their whole names.
func TestTheHealthOfFeedsNamesKindsAndFiles(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	s := bareSite(t, "", now)
	folder := t.TempDir()
	if err := os.Mkdir(filepath.Join(folder, "night"), 0o700); err != nil {
		t.Fatal(err)
	}
	feedOf(t, s, folder, map[string]string{"stays.csv": deskStays, "night/vitals.csv": deskVitals})
	h, err := s.feedHealth(t.Context(), nil, now)
	if err != nil || len(h.Kinds) != 2 || h.Kinds[0].Kind != clinical.KindStay || h.Kinds[1].HeldNow != 1 || len(h.Telling) != 0 {
		t.Fatalf("%+v, %v", h.Kinds, err)
	}
	var names []string
	for _, f := range h.Files {
		names = append(names, f.Name)
	}
	slices.Sort(names)
	if want := []string{filepath.Join(folder, "night", "vitals.csv"), filepath.Join(folder, "stays.csv")}; !slices.Equal(names, want) {
		t.Errorf("files %q, want %q", names, want)
	}
}
