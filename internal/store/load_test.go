package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// ends is a load's result without the names of rows.
func ends(r records.Counts) string {
	return fmt.Sprintf("%d rows: %d accepted, %d unchanged, %d superseded, %d waiting, %d quarantined",
		r.Rows, r.Accepted, r.Unchanged, r.Superseded, r.Waiting, r.Held)
}

func places(rows []records.RowRef) string {
	var list []string
	for _, r := range rows {
		list = append(list, fmt.Sprintf("%s:%d %s %s of %s", r.File, r.Line, r.Kind, r.SourceID, r.StayID))
	}
	return strings.Join(list, "; ")
}

func TestEachRowHasOneEnd(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		expect := func(step string, r records.Counts, want, waiting string) {
			t.Helper()
			if named := places(waitOf(t, s, 0)); ends(r) != want || named != waiting {
				t.Errorf("%s:\n got %s [%s]\nwant %s [%s]", step, ends(r), named, want, waiting)
			}
		}
		vitalsFile := in("vitals.csv",
			vitals("V1", "S1", 0, 120),                   // superseded by the next
			recordedAt(vitals("V1", "S1", 0, 121), 1),    // accepted
			recordedAt(vitals("V1", "S1", 0, 121), 1),    // the same again
			vitals("V2", "S2", 0, 130),                   // waits
			vitals("V2", "S2", 0, 130),                   // waits, too
			retraction(clinical.KindVitals, "V3", "", 1), // of nothing that is known
			retraction(clinical.KindVitals, "V2b", "S2", 1),
		)
		vitalsFile.held = []records.Held{{File: "vitals.csv", Line: 9, Kind: clinical.KindVitals, Reason: "no time"}}
		staysFile := in("stays.csv", stay("S1", "4W", -1))

		expect("first", load(t, s, vitalsFile, staysFile),
			"9 rows: 3 accepted, 1 unchanged, 1 superseded, 3 waiting, 1 quarantined",
			"vitals.csv:5 vitals V2 of S2; vitals.csv:6 vitals V2 of S2; vitals.csv:8 vitals V2b of S2")
		expect("again", load(t, s, staysFile, vitalsFile),
			"9 rows: 0 accepted, 5 unchanged, 0 superseded, 3 waiting, 1 quarantined",
			"vitals.csv:5 vitals V2 of S2; vitals.csv:6 vitals V2 of S2; vitals.csv:8 vitals V2b of S2")
		expect("an older version than one held", load(t, s, in("late.csv", recordedAt(vitals("V1", "S1", 0, 119), 0.5))),
			"1 rows: 0 accepted, 0 unchanged, 1 superseded, 0 waiting, 0 quarantined", "")
		expect("a retraction without a stay", load(t, s, in("late.csv", retraction(clinical.KindVitals, "V2", "", 2))),
			"1 rows: 0 accepted, 0 unchanged, 0 superseded, 1 waiting, 0 quarantined", "late.csv:2 vitals V2 of S2")
		expect("the stay arrives", load(t, s, in("stays2.csv", stay("S2", "4W", -1))),
			"1 rows: 1 accepted, 0 unchanged, 0 superseded, 0 waiting, 0 quarantined", "")
		if left := get(s.Waiting(t.Context()))(t); len(left) != 0 {
			t.Errorf("waiting still: %v", left)
		}
		expect("the stay is taken back, its readings come again",
			load(t, s, vitalsFile, in("stays3.csv", retraction(clinical.KindStay, "S1", "", 3))),
			"9 rows: 1 accepted, 7 unchanged, 0 superseded, 0 waiting, 1 quarantined", "")
	})
}

// A row that stands at two places of a load is named at both, whichever file
// was read first.
func TestWaitingRowsAreNamedWhereTheyStand(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		want := "a.csv:2 vitals V1 of S1; b.csv:2 vitals V1 of S1"
		b, a := in("b.csv", vitals("V1", "S1", 0, 120)), in("a.csv", vitals("V1", "S1", 0, 120))
		for n, files := range [][]file{{a, b}, {b, a}, {a, b}} {
			if n == 2 {
				wipe(t, s)
			}
			load(t, s, files...)
			if named := places(waitOf(t, s, 0)); named != want {
				t.Errorf("load %d: %s, want %s", n, named, want)
			}
		}
	})
}

