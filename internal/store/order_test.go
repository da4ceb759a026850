package store

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// rowsGen makes a folder of rows about few facts, so that versions meet: of
// stays that are taken back and moved, of readings that move, are retracted
// without a stay, are recorded at one moment, or stand at two places.
func rowsGen(t *rapid.T) []clinical.Version {
	stays := []string{"S1", "S2", "Š3"}
	units := []string{"4W", "5E", "ü"}
	files := []string{"B.csv", "a.csv", "é.csv"}
	lines := map[string]int{}
	n := rapid.IntRange(1, 25).Draw(t, "rows")
	var rows []clinical.Version
	for range n {
		id := rapid.SampledFrom(stays).Draw(t, "stay")
		at := float64(rapid.IntRange(0, 4).Draw(t, "own time"))
		var v clinical.Version
		if rapid.IntRange(0, 2).Draw(t, "kind") == 0 {
			v = stay(id, rapid.SampledFrom(units).Draw(t, "unit"), at)
			if rapid.IntRange(0, 2).Draw(t, "of another patient") == 0 {
				b := v.Body.(clinical.Stay)
				b.PatientID = "P" + stays[0]
				v.Body = b
			}
			if rapid.Bool().Draw(t, "discharged") {
				v = discharged(v, at+float64(rapid.IntRange(0, 6).Draw(t, "for hours")))
			}
		} else {
			v = vitals(rapid.SampledFrom([]string{"V1", "V2", "V3"}).Draw(t, "source"), id, at, float64(rapid.IntRange(120, 121).Draw(t, "systolic")))
			if rapid.IntRange(0, 2).Draw(t, "of the patient alone") == 0 {
				v.StayID, v.PatientID = "", "P"+id
			}
		}
		if v.Stated = rapid.Bool().Draw(t, "stated"); v.Stated {
			v = recordedAt(v, at+float64(rapid.IntRange(0, 3).Draw(t, "recorded after")))
		}
		if rapid.IntRange(0, 3).Draw(t, "retraction") == 0 {
			v = retraction(v.Kind, v.SourceID, rapid.SampledFrom([]string{"", v.StayID}).Draw(t, "of stay"), at+2)
		}
		v.File = rapid.SampledFrom(files).Draw(t, "file")
		lines[v.File]++
		v.Line, v.Feed = lines[v.File]+1, "feed of "+v.File
		if !slices.ContainsFunc(rows, func(w clinical.Version) bool { return rival(v, w) }) {
			rows = append(rows, v)
		}
	}
	return rows
}

// rival: two versions of one fact recorded at one moment in one file. There it
// matters in which reading of the file they stood, and so how the rows came; see
// TestAFileReadAgainSaysWhatCounts.
func rival(v, w clinical.Version) bool {
	return v.Kind == w.Kind && v.SourceID == w.SourceID && v.RecordedAt.Equal(w.RecordedAt) && v.File == w.File &&
		(v.Status != w.Status || v.Stated != w.Stated || v.StayID != w.StayID || v.PatientID != w.PatientID || !cmp.Equal(v.Body, w.Body))
}

// Where a file is read again after it had changed, what it says now counts: also
// where a row moved up in it, and where an earlier wording comes back.
func TestAFileReadAgainSaysWhatCounts(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		reading := func(line int, systolic float64) clinical.Version {
			v := vitals("V1", "S1", 1, systolic)
			v.File, v.Line = "vitals.csv", line
			return v
		}
		for n, rows := range [][]clinical.Version{
			{reading(9, 120)}, {reading(9, 121)}, {reading(2, 122)}, {reading(2, 120)}, {reading(2, 121), reading(3, 122)},
			{reading(2, 122), reading(3, 121)}, {reading(2, 122)},
		} {
			whole := file{name: "vitals.csv", versions: append([]clinical.Version{stay("S1", "4W", 0)}, rows...)}
			load(t, s, whole)
			c := clinical.ChartAt("S1", get(s.Versions(t.Context(), []string{"S1"}))(t)["S1"], hours(9))
			want := *rows[len(rows)-1].Body.(clinical.Vitals).Systolic
			for _, r := range c.Records {
				if v, ok := r.Body.(clinical.Vitals); ok && *v.Systolic != want {
					t.Errorf("after reading %d: systolic %v counts, the file says %v", n, *v.Systolic, want)
				}
			}
			if now := countingNow(t, s); len(now) != 2 {
				t.Errorf("after reading %d: %v count", n, now)
			}
		}
	})
}

