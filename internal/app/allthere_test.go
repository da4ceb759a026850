package app

import (
	"cmp"
	"slices"
	"strconv"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"plumbline/internal/demo"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
)

// sums adds up what was counted of stays, by unit, feed and day.
func sums(tallies []records.StayTally) []records.DayTally {
	type key struct{ unit, feed, day string }
	all := map[key]records.FactCounts{}
	for _, t := range tallies {
		for _, d := range t.Days {
			k := key{d.Unit, d.Feed, d.Day}
			all[k] = all[k].Add(d.FactCounts)
		}
	}
	var out []records.DayTally
	for k, c := range all {
		out = append(out, records.DayTally{Unit: k.unit, Feed: k.feed, Day: k.day, FactCounts: c})
	}
	slices.SortFunc(out, func(a, b records.DayTally) int {
		return cmp.Or(cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Feed, b.Feed), cmp.Compare(a.Day, b.Day))
	})
	return out
}

// What is kept of days is what is counted anew of every stay, after a load and after a correction, a
// retraction, a transfer, a discharge, and a reading that moves to another stay; only stays that
// changed are counted again.
func TestWhatIsKeptOfDaysIsWhatIsCounted(t *testing.T) {
	eachEngine(t, func(t *testing.T, database string) {
		ctx := t.Context()
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		watch := s.newWatch(func() time.Time { return now })
		check := func(what string, counted func(int) bool) {
			t.Helper()
			n, err := watch.CatchUp(ctx)
			if err != nil || !counted(n) {
				t.Fatalf("%s: %d stays counted, %v", what, n, err)
			}
			kept, err := s.store.DayTallies(ctx, "0000-01-01", "9999-12-31")
			if err != nil {
				t.Fatal(err)
			}
			spans, err := s.store.UnitSpans(ctx, time.Time{})
			if err != nil {
				t.Fatal(err)
			}
			all, err := s.store.StaysToTally(ctx, "another basis", now.AddDate(-10, 0, 0), 10000)
			if err != nil {
				t.Fatal(err)
			}
			fresh, err := s.service.Tallies(ctx, all)
			if err != nil {
				t.Fatal(err)
			}
			if diff := gocmp.Diff(sums(fresh), kept); diff != "" || len(kept) < 10 {
				t.Errorf("%s: %d sums are kept (-counted +kept):\n%s", what, len(kept), diff)
			}
			var there []records.UnitSpan
			slices.SortFunc(fresh, func(a, b records.StayTally) int { return cmp.Compare(a.StayID, b.StayID) })
			for _, f := range fresh {
				there = append(there, f.Spans...)
			}
			if diff := gocmp.Diff(there, spans); diff != "" {
				t.Errorf("%s: presences (-counted +kept):\n%s", what, diff)
			}
		}
		exactly := func(want int) func(int) bool { return func(n int) bool { return n == want } }
		check("after the first load", func(n int) bool { return n > 20 })
		check("at once again", exactly(0))
		at := func(back time.Duration) string { return now.Add(-back).Format(time.RFC3339) }
		loadRows(t, s, "vitals-x1.csv", "source_id,stay_id,taken_at,systolic,diastolic,position,recorded_at,status\n"+
			"X1,S102,"+at(3*time.Hour)+",120,70,lying,,\nX2,S102,"+at(2*time.Hour)+",121,70,,,\n")
		check("two readings", exactly(1))
		loadRows(t, s, "vitals-x2.csv", "source_id,stay_id,taken_at,systolic,diastolic,position,recorded_at,status\n"+
			"X1,S103,"+at(3*time.Hour)+",120,70,,"+at(time.Hour)+",corrected\nX2,S102,,,,,"+at(time.Hour)+",entered-in-error\n")
		check("one moves to another stay, one is taken back", exactly(2))
		loadRows(t, s, "stays-x3.csv", "stay_id,patient_id,unit,admitted_at,discharged_at,recorded_at\n"+
			"S103,P103,"+demo.SecondUnit+","+at(90*time.Hour)+",,"+at(time.Hour)+"\n"+
			"S104,P104,"+demo.MainUnit+","+at(90*time.Hour)+","+at(2*time.Hour)+","+at(time.Hour)+"\n")
		check("a transfer and a discharge", exactly(2))
		if basis := s.service.TallyBasis(); basis == "" {
			t.Error("the counts rest on nothing")
		}
	})
}

// A site whose mapping drops the position, as the administrator and the unit are told of it.
func TestAMappingThatDropsThePositionIsTold(t *testing.T) {
	now := demo.AnchorTime().Add(9 * time.Hour)
	s := bareSite(t, "", now)
	stays, vitals := "stay_id,patient_id,unit,admitted_at\n", "source_id,stay_id,taken_at,systolic,diastolic,position\n"
	rows := func(n int) string { return "-" + strconv.Itoa(n) }
	for bed := range 10 {
		id := "S" + rows(bed)
		stays += id + ",P" + id + ",4W," + now.AddDate(0, 0, -40).Format(time.RFC3339) + "\n"
		for day := range 39 {
			for hour := range 4 {
				at := now.AddDate(0, 0, -day).Add(-time.Duration(hour) * 2 * time.Hour)
				position := []string{"lying", "standing", "", ""}[hour]
				if day < 3 {
					position = ""
				}
				vitals += "V" + id + rows(day) + rows(hour) + "," + id + "," + at.Format(time.RFC3339) +
					",120,70," + position + "\n"
			}
		}
	}
	loadRows(t, s, "stays.csv", stays)
	loadRows(t, s, "vitals.csv", vitals)
	watch := s.newWatch(func() time.Time { return now })
	if _, err := watch.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	report, err := watch.Report(t.Context(), watch.Today())
	if err != nil {
		t.Fatal(err)
	}
	gaps := feedcheck.Gaps(report)
	var measures []feedcheck.Measure
	for _, g := range gaps {
		measures = append(measures, g.Habit.Measure)
	}
	if !slices.Contains(measures, feedcheck.Positions) || slices.Contains(measures, feedcheck.Readings) {
		t.Fatalf("gaps: %v", measures)
	}
	since := gaps[slices.Index(measures, feedcheck.Positions)].Habit.Since
	if want := now.AddDate(0, 0, -2).Format(time.DateOnly); since.Format(time.DateOnly) != want {
		t.Errorf("since %s, want %s", since, want)
	}
}