// Of versions recorded at one moment the one at the largest place counts, in
// whatever order the files were read, and also where it had been read before
// from another place.
func TestTheLargerPlaceCounts(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		x, y := vitals("V1", "S1", 0, 111), vitals("V1", "S1", 0, 222)
		files := []file{in("B.csv", x), in("a.csv", y), in("z.csv", x), in("é.csv", x, y)}
		orders := [][]int{{0, 1, 2, 3}, {3, 2, 1, 0}, {2, 0, 3, 1}}
		for _, order := range orders {
			wipe(t, s)
			load(t, s, in("stays.csv", stay("S1", "4W", 0)))
			for n, i := range order {
				before := revision(t, s, "S1")
				load(t, s, files[i])
				got := lastOf(versions(t, s, "S1")["S1"], "V1")
				best := slices.Max(order[:n+1]) // they stand in byte order of their names
				want := []float64{111, 222, 111, 222}[best]
				if *got.Body.(clinical.Vitals).Systolic != want || got.File != files[best].versions[0].File {
					t.Errorf("order %v, after %d files: %v of %s counts, want %v of %s", order, n+1,
						*got.Body.(clinical.Vitals).Systolic, got.File, want, files[best].name)
				}
				if best == i && revision(t, s, "S1") == before {
					t.Errorf("order %v: another version counts after file %d, and the revision is the same", order, n)
				}
			}
		}
	})
}

func lastOf(all []clinical.Version, source string) (last clinical.Version) {
	for _, v := range all {
		if v.SourceID == source {
			last = v
		}
	}
	return last
}

func revision(t *testing.T, s *Store, stay string) int64 {
	t.Helper()
	_, revisions, err := s.Digests(t.Context(), []string{stay})
	must(t, err)
	return revisions[stay]
}

func TestAChangeBumpsEveryStayItTouches(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("v.csv", vitals("V1", "A", 0, 120), vitals("V2", "C", 0, 120)))
		steps := []struct {
			name    string
			version clinical.Version
			bumped  string
		}{
			{"a new fact", vitals("V3", "A", 0, 120), "A"},
			{"a fact moved from A to B", recordedAt(vitals("V1", "B", 0, 120), 1), "A B"},
			{"a retraction without a stay", retraction(clinical.KindVitals, "V1", "", 2), "A B"},
			{"the same retraction again", retraction(clinical.KindVitals, "V1", "", 2), ""},
			{"an older version", recordedAt(vitals("V1", "C", 0, 120), -1), "A B C"},
		}
		for n, step := range steps {
			before := revisions(t, s)
			// The names go down: a larger place would be a change.
			load(t, s, in(fmt.Sprintf("%d.csv", 9-n), step.version))
			var bumped []string
			for stay, now := range revisions(t, s) {
				if now != before[stay] {
					bumped = append(bumped, stay)
				}
			}
			slices.Sort(bumped)
			if got := strings.Join(bumped, " "); got != step.bumped {
				t.Errorf("%s bumped %q, want %q", step.name, got, step.bumped)
			}
		}
	})
}

func revisions(t *testing.T, s *Store) map[string]int64 {
	t.Helper()
	_, all, err := s.Digests(t.Context(), []string{"A", "B", "C"})
	must(t, err)
	return all
}

