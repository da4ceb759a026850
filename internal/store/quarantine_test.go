package store

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func heldRowAt(name string, line int, source, reason string) records.Held {
	return records.Held{File: name, Line: line, Kind: clinical.KindVitals, SourceID: source, Status: "final", Reason: reason, Feed: "csv",
		Context: []byte("source_id,systolic"), Original: []byte(source + ",\"x;\"\"y\n\"\xff\x00")}
}

func TestRowsHeldBackFollowTheirFile(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		later := noon.Add(time.Hour)
		loadAt(t, s, noon,
			file{name: "/x/v.csv", held: []records.Held{heldRowAt("v.csv", 4, "V2", "b"), heldRowAt("v.csv", 2, "V1", "a"), heldRowAt("v.csv", 3, "gone", "a")}},
			file{name: "/y/v.csv", held: []records.Held{heldRowAt("v.csv", 2, "V1", "of another folder")}},
			in("w.csv", vitals("V2", "S1", 0, 120)))
		number := func(file string, line int) (id int64) {
			must(t, s.reading(t.Context()).Raw("SELECT id FROM quarantined_rows WHERE name = ? AND line = ?", file, line).Row().Scan(&id))
			return id
		}
		first, second := number("/x/v.csv", 2), number("/x/v.csv", 4)
		loadAt(t, s, later, file{name: "/x/v.csv", held: []records.Held{heldRowAt("v.csv", 2, "V1", "another reason"), heldRowAt("v.csv", 4, "V2", "b"), heldRowAt("v.csv", 5, "V2", "b")}})

		want := []records.Held{heldRowAt("v.csv", 2, "V1", "another reason"), heldRowAt("v.csv", 2, "V1", "of another folder"), heldRowAt("v.csv", 4, "V2", "b"), heldRowAt("v.csv", 5, "V2", "b")}
		for n := range want {
			want[n].FirstSeen, want[n].LastSeen = noon, later
			want[n].Correction = want[n].SourceID == "V2"
		}
		want[1].LastSeen = noon
		want[3].FirstSeen = later
		got := get(s.AllHeld(t.Context()))(t)
		if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(records.Held{}, "ID"), inUTC); diff != "" {
			t.Errorf("rows held back (-want +got):\n%s", diff)
		}
		if a, b := number("/x/v.csv", 2), number("/x/v.csv", 4); a != first || b != second {
			t.Errorf("rows that stand as they stood have the numbers %d and %d, want %d and %d as before", a, b, first, second)
		}
	})
}

func TestARowIsReleasedOnce(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("stays.csv", stay("S1", "4W", 0)), file{name: "v.csv", held: []records.Held{heldRowAt("v.csv", 2, "V1", "a"), heldRowAt("v.csv", 3, "V2", "a")}})
		held := get(s.AllHeld(t.Context()))(t)
		id := get(s.BeginLoad(t.Context(), noon, "retry"))(t)
		good := vitals("V1", "S1", 0, 120)
		good.File, good.Line = "v.csv", 2
		must(t, releaseRow(t, s, id, held[0].ID, good, nil))
		if err := releaseRow(t, s, id, held[0].ID, good, nil); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("released twice: %v", err)
		}
		if err := releaseRow(t, s, id, held[1].ID, clinical.Version{Kind: "unheard of"}, nil); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("released into nothing: %v", err)
		}
		r := get(s.FinishLoad(t.Context(), id, noon))(t)
		if ends(r) != "1 rows: 1 accepted, 0 unchanged, 0 superseded, 0 waiting, 0 quarantined" {
			t.Errorf("the load: %s", ends(r))
		}
		if left := get(s.AllHeld(t.Context()))(t); len(left) != 1 || left[0].SourceID != "V2" {
			t.Errorf("left in quarantine: %+v", left)
		}
		if len(versions(t, s, "S1")["S1"]) != 2 {
			t.Error("the released row is not stored")
		}
	})
}