// Any order, any repetition and any split of the same rows ends in one state,
// which is the one that the plain rules give.
func TestTheStateDoesNotDependOnHowTheRowsCame(t *testing.T) {
	defer chunksOf(4)()
	forEachEngine(t, func(t *testing.T, s *Store) {
		rapid.Check(t, func(rt *rapid.T) {
			rows := rowsGen(rt)
			wipe(t, s)
			load(t, s, file{name: "all", versions: rows})
			want := stateOf(t, s)
			wantCounting, wantWaiting := modelOf(slices.Clone(rows))
			agree(rt, "the versions that count", wantCounting, countingNow(t, s))
			agree(rt, "the versions that wait", wantWaiting, waitingNow(want))

			wipe(t, s)
			shuffled := rapid.Permutation(append(slices.Clone(rows), rows[:rapid.IntRange(0, len(rows)).Draw(rt, "repeated")]...)).Draw(rt, "order")
			for len(shuffled) > 0 {
				var files []file
				for range rapid.IntRange(1, 3).Draw(rt, "files of a load") {
					n := rapid.IntRange(0, len(shuffled)).Draw(rt, "rows of a file")
					files = append(files, file{name: fmt.Sprint("part ", n), versions: shuffled[:n]})
					shuffled = shuffled[n:]
				}
				before, factsBefore, revisionsBefore := countingNow(t, s), chartsOf(t, s), revisionsOf(t, s)
				result := load(t, s, files...)
				checkRevisions(rt, t, s, factsBefore, revisionsBefore)
				checkEnds(rt, t, s, before, files, result)
			}
			agree(rt, "the state", want, stateOf(t, s))
			holdCandidates(rt, t, s, want)
			holdReadings(rt, t, s)
		})
	})
}

// holdReadings: who asks for the readings since a moment is given every reading that counts
// at any moment and was taken since then, with all its versions, and no other kind of fact.
func holdReadings(rt *rapid.T, t *testing.T, s *Store) {
	since := hours(float64(rapid.IntRange(0, 5).Draw(rt, "since")))
	all := chartsOf(t, s)
	some := get(s.Readings(t.Context(), slices.Collect(maps.Keys(all)), since))(t)
	for id := range all {
		for _, hour := range []float64{0, 1, 2, 4, 9} {
			whole, part := clinical.ChartAt(id, all[id], hours(hour)), clinical.ChartAt(id, some[id], hours(hour))
			want, got := taken(whole, since), taken(part, since)
			if diff := cmp.Diff(want, got); diff != "" || !cmp.Equal(whole.Stay, part.Stay) {
				rt.Fatalf("readings of %s since %v, as known at hour %v (-all +asked for):\n%s", id, since, hour, diff)
			}
		}
	}
}

// taken are the readings of a chart that were taken at a moment or later.
func taken(c clinical.Chart, since time.Time) (out []clinical.Record) {
	for _, r := range c.Records {
		if b, ok := r.Body.(clinical.Vitals); ok && !b.TakenAt.Before(since) {
			out = append(out, r)
		}
	}
	return out
}

func agree(t *rapid.T, what string, want, got any) {
	t.Helper()
	if diff := cmp.Diff(want, got); diff != "" {
		t.Fatalf("%s (-want +got):\n%s", what, diff)
	}
}

func countingNow(t *testing.T, s *Store) []string {
	now := list(t, s, "SELECT kind || ' ' || source_id || ' ' || file || ':' || CAST(line AS TEXT) FROM fact_versions n WHERE "+counts)
	slices.Sort(now)
	return now
}

