package store

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func kindsOf(tb testing.TB, s *Store) string {
	tb.Helper()
	at := func(t time.Time) string {
		if t.IsZero() {
			return "never"
		}
		return fmt.Sprint(t.Sub(noon).Hours())
	}
	var out []string
	for _, k := range get(s.Feeds(tb.Context()))(tb).Kinds {
		if k.Rows != k.Accepted+k.Unchanged+k.Superseded+k.Waiting+k.Held {
			tb.Errorf("the ends do not add up: %+v", k)
		}
		out = append(out, fmt.Sprintf("%s %s read %s new %s newest %s: %d accepted %d unchanged %d superseded %d waiting %d quarantined; now %d held %d waiting",
			k.Feed, k.Kind, at(k.ReadAt), at(k.NewAt), at(k.NewestAt), k.Accepted, k.Unchanged, k.Superseded, k.Waiting, k.Held, k.HeldNow, k.WaitingNow))
	}
	return strings.Join(out, "\n")
}

// Each kind of a feed tells what became of its rows at the last load that brought any;
// the ends are those of docs/feeds.md, counted by hand.
func TestWhatBecameOfTheRowsOfEachKind(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		want := func(when, text string) {
			t.Helper()
			if diff := cmp.Diff(text, kindsOf(t, s)); diff != "" {
				t.Errorf("%s (-want +got):\n%s", when, diff)
			}
		}
		want("before any load", "")
		first := []clinical.Version{
			vitals("V1", "S1", -3, 120), recordedAt(vitals("V1", "S1", -3, 121), -2), // one supersedes the other
			vitals("V2", "S9", -1, 120),                // waits
			recordedAt(vitals("V3", "S1", -4, 120), 5), // recorded in time to come
		}
		loadAt(t, s, noon, in("stays.csv", stay("S1", "4W", -8)), in("vitals-1.csv", first...),
			file{name: "weights.csv", held: []records.Held{weightHeld(2)}})
		want("after the first load", strings.Join([]string{
			"csv stays read 0 new 0 newest -8: 1 accepted 0 unchanged 0 superseded 0 waiting 0 quarantined; now 0 held 0 waiting",
			"csv vitals read 0 new 0 newest -1: 2 accepted 0 unchanged 1 superseded 1 waiting 0 quarantined; now 0 held 1 waiting",
			"csv weights read 0 new never newest never: 0 accepted 0 unchanged 0 superseded 0 waiting 1 quarantined; now 1 held 0 waiting",
		}, "\n"))

		// The file again, grown by a row: the counts are those of this load, the newest stays.
		loadAt(t, s, hours(1), in("vitals-1.csv", append(first, vitals("V4", "S1", -6, 99))...))
		want("after a file that grew", strings.Join([]string{
			"csv stays read 0 new 0 newest -8: 1 accepted 0 unchanged 0 superseded 0 waiting 0 quarantined; now 0 held 0 waiting",
			"csv vitals read 1 new 1 newest -1: 1 accepted 3 unchanged 0 superseded 1 waiting 0 quarantined; now 0 held 1 waiting",
			"csv weights read 0 new never newest never: 0 accepted 0 unchanged 0 superseded 0 waiting 1 quarantined; now 1 held 0 waiting",
		}, "\n"))

		loadAt(t, s, hours(2), in("vitals-1.csv", first[0]))
		// Rows read again or put right are no message of the feed.
		held := get(s.AllHeld(t.Context()))(t)
		for _, how := range []string{LoadRetry, LoadFix} {
			id := get(s.BeginLoad(t.Context(), hours(3), how))(t)
			if how == LoadFix {
				must(t, releaseRow(t, s, id, held[0].ID, weightAt("W", -1), &records.Fix{Who: "root", At: hours(3)}))
			}
			must(t, finish(t, s, id))
		}
		if last := get(s.Feeds(t.Context()))(t).LastLoad; last == nil || !last.StartedAt.Equal(hours(2)) {
			t.Errorf("the last load is %+v, want the last that read a file", last)
		}
		want("after rows were put right", strings.Join([]string{
			"csv stays read 0 new 0 newest -8: 1 accepted 0 unchanged 0 superseded 0 waiting 0 quarantined; now 0 held 0 waiting",
			"csv vitals read 2 new 1 newest -1: 0 accepted 1 unchanged 0 superseded 0 waiting 0 quarantined; now 0 held 1 waiting",
			"csv weights read 0 new never newest never: 0 accepted 0 unchanged 0 superseded 0 waiting 1 quarantined; now 0 held 0 waiting",
		}, "\n"))
	})
}

func finish(tb testing.TB, s *Store, id int64) error {
	tb.Helper()
	_, err := s.FinishLoad(tb.Context(), id, hours(4))
	return err
}

func weightHeld(line int) records.Held {
	return records.Held{File: "weights.csv", Line: line, Kind: clinical.KindWeight, SourceID: "W", Status: "final", Reason: "weight is not a number", Feed: "csv",
		Context: []byte("source_id,weight"), Original: fmt.Append(nil, "W,7o ", line)}
}

func weightAt(id string, h float64) clinical.Version {
	v := version(id, "S1", hours(h), clinical.Weight{MeasuredAt: hours(h), KG: 70})
	v.Feed, v.File, v.Line = "csv", "weights.csv", 2
	return v
}