// Held rows are gone through by place, of all loads or of one, each once, whatever is released.
func TestHeldRowsAreGoneThroughByPlace(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		var rows []records.Held
		for n := range 2*heldPart + 7 {
			rows = append(rows, heldRowAt("v.csv", n%(heldPart+11), "V", "a"))
		}
		large := heldRowAt("w.csv", 2, "W", "large")
		large.Original, large.RetryAt = make([]byte, chunkBytes), noon
		first, _ := loadAt(t, s, noon, file{name: "/x/v.csv", held: rows}, file{name: "/x/w.csv", held: []records.Held{large, large}})
		loadAt(t, s, noon, file{name: "/x/u.csv", held: []records.Held{heldRowAt("u.csv", 2, "U", "a")}})
		lines, met := []int{}, map[int64]bool{}
		must(t, s.EachHeld(t.Context(), records.HeldQuery{Load: first}, func(h records.Held) error {
			lines, met[h.ID] = append(lines, h.Line), true
			if len(h.Original) == 0 {
				t.Error("a row has lost what was received")
			}
			h.Reason, h.RetryAt = "another", noon.Add(time.Hour)
			return s.StaysHeld(t.Context(), h)
		}))
		if len(met) != len(rows)+2 || len(lines) != len(met) || !slices.IsSorted(lines[:len(rows)]) {
			t.Errorf("%d rows are met, %d of them once; want %d by place", len(lines), len(met), len(rows)+2)
		}
		due := get(s.HeldRows(t.Context(), records.HeldQuery{Due: noon.Add(59 * time.Minute), Bare: true}))(t)
		later := get(s.HeldRows(t.Context(), records.HeldQuery{Due: noon.Add(time.Hour), Bare: true, Limit: 1}))(t)
		if len(due) != 0 || len(later) != 1 || later[0].Reason != "another" || later[0].Original != nil {
			t.Errorf("due are %d rows, later %+v", len(due), later)
		}
	})
}

// Rows are found by what they say, why they are held, where they come from and when; and what the
// bounds drop is the oldest, counted and said for good.
func TestHeldRowsAreFoundAndBounded(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		row := func(file string, line int, source, reason, text string) records.Held {
			h := heldRowAt(file, line, source, reason)
			h.Context, h.Original = nil, []byte(text)
			return h
		}
		for day := range 3 {
			name := "v" + string(rune('0'+day)) + ".csv"
			loadAt(t, s, noon.AddDate(0, 0, day), file{name: name, held: []records.Held{
				row(name, 2, "A%", "no unit: \"mm_Hg\"", "Smith 100%"), row(name, 3, "b", "No Time", "smith_\xff 7"),
			}})
		}
		for n, c := range []struct {
			q    records.HeldQuery
			want int
		}{
			{records.HeldQuery{Text: "Smith"}, 3}, {records.HeldQuery{Text: "0%"}, 3}, {records.HeldQuery{Text: "_\xff"}, 3},
			{records.HeldQuery{Text: "S%h"}, 0}, {records.HeldQuery{Reason: "no TIME"}, 3}, {records.HeldQuery{Reason: "m_h"}, 3},
			{records.HeldQuery{Reason: "m%h"}, 0}, {records.HeldQuery{Source: "a%"}, 3}, {records.HeldQuery{Source: "V1.csv"}, 2},
			{records.HeldQuery{From: noon.AddDate(0, 0, 1)}, 4}, {records.HeldQuery{To: noon.AddDate(0, 0, 1)}, 2},
			{records.HeldQuery{From: noon.AddDate(0, 0, 1), To: noon.AddDate(0, 0, 2), Reason: "unit", Text: "100"}, 1},
		} {
			if got := get(s.HeldRows(t.Context(), c.q))(t); len(got) != c.want {
				t.Errorf("search %d finds %d rows, want %d", n, len(got), c.want)
			}
		}
		at := noon.AddDate(0, 0, 9)
		trim := func(before time.Time, most int64) string {
			t.Helper()
			var out []string
			for _, d := range get(s.TrimHeld(t.Context(), before, most, at))(t) {
				out = append(out, fmt.Sprintf("%s %s %s %d rows %d bytes", d.Feed, d.Kind, d.Why, d.Rows, d.Bytes))
			}
			return strings.Join(out, "; ")
		}
		if got := trim(time.Time{}, 1<<20); got != "" {
			t.Errorf("within the bounds %s are dropped", got)
		}
		if got := trim(noon.Add(time.Hour), 1<<20); got != "csv vitals age 2 rows 19 bytes" {
			t.Errorf("by age: %s", got)
		}
		if got := trim(noon, 19); got != "csv vitals size 2 rows 19 bytes" {
			t.Errorf("by size: %s", got)
		}
		left := get(s.AllHeld(t.Context()))(t)
		if len(left) != 2 || left[0].File != "v2.csv" || trim(noon, 18) != "csv vitals size 1 rows 10 bytes" {
			t.Errorf("left are %+v, want the newest", left)
		}
		state := get(s.Feeds(t.Context()))(t)
		if d := state.Dropped; len(d) != 2 || d[0].Rows != 2 || d[1].Rows != 3 || d[1].Bytes != 29 || !d[1].At.Equal(at) || state.Held != 1 {
			t.Errorf("%d held, dropped %+v", state.Held, d)
		}
	})
}
