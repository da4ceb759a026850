package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestWhatWasChangedOnAUnit(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		all := []records.UnitChange{
			{Number: 1, Unit: "4W", Day: "2026-03-01", What: "Ärzte <b>round</b> earlier", Anew: true, Who: "ann", At: hours(1)},
			{Number: 2, Unit: "4W", Day: "2026-02-01", What: "alarms", Who: "bo", At: hours(2)},
			{Number: 3, Unit: "7E", Day: "2026-02-01", What: "elsewhere", Who: "bo", At: hours(3)},
		}
		for _, c := range all {
			must(t, s.AddUnitChange(t.Context(), c))
		}
		is := func(unit string, at float64, want ...records.UnitChange) {
			t.Helper()
			if diff := cmp.Diff(want, get(s.UnitChanges(t.Context(), unit, hours(at)))(t)); diff != "" {
				t.Errorf("%s at hour %v: %s", unit, at, diff)
			}
		}
		is("4W", 4, all[1], all[0]) // by day
		is("4W", 1.5, all[0])
		must(t, s.EndUnitChange(t.Context(), records.UnitChange{Number: 1, Unit: "7E", Who: "cy", At: hours(5)}))
		is("4W", 6, all[1], all[0]) // another unit's takes nothing back
		must(t, s.EndUnitChange(t.Context(), records.UnitChange{Number: 1, Unit: "4W", Who: "cy", At: hours(7)}))
		is("4W", 8, all[1])
		is("4W", 6, all[1], all[0]) // as known then
		is("7E", 8, all[2])
	})
}