func waitingNow(st state) []string {
	var now []string
	for _, w := range st.Waiting {
		now = append(now, fmt.Sprintf("%s %s %s:%d %s", w.Kind, w.SourceID, w.File, w.Line, w.StayID))
	}
	slices.Sort(now)
	return now
}

// checkEnds: what is accepted or waits for the first time counts now and did not before.
func checkEnds(rt *rapid.T, t *testing.T, s *Store, before []string, files []file, r records.Counts) {
	rows := 0
	for _, f := range files {
		rows += len(f.versions)
	}
	if r.Rows != rows {
		rt.Fatalf("%d rows are counted, want %d", r.Rows, rows)
	}
	fresh := 0
	for _, v := range countingNow(t, s) {
		if !slices.Contains(before, v) {
			fresh++
		}
	}
	if r.Accepted > fresh {
		rt.Fatalf("%d rows are accepted, but only %d versions count that did not before", r.Accepted, fresh)
	}
}

func chartsOf(t *testing.T, s *Store) map[string][]clinical.Version {
	return get(s.Versions(t.Context(), list(t, s, "SELECT stay_id FROM stay_heads")))(t)
}

func revisionsOf(t *testing.T, s *Store) map[string]int64 {
	_, all, err := s.Digests(t.Context(), list(t, s, "SELECT stay_id FROM stay_heads"))
	must(t, err)
	return all
}

// checkRevisions: a stay whose chart is another at some moment has another revision.
func checkRevisions(rt *rapid.T, t *testing.T, s *Store, before map[string][]clinical.Version, revisions map[string]int64) {
	now := revisionsOf(t, s)
	for id, versions := range chartsOf(t, s) {
		if now[id] != revisions[id] {
			continue
		}
		for h := -1.0; h < 14; h++ {
			was, is := clinical.ChartAt(id, before[id], hours(h)), clinical.ChartAt(id, versions, hours(h))
			if diff := cmp.Diff(was, is, cmpopts.IgnoreFields(clinical.Version{}, "Reading")); diff != "" {
				rt.Fatalf("the chart of %s at %v h is another, and its revision is the same:\n%s", id, h, diff)
			}
		}
	}
}

// holdCandidates: whoever is on a unit by their chart is among its candidates. rowsGen
// lets something change on the hour alone, and nothing after the tenth.
func holdCandidates(rt *rapid.T, t *testing.T, s *Store, st state) {
	for _, unit := range st.Units {
		for h := -1.0; h < 11; h += 0.5 {
			candidates := get(s.Candidates(t.Context(), unit, hours(h)))(t)
			for id, versions := range st.Versions {
				if clinical.ChartAt(id, versions, hours(h)).OnUnit(unit) && !slices.Contains(candidates, id) {
					rt.Fatalf("%s is on %s at %v h and is not among the candidates %v", id, unit, h, candidates)
				}
			}
		}
	}
}

// Both engines answer alike, whatever comes.
func TestBothEnginesHoldTheSame(t *testing.T) {
	defer chunksOf(7)()
	stores := map[string]*Store{SQLite: openStore(t, SQLite), Postgres: openStore(t, Postgres)}
	rapid.Check(t, func(rt *rapid.T) {
		rows := rowsGen(rt)
		cut := rapid.IntRange(0, len(rows)).Draw(rt, "first file")
		var states []state
		var results [][2]records.Counts
		for _, engine := range []string{SQLite, Postgres} {
			s := stores[engine]
			wipe(t, s)
			first := load(t, s, file{name: "one", versions: rows[:cut], held: []records.Held{heldRowAt("one", 2, "V1", "r"), heldRowAt("One", 2, "x", "r")}})
			second := load(t, s, file{name: "two", versions: rows[cut:], held: []records.Held{heldRowAt("é", 2, "V2", "r")}})
			states, results = append(states, stateOf(t, s)), append(results, [2]records.Counts{first, second})
		}
		agree(rt, "the state on PostgreSQL and on SQLite", states[0], states[1])
		agree(rt, "the results on PostgreSQL and on SQLite", results[0], results[1])
	})
}
