package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestAssignmentsComeBackInTheirOrder(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		all := []records.Assignment{
			{Unit: "4W", StayID: "S1", Key: "k1", Name: "Ann Ü", Who: "mb", At: hours(1)},
			{Unit: "4W", StayID: "S1", Key: "k1", Name: "", Who: "mb", At: hours(3)},
			{Unit: "4W", StayID: "S2", Key: "k2", Name: "Bo", Who: "mb", At: hours(3)}, // at the same moment, later
			{Unit: "7E", StayID: "S3", Key: "k3", Name: "Cy", Who: "mb", At: hours(2)},
		}
		for _, a := range all {
			must(t, s.Assign(t.Context(), a))
		}
		for _, tc := range []struct {
			unit     string
			from, to int
			want     []records.Assignment
		}{
			{"4W", 0, 9, all[:3]},
			{"4W", 1, 3, all[1:3]}, // the early end is outside, the late one inside
			{"4W", 0, 2, all[:1]},
			{"7E", 0, 9, all[3:]},
			{"9Z", 0, 9, []records.Assignment{}},
		} {
			got := get(s.Assigned(t.Context(), tc.unit, hours(float64(tc.from)), hours(float64(tc.to))))(t)
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("unit %s, %d to %d h (-want +got):\n%s", tc.unit, tc.from, tc.to, diff)
			}
		}
	})
}