func TestARowPutRightIsKeptAsItCame(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("stays.csv", stay("S1", "4W", -8)), file{name: "/x/weights.csv", held: []records.Held{weightHeld(2), weightHeld(3)}})
		held := get(s.AllHeld(t.Context()))(t)
		id := get(s.BeginLoad(t.Context(), noon, LoadFix))(t)
		fix := &records.Fix{Context: []byte("source_id,weight"), Original: []byte("W,70"), Who: "root", At: hours(1)}
		must(t, releaseRow(t, s, id, held[0].ID, weightAt("W", -1), fix))
		if err := releaseRow(t, s, id, held[0].ID, weightAt("W", -1), fix); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("put right twice: %v", err)
		}
		if err := releaseRow(t, s, id, held[1].ID, clinical.Version{Kind: "unheard of"}, fix); clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("put right into nothing: %v", err)
		}
		must(t, finish(t, s, id))

		want := []records.Fix{{Source: "/x/weights.csv", Was: records.Held{
			File: "weights.csv", Line: 2, Kind: clinical.KindWeight, SourceID: "W", Feed: "csv", Reason: "weight is not a number",
			Context: []byte("source_id,weight"), Original: []byte("W,7o 2"),
		}, Context: fix.Context, Original: fix.Original, Who: "root", At: hours(1),
		}}
		for name, list := range map[string][]records.Fix{
			"of the file": get(s.FixesOf(t.Context(), "/x/weights.csv"))(t), "the last": get(s.LastFixes(t.Context(), 5))(t),
		} {
			if diff := cmp.Diff(want, list, inUTC); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		if other := get(s.FixesOf(t.Context(), "/y/weights.csv"))(t); len(other) > 0 {
			t.Errorf("put right in a file of the same name elsewhere: %+v", other)
		}
		if left := get(s.AllHeld(t.Context()))(t); len(left) != 1 || left[0].Line != 3 {
			t.Errorf("left in quarantine: %+v", left)
		}
	})
}

// releaseRow lets a row out of the quarantine, as the version.
func releaseRow(tb testing.TB, s *Store, load, id int64, v clinical.Version, fix *records.Fix) error {
	tb.Helper()
	_, err := s.Take(tb.Context(), records.Delivery{Load: load, Release: id, Fix: fix}, file{versions: []clinical.Version{v}}.read)
	return err
}

func TestRowsHeldBackInParts(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, file{name: "w", held: []records.Held{weightHeld(4), weightHeld(2), weightHeld(3)}}, file{name: "v", held: []records.Held{heldRowAt("v.csv", 2, "V1", "a")}})
		lines := func(q records.HeldQuery) (out string) {
			for _, h := range get(s.HeldRows(t.Context(), q))(t) {
				out += fmt.Sprintf("%s:%d ", h.File, h.Line)
			}
			return out
		}
		for _, c := range []struct {
			q    records.HeldQuery
			want string
		}{
			{records.HeldQuery{}, "v.csv:2 weights.csv:2 weights.csv:3 weights.csv:4 "},
			{records.HeldQuery{Limit: 2}, "v.csv:2 weights.csv:2 "},
			{records.HeldQuery{Limit: 2, Offset: 2}, "weights.csv:3 weights.csv:4 "},
			{records.HeldQuery{Limit: 2, Offset: 4}, ""},
			{records.HeldQuery{Kind: clinical.KindWeight, Limit: 2, Offset: 1}, "weights.csv:3 weights.csv:4 "},
			{records.HeldQuery{Kind: clinical.KindLab}, ""},
		} {
			if got := lines(c.q); got != c.want {
				t.Errorf("%+v: %s, want %s", c.q, got, c.want)
			}
		}
		all := get(s.AllHeld(t.Context()))(t)
		one := get(s.HeldRow(t.Context(), all[2].ID))(t)
		if diff := cmp.Diff(all[2], one, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("one row (-want +got):\n%s", diff)
		}
		for _, id := range []int64{0, -1, 999} {
			if _, err := s.HeldRow(t.Context(), id); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("row %d: %v", id, err)
			}
		}
	})
}

func TestStaysOfFalls(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		fall := func(id, stay string, h float64) clinical.Version {
			return version(id, stay, hours(h), clinical.Fall{FellAt: hours(h)})
		}
		load(t, s, in("falls.csv", fall("F1", "S1", -5), recordedAt(fall("F1", "S2", -4), -3), fall("F2", "S3", 0), fall("F3", "S4", 1),
			retraction(clinical.KindFall, "F2", "", 2)), in("vitals.csv", vitals("F1", "S9", -5, 120)))
		for _, c := range []struct {
			got  []string
			want string
		}{
			{get(s.FallStays(t.Context(), "F1"))(t), "[S1 S2]"},
			{get(s.FallStays(t.Context(), "F2"))(t), "[S3]"},
			{get(s.FallStays(t.Context(), "F9"))(t), "[]"},
			{get(s.FallsBetween(t.Context(), hours(-5), hours(0)))(t), "[S1 S2]"},
			{get(s.FallsBetween(t.Context(), hours(-4), hours(1)))(t), "[S2 S3]"},
			{get(s.FallsBetween(t.Context(), hours(2), hours(9)))(t), "[]"},
		} {
			if got := fmt.Sprint(c.got); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		}
	})
}
