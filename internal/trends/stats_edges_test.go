package trends

import (
	"math"
	"testing"
)

func TestMannKendallOfVeryFewPoints(t *testing.T) {
	for _, v := range [][]float64{nil, {1}} {
		if s, p := MannKendall(v, v); s != 0 || !math.IsNaN(p) {
			t.Errorf("%d points: S %d, p %v", len(v), s, p)
		}
	}
	if s, p := MannKendall([]float64{0, 1}, []float64{1, 2}); s != 1 || p != 1 {
		t.Errorf("two points: S %d, p %v", s, p)
	}
	if s, p := MannKendall([]float64{0, 1}, []float64{1, 1}); s != 0 || p != 1 {
		t.Errorf("two equal points: S %d, p %v", s, p)
	}
}

// S counts pairs by the sign of both differences, whatever the order of x.
func TestMannKendallDoesNotDependOnTheOrderOfPoints(t *testing.T) {
	x, y := []float64{3, -1, 0, 2, 1}, []float64{5, 1, 2, 4, 3}
	s, p := MannKendall(x, y)
	if s != 10 || !closeTo(p, 2.0/120, 1e-12) {
		t.Errorf("S %d, p %v, want 10 and 1/60", s, p)
	}
}

// Exact up to 50 points, normal from 51 on: the exact p of one inversion among
// pairs that rise has only a few orders of all, the normal one is far larger.
func TestTheExactDistributionHoldsUpToFiftyPoints(t *testing.T) {
	for n, exact := range map[int]bool{49: true, 50: true, 51: false} {
		s, p := MannKendall(seq(n), seq(n))
		if s != n*(n-1)/2 || (p < 1e-40) != exact {
			t.Errorf("%d points: S %d, p %g", n, s, p)
		}
	}
}

// One tie of two in y among six, none in x: by hand, var = (6*5*17 - 2*1*9)/18.
func TestOneTieTakesTheNormalDistribution(t *testing.T) {
	s, p := MannKendall(seq(6), []float64{1, 2, 2, 3, 4, 5})
	if want := math.Erfc(13 / math.Sqrt((510.0-18)/18) / math.Sqrt2); s != 14 || !closeTo(p, want, 1e-12) {
		t.Errorf("tie in y: S %d, p %v, want %v", s, p, want)
	}
	s, p = MannKendall([]float64{0, 1, 1, 2, 3, 4}, seq(6))
	if want := math.Erfc(13 / math.Sqrt((510.0-18)/18) / math.Sqrt2); s != 14 || !closeTo(p, want, 1e-12) {
		t.Errorf("tie in x: S %d, p %v, want %v", s, p, want)
	}
}

// Ties of three in x and of two and three in y among eight: Kendall's full
// variance by hand. n(n-1)(2n+5) is 1176, the ties' t(t-1)(2t+5) 66 in x and
// 18 + 66 in y, their pairs 3 and 4, their t(t-1)(t-2) 6 and 6.
func TestTiesInBothTakeTheFullVariance(t *testing.T) {
	x, y := []float64{0, 1, 1, 1, 2, 3, 4, 5}, []float64{1, 1, 2, 3, 4, 4, 4, 5}
	variance := (1176.0-66-84)/18 + 2*3*4/56.0 + 6*6/(9*56*6.0)
	s, p := MannKendall(x, y)
	if want := math.Erfc(float64(s-1) / math.Sqrt(variance) / math.Sqrt2); s != 21 || !closeTo(p, want, 1e-12) {
		t.Errorf("S %d, p %v, want %v", s, p, want)
	}
}

// Both samples share values: mid-ranks, and the smaller tail doubled. By hand:
// of the 20 ways to draw three of 1 1 2 2 2 3 none has a smaller rank sum than 1 1 2.
func TestRankSumsTakeMidRanks(t *testing.T) {
	s := HodgesLehmann([]float64{1, 1, 2}, []float64{2, 2, 3})
	// Mid-ranks 1.5 1.5 4 4 4 6. After: 4+4+6 = 14, which 3 of 20 draws reach.
	if s.P == nil || !closeTo(*s.P, 2*3.0/20, 1e-12) {
		t.Errorf("p %s, want 0.3", show(s.P))
	}
	if s := HodgesLehmann([]float64{1, 2, 2}, []float64{1, 2, 2}); !closeTo(*s.P, 1, 1e-12) || *s.Shift != 0 {
		t.Errorf("alike: p %s, shift %s", show(s.P), show(s.Shift))
	}
	// Without an interval: 2 of 4 draws at either end.
	if s := HodgesLehmann([]float64{1, 2}, []float64{3, 4}); s.Low != nil || s.High != nil || !closeTo(*s.P, 1.0/3, 1e-12) {
		t.Errorf("2 against 2: %s to %s, p %s", show(s.Low), show(s.High), show(s.P))
	}
	// 4 against 4: P(U <= 0) is 1/70, the first rank with at most 0.025.
	if k := intervalRank(4, 4); k != 1 {
		t.Errorf("4 against 4: rank %d", k)
	}
	// 3 against 5 and 2 against 8: 1/56 and 1/45.
	if intervalRank(3, 5) != 1 || intervalRank(2, 8) != 1 || intervalRank(2, 7) != 0 {
		t.Errorf("ranks %d %d %d", intervalRank(3, 5), intervalRank(2, 8), intervalRank(2, 7))
	}
}

// With ties and S = 0 nothing speaks for a trend: p is 1, and never more.
func TestNoTrendAtAllHasAPOfOne(t *testing.T) {
	if s, p := MannKendall([]float64{0, 1, 2, 3}, []float64{20, 30, 30, 20}); s != 0 || p != 1 {
		t.Errorf("S %d, p %v", s, p)
	}
}

// The rule of scipy.stats.theilslopes: five equal drops leave a variance of 0, and an interval
// from 0 to 0 (as for the four of check value D4).
func TestEqualDropsAtDistinctTimesHaveAnIntervalOfNothing(t *testing.T) {
	s := TheilSen([]float64{0, 1, 2, 3, 4}, []float64{20, 20, 20, 20, 20})
	wantFigure(t, "slope", s.Slope, "0")
	wantFigure(t, "low", s.Low, "0")
	wantFigure(t, "high", s.High, "0")
}

// R 4.2.2: qwilcox(0.025, m, n), the smallest u with P(U <= u) >= 0.025, which is the largest
// k with P(U <= k - 1) <= 0.025 where no tail is 0.025 exactly.
func TestTheRankOfTheLimitsAgainstR(t *testing.T) {
	for _, c := range []struct{ m, n, want int }{
		{4, 4, 1}, {5, 5, 3}, {8, 8, 14}, {10, 10, 24}, {7, 12, 19}, {12, 7, 19}, {20, 20, 128}, {30, 45, 494},
	} {
		if got := intervalRank(c.m, c.n); got != c.want {
			t.Errorf("%d and %d values: rank %d, want %d", c.m, c.n, got, c.want)
		}
	}
	// R 4.2.2: wilcox.test(after, before, conf.int = TRUE, exact = TRUE)
	s := HodgesLehmann([]float64{1, 2, 3, 4}, []float64{11, 13, 15, 17})
	wantFigure(t, "shift", s.Shift, "11.5")
	wantFigure(t, "low", s.Low, "7")
	wantFigure(t, "high", s.High, "16")
}
