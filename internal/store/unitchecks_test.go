package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestWhatIsSaidOfUnitsIsAddedTo(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		want := []records.UnitCheck{
			{Number: 1, Unit: "4W", Checked: true, Who: "ann", At: hours(1)},
			{Number: 2, Unit: "4W", Checked: false, Who: "bob", At: hours(2)},
		}
		for _, c := range want {
			c.Number = 0
			must(t, s.AddUnitCheck(t.Context(), c))
		}
		if diff := cmp.Diff(want, get(s.UnitChecks(t.Context()))(t)); diff != "" {
			t.Error(diff)
		}
	})
}

// Units that had facts before units were checked at all are in use; those that come later are not.
func TestUnitsThatHadFactsCountAsChecked(t *testing.T) {
	bare(t, func(t *testing.T, target string) {
		s := openTarget(t, target)
		migrateTo(t, s, 20)
		for _, span := range [][2]string{{"S1", "7E"}, {"S2", "4W"}, {"S3", "4W"}} {
			must(t, s.write.Exec("INSERT INTO stay_spans (stay_id, unit, starts_at) VALUES (?, ?, 1)", span[0], span[1]).Error)
		}
		must(t, s.Migrate(t.Context()))
		load(t, s, in("s.csv", stay("S4", "new", 0)))
		want := []records.UnitCheck{{Number: 1, Unit: "4W", Checked: true}, {Number: 2, Unit: "7E", Checked: true}}
		if diff := cmp.Diff(want, get(s.UnitChecks(t.Context()))(t)); diff != "" {
			t.Error(diff)
		}
	})
}
