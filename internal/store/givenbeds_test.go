package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestBedsAreGivenForAShift(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		all := []records.GivenBeds{
			{Number: 1, Unit: "4W", From: "1A", To: "6B", Nurse: "Ünal", Who: "ann", At: hours(1), Until: hours(8)},
			{Number: 2, Unit: "4W", From: "2A", To: "2A", Nurse: "", Who: "bob", At: hours(2), Until: hours(8)},
			{Number: 3, Unit: "7E", From: "1", To: "9", Nurse: "Cy", Who: "cy", At: hours(2), Until: hours(8)},
		}
		for _, b := range all {
			b.Number = 0
			must(t, s.GiveBeds(t.Context(), b))
		}
		for _, c := range []struct {
			hour float64
			want []records.GivenBeds
		}{{0, []records.GivenBeds{}}, {1, all[:1]}, {2, all[:2]}, {7, all[:2]}, {8, []records.GivenBeds{}}} {
			if diff := cmp.Diff(c.want, get(s.BedsGiven(t.Context(), "4W", hours(c.hour)))(t)); diff != "" {
				t.Errorf("at hour %v: %s", c.hour, diff)
			}
		}
	})
}
