package reference

import (
	"math"
	"testing"

	"plumbline/internal/trends"
)

func upTo(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
	}
	return x
}

// Published examples without a computed twin in the tests of trends.
func TestPublishedSeries(t *testing.T) {
	// S of 100 50 85 75 50 (ties): the Wisconsin code table (seen, lfweb.sjgov.org).
	if s, _ := trends.MannKendall(upTo(5), []float64{100, 50, 85, 75, 50}); s != -5 {
		t.Errorf("Wisconsin example: S %d, published -5", s)
	}
	// EPA QA/G-9: data from memory, S 6; its one-sided P of 0.116667 computed.
	s, p := trends.MannKendall(upTo(5), []float64{5, 6, 11, 8, 10})
	if s != 6 || math.Abs(p-2*.116667) > 2e-6 {
		t.Errorf("EPA example: S %d, p %v, published 6, 0.233334", s, p)
	}
	// Gilbert 1987: data from memory, slope computed.
	if got := trends.TheilSen(upTo(4), []float64{10, 15, 14, 20}).Slope; math.Abs(*got-2.9166666667) > 1e-10 {
		t.Errorf("Gilbert example: slope %v, published 2.9166666667", *got)
	}
}

// Critical S at a one-sided level of 0.2: the Wisconsin code table (seen,
// lfweb.sjgov.org). S has the parity of the number of pairs, so the table's bound may
// lie between two values that S can take.
func TestPublishedCriticalS(t *testing.T) {
	for n, critical := range map[int]int{4: 4, 5: 5, 6: 6, 7: 7, 8: 8, 9: 10, 10: 11} {
		pairs := n * (n - 1) / 2
		for wanted := pairs % 2; wanted <= pairs; wanted += 2 {
			s, p := trends.MannKendall(upTo(n), withScore(n, -wanted))
			if s != -wanted {
				t.Fatalf("n %d: S %d, built for %d", n, s, -wanted)
			}
			if (p/2 <= 0.2) != (wanted >= critical) {
				t.Errorf("n %d, S %d: one-sided p %v, published critical S %d", n, s, p/2, -critical)
			}
		}
	}
}

// withScore is an ordering of n values without ties whose S is the one wanted: the
// largest value left goes first as long as its inversions are not too many.
func withScore(n, s int) []float64 {
	inversions := (n*(n-1)/2 - s) / 2
	left, y := upTo(n), make([]float64, 0, n)
	for len(left) > 0 {
		take := min(inversions, len(left)-1)
		y = append(y, left[take])
		left = append(left[:take], left[take+1:]...)
		inversions -= take
	}
	return y
}