func TestAReaderThatFailsLeavesNothing(t *testing.T) {
	defer chunksOf(10)() // much of the file is written before it fails
	forEachEngine(t, func(t *testing.T, s *Store) {
		good := file{name: "v.csv", versions: readings(35), held: []records.Held{{File: "v.csv", Line: 99, Reason: "no time"}}}
		id := get(s.BeginLoad(t.Context(), noon, "test"))(t)
		_, err := s.Take(t.Context(), fileIn(id, records.Mark{Name: "v.csv", Size: 7, ModTime: noon, Hash: "h"}), good.read)
		must(t, err)
		before := stateOf(t, s)

		failure := errors.New("line 40 is no CSV")
		more := file{name: "v.csv", versions: readings(900)[500:], held: []records.Held{{File: "v.csv", Line: 98, Reason: "other"}}}
		_, err = s.Take(t.Context(), fileIn(id, records.Mark{Name: "v.csv", Size: 8}), func(b records.Batch) error {
			must(t, more.read(b))
			return failure
		})
		if !errors.Is(err, failure) {
			t.Errorf("the error is %v, want the reader's", err)
		}
		func() {
			defer func() {
				if recover() == nil {
					t.Error("the panic of a reader was swallowed")
				}
			}()
			_, _ = s.Take(t.Context(), fileIn(id, records.Mark{Name: "v.csv"}), func(b records.Batch) error {
				must(t, more.read(b))
				panic("reader")
			})
		}()
		_, err = s.Take(t.Context(), fileIn(id, records.Mark{Name: "w.csv"}), func(b records.Batch) error {
			must(t, more.read(b))
			_ = b.Put(clinical.Version{Kind: "unheard of"})
			return nil // a reader that passes over the error of Put
		})
		if clinical.CodeOf(err) != clinical.Invalid {
			t.Errorf("a version of an unknown kind: %v", err)
		}
		if diff := cmp.Diff(before, stateOf(t, s)); diff != "" {
			t.Errorf("a failed reader left something (-before +after):\n%s", diff)
		}

		// What failed last is tried again, though it was read whole before: so it has no bookmark.
		marks := get(s.FileMarks(t.Context()))(t)
		if diff := cmp.Diff(map[string]records.Mark{}, marks); diff != "" {
			t.Errorf("bookmarks (-want +got):\n%s", diff)
		}
		feeds := get(s.Feeds(t.Context()))(t)
		if len(feeds.Files) != 2 || feeds.Files[0].Error != failure.Error() || !feeds.Files[0].ReadOnce || feeds.Files[1].Error == "" || feeds.Files[1].ReadOnce {
			t.Errorf("the files of the feed page: %+v", feeds.Files)
		}
		if r := get(s.FinishLoad(t.Context(), id, noon))(t); r.Rows != 36 {
			t.Errorf("the load has %d rows, want the 36 of the file that was read", r.Rows)
		}
		load(t, s, good)
		if feeds := get(s.Feeds(t.Context()))(t); feeds.Files[0].Error != "" {
			t.Errorf("the error stays after the file was read: %+v", feeds.Files[0])
		}
	})
}

// The program is killed between two files: what was read stays, what was not is
// read by the next load, and nothing is counted or kept twice.
func TestAKillBetweenFilesLosesAndDoublesNothing(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		files := []file{in("stays.csv", stay("S1", "4W", 0)), in("a.csv", vitals("V1", "S1", 1, 120)), in("b.csv", vitals("V2", "S1", 1, 120))}
		load(t, s, files...)
		want := stateOf(t, s)
		wipe(t, s)
		id := get(s.BeginLoad(t.Context(), noon, "killed"))(t)
		for _, f := range files[:2] {
			_, err := s.Take(t.Context(), fileIn(id, records.Mark{Name: f.name}), f.read)
			must(t, err)
		}
		if r := load(t, s, files...); ends(r) != "3 rows: 1 accepted, 2 unchanged, 0 superseded, 0 waiting, 0 quarantined" {
			t.Errorf("the load after the kill: %s", ends(r))
		}
		if diff := cmp.Diff(want, stateOf(t, s)); diff != "" {
			t.Errorf("after the kill (-want +got):\n%s", diff)
		}
		// What the killed load noted is dropped in time.
		_, err := s.BeginLoad(t.Context(), noon.Add(abandonedAfter+time.Hour), "much later")
		must(t, err)
		if n := count(t, s, "repeated_rows"); n != 0 {
			t.Errorf("%d repeated rows of a killed load are kept", n)
		}
	})
}

