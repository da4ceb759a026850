package trends

import "testing"

// Five equal drops, two of them of sets that start at one moment: Sen's variance is
// negative there, and scipy gives a slope without an interval.
func TestEqualDropsWithTwoSetsAtOneMomentHaveASlopeAndNoInterval(t *testing.T) {
	s := newChart(t).readings(all(
		"0 lying 140/80 set=A; 3 standing 130/80 set=A; 0 lying 140/80 set=B; 3 standing 130/80 set=B",
		droppingAt(24, 10), droppingAt(48, 10), droppingAt(72, 10))).digest().Serial
	wantFigure(t, "slope", s.Slope, "0")
	wantFigure(t, "p", s.P, "1")
	if s.TrendSets != 5 || s.SlopeLow != nil || s.SlopeHigh != nil {
		t.Errorf("%d sets, interval %s to %s, want none", s.TrendSets, show(s.SlopeLow), show(s.SlopeHigh))
	}
}
