package store

import (
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

// What is kept of a stay takes the place of what was kept, sums are over all stays, and two that keep
// the same stay at once do not add it twice.
func TestTalliesAreKeptByStay(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		load(t, s, in("s.csv", stay("A", "4W", -1), stay("B", "4W", -1)))
		day := func(n int) records.DayTally {
			return records.DayTally{Unit: "4W", Feed: "csv", Day: "2026-11-25", FactCounts: records.FactCounts{Readings: n, Positioned: 1}}
		}
		span := records.UnitSpan{Unit: "4W", From: hours(-1)}
		todo := func() map[string]int64 { return get(s.StaysToTally(t.Context(), "basis", hours(-24), 10))(t) }
		if len(todo()) != 2 || len(get(s.StaysToTally(t.Context(), "basis", hours(-24), 1))(t)) != 1 {
			t.Fatalf("to be counted: %v", todo())
		}
		keep := func(n int) {
			var tallies []records.StayTally
			for id, revision := range todo() {
				tallies = append(tallies, records.StayTally{
					StayID: id, Revision: revision, Days: []records.DayTally{day(n)}, Spans: []records.UnitSpan{span},
				})
			}
			must(t, s.SaveTallies(t.Context(), "basis", tallies))
		}
		keep(3)
		if len(todo()) > 0 {
			t.Errorf("still to be counted: %v", todo())
		}
		if len(get(s.StaysToTally(t.Context(), "another", hours(-24), 10))(t)) != 2 {
			t.Error("by another basis nothing is to be counted")
		}
		load(t, s, in("v.csv", vitals("V1", "A", 1, 120)))
		keep(5)
		sum := get(s.DayTallies(t.Context(), "2026-11-25", "2026-11-25"))(t)
		want := records.DayTally{Unit: "4W", Feed: "csv", Day: "2026-11-25", FactCounts: records.FactCounts{Readings: 8, Positioned: 2}}
		if diff := cmp.Diff([]records.DayTally{want}, sum); diff != "" {
			t.Error(diff)
		}
		var all sync.WaitGroup
		for range 4 {
			all.Go(func() {
				again := []records.StayTally{{StayID: "A", Revision: 9, Days: []records.DayTally{day(1)}, Spans: []records.UnitSpan{span}}}
				if err := s.SaveTallies(t.Context(), "basis", again); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if sum := get(s.DayTallies(t.Context(), "2026-11-01", "2026-12-01"))(t); len(sum) != 1 || sum[0].Readings != 4 {
			t.Errorf("kept by four at once: %+v", sum)
		}
		if diff := cmp.Diff([]records.UnitSpan{span, span}, get(s.UnitSpans(t.Context(), time.Time{}))(t)); diff != "" {
			t.Error(diff)
		}
		if sum := get(s.DayTallies(t.Context(), "2026-11-26", "2026-12-01"))(t); len(sum) > 0 {
			t.Errorf("of other days: %+v", sum)
		}
	})
}
