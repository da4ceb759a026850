package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestNotesForTheHandover(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		all := []records.HandoverNote{
			{Number: 1, StayID: "S1", Unit: "4W", Text: "Ärm <b>left</b>", Who: "ann", At: hours(1), Until: hours(20)},
			{Number: 2, Unit: "4W", Text: "lift is out", Who: "ann", At: hours(2), Until: hours(20)},
			{Number: 3, StayID: "S2", Unit: "4W", Text: "daughter calls", Who: "bo", At: hours(3), Until: hours(20)},
			{Number: 4, Unit: "7E", Text: "elsewhere", Who: "cy", At: hours(3), Until: hours(20)},
		}
		for _, n := range all {
			must(t, s.AddHandoverNote(t.Context(), n))
		}
		is := func(unit string, stays []string, at float64, want ...records.HandoverNote) {
			t.Helper()
			if diff := cmp.Diff(want, get(s.HandoverNotes(t.Context(), unit, stays, hours(at)))(t)); diff != "" {
				t.Errorf("%s %v at hour %v: %s", unit, stays, at, diff)
			}
		}
		is("4W", []string{"S1", "S2"}, 4, all[0], all[1], all[2])
		is("", []string{"S1"}, 4, all[0])
		is("4W", nil, 1.5)
		is("4W", []string{"S1"}, 20)
		// One of another stay takes nothing back.
		must(t, s.EndHandoverNote(t.Context(), records.HandoverNote{Number: 1, StayID: "S2", Unit: "4W", At: hours(5), Until: hours(30)}))
		is("", []string{"S1"}, 6, all[0])
		must(t, s.EndHandoverNote(t.Context(), records.HandoverNote{Number: 1, StayID: "S1", Unit: "7E", At: hours(7), Until: hours(30)}))
		is("", []string{"S1"}, 6.5, all[0])
		is("", []string{"S1"}, 7)
		is("4W", nil, 7, all[1])
	})
}