func TestWhatALoadBroughtAndCountsIsStreamed(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		first, _ := loadAt(t, s, noon, in("v.csv", vitals("V1", "S1", 0, 120), vitals("V2", "S1", 0, 130), stay("S1", "4W", 0)))
		second, _ := loadAt(t, s, noon, in("w.csv", recordedAt(vitals("V1", "S1", 0, 121), 1), vitals("V0", "S9", 0, 140),
			recordedAt(vitals("V2", "S1", 0, 129), -1)))
		of := func(id int64) string {
			var list []string
			must(t, s.AcceptedAmong(t.Context(), id, clinical.KindVitals, []string{"V0", "V1", "V2"}, func(v clinical.Version) error {
				list = append(list, v.SourceID)
				return nil
			}))
			return strings.Join(list, " ")
		}
		if got := of(first); got != "V2" {
			t.Errorf("of the first load count %s, want V2", got)
		}
		if got := of(second); got != "V1 V0" {
			t.Errorf("of the second load count %s, want V1 and the waiting V0", got)
		}
		stop := errors.New("stop")
		if err := s.AcceptedAmong(t.Context(), first, clinical.KindVitals, []string{"V2"}, func(clinical.Version) error { return stop }); !errors.Is(err, stop) {
			t.Errorf("the error of each is lost: %v", err)
		}
	})
}

func TestALoadThatIsNotOpen(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		id, _ := loadAt(t, s, noon)
		none := func(records.Batch) error { t.Error("the file was read"); return nil }
		if _, err := s.Take(t.Context(), fileIn(id, records.Mark{Name: "x"}), none); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("a file of a finished load: %v", err)
		}
		if _, err := s.Take(t.Context(), fileIn(id+1, records.Mark{Name: "x"}), none); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a file of no load: %v", err)
		}
		if _, err := s.FinishLoad(t.Context(), id, noon); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("finished twice: %v", err)
		}
	})
}

func TestFilesAreRememberedToTheNanosecond(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		at := noon.Add(123_456_789)
		id := get(s.BeginLoad(t.Context(), at, "schedule"))(t)
		mark := records.Mark{Name: "/feed/v.csv", Size: 12, ModTime: at.In(time.Local), Hash: "abc"}
		f := in("v.csv", vitals("V1", "S1", 0, 120))
		_, err := s.Take(t.Context(), fileIn(id, mark), f.read)
		must(t, err)
		_, err = s.Take(t.Context(), fileIn(id, records.Mark{Name: "stream"}), f.read)
		must(t, err)
		marks := get(s.FileMarks(t.Context()))(t)
		if !marks[mark.Name].ModTime.Equal(at) || !marks["stream"].ModTime.IsZero() || marks[mark.Name].Hash != "abc" {
			t.Errorf("bookmarks: %+v", marks)
		}
		state := get(s.Feeds(t.Context()))(t)
		if l := state.LastLoad; l == nil || l.How != "schedule" || !l.StartedAt.Equal(at.Truncate(time.Microsecond)) || !l.FinishedAt.IsZero() || l.Result != nil {
			t.Errorf("the load that runs: %+v", l)
		}
		get(s.FinishLoad(t.Context(), id, at.Add(time.Second)))(t)
		state = get(s.Feeds(t.Context()))(t)
		if l := state.LastLoad; l.Result == nil || l.Result.Waiting != 2 || l.FinishedAt.IsZero() || state.Waiting != 1 {
			t.Errorf("the load that is finished: %+v, %d waiting", l, state.Waiting)
		}
		if f := state.Files[0]; f.Name != "/feed/v.csv" || f.Rows != 1 || !f.ReadAt.Equal(at.Truncate(time.Microsecond)) {
			t.Errorf("the file: %+v", f)
		}
	})
}
