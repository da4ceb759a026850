package trends

import (
	"math"
	"testing"
)

func closeTo(a, b, tol float64) bool { return math.Abs(a-b) <= tol*(1+math.Abs(b)) }

func seq(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = float64(i)
	}
	return out
}

// Exact tail probabilities of Kendall's S without ties: Gilbert 1987, table
// A18 (values recomputed with scipy 1.10.1).
func TestExactKendallAgainstGilbertTable(t *testing.T) {
	table := map[int]map[int]float64{
		3:  {1: .5, 3: .166667},
		4:  {0: .625, 2: .375, 4: .166667, 6: .041667},
		5:  {0: .591667, 2: .408333, 4: .241667, 6: .116667, 8: .041667, 10: .008333},
		6:  {1: .5, 3: .359722, 5: .234722, 7: .136111, 9: .068056, 11: .027778, 13: .008333, 15: .001389},
		7:  {1: .5, 3: .386310, 5: .280952, 7: .190675, 9: .119444, 11: .068056, 13: .034524, 15: .015079, 17: .005357, 19: .001389, 21: .000198},
		8:  {0: .547569, 2: .452431, 4: .359772, 6: .274206, 8: .199380, 10: .137550, 12: .089435, 14: .054340, 16: .030506, 18: .015575, 20: .007068, 22: .002753, 24: .000868, 26: .000198, 28: .000025},
		9:  {0: .540272, 4: .380707, 8: .238354, 12: .129759, 16: .059719, 18: .037588, 20: .022308, 24: .006333, 28: .001213, 32: .000121},
		10: {1: .5, 5: .363745, 9: .242156, 13: .145624, 17: .077871, 19: .054157, 21: .036275, 23: .023311, 25: .014305, 29: .004574, 33: .001106, 37: .000179},
	}
	for n, row := range table {
		for s, tail := range row {
			want := math.Min(1, 2*tail)
			if got := exactKendall(n, s); math.Abs(got-want) > 1.1e-6 {
				t.Errorf("n %d, S %d: p %.7f, table %.7f", n, s, got, want)
			}
		}
	}
}

// The six data sets of the check values: scipy 1.10.1 theilslopes and the
// Mann-Kendall test with continuity correction and tie-corrected variance; the
// exact p of D1, D3 and D6 agrees with R cor.test(exact=TRUE).
func TestSerialStatisticsAgainstScipy(t *testing.T) {
	cases := []struct {
		name             string
		x, y             []float64
		s                int
		p                float64
		slope, low, high float64
	}{
		{"D1", seq(5), []float64{128, 124, 121, 117, 110}, -10, .0166666667, -4, -7, -3},
		{"D2", seq(6), []float64{132, 128, 128, 121, 124, 118}, -12, .0353781720, -2.5, -6, 0},
		{"D3", []float64{0, 1, 3, 4, 7, 8, 10}, []float64{18, 22, 15, 26, 24, 31, 29}, 13, .0690476190, 1.2857142857, -.6666666667, 3.2},
		{"D4", seq(4), []float64{20, 20, 20, 20}, 0, 1, 0, math.NaN(), math.NaN()},
		{"D5", seq(8), []float64{10, 12, 12, 14, 14, 14, 16, 20}, 24, .0031477599, 1, .6666666667, 2},
		{"D6", seq(10), []float64{-4, -9, -12, -8, -15, -21, -18, -26, -22, -30}, -37, .0003576940, -2.75, -3.4, -1.8},
		{"holycross", seq(14), []float64{12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7}, 54, 2 * .0018313619, .5666666667, .325, .8666666667},
	}
	for _, c := range cases {
		s, p := MannKendall(c.x, c.y)
		if s != c.s || !closeTo(p, c.p, 1e-8) {
			t.Errorf("%s: S %d p %.10f, want %d %.10f", c.name, s, p, c.s, c.p)
		}
		got := TheilSen(c.x, c.y)
		if !closeTo(*got.Slope, c.slope, 1e-9) {
			t.Errorf("%s: slope %v, want %v", c.name, *got.Slope, c.slope)
		}
		if math.IsNaN(c.low) {
			if got.Low != nil || got.High != nil {
				t.Errorf("%s: an interval under 5 points", c.name)
			}
			continue
		}
		if !closeTo(*got.Low, c.low, 1e-9) || !closeTo(*got.High, c.high, 1e-9) {
			t.Errorf("%s: interval %v to %v, want %v to %v", c.name, *got.Low, *got.High, c.low, c.high)
		}
	}
}

// Two samples against R 4.2.2 (check values, H1 to H5).
func TestShiftAgainstR(t *testing.T) {
	nan := math.NaN()
	cases := []struct {
		name                string
		before, after       []float64
		shift, low, high, p float64
	}{
		{"H1", []float64{12, 8, 15, 10}, []float64{22, 19, 28, 25, 17}, 10.5, 4, 18, .015873015873},
		{"H2", []float64{6, 9, 4}, []float64{11, 7}, 2.5, nan, nan, .4},
		{"H3", []float64{10, 12, 12, 14, 9}, []float64{12, 18, 20, 14, 22, 25}, 8, 0, 13, .030303030303},
		{"H4", []float64{-4, 2, 0, 5, 3, 1}, []float64{1.5, -2, 4, 0.5, 2.5}, 0, -4, 4.5, 1},
		{"H5", []float64{20, 24}, []float64{30, 31}, 8.5, nan, nan, .333333333333},
	}
	for _, c := range cases {
		got := HodgesLehmann(c.before, c.after)
		if *got.Shift != c.shift || !closeTo(*got.P, c.p, 1e-9) {
			t.Errorf("%s: shift %v p %v, want %v %v", c.name, *got.Shift, *got.P, c.shift, c.p)
		}
		if math.IsNaN(c.low) {
			if got.Low != nil || got.High != nil {
				t.Errorf("%s: an interval where none exists", c.name)
			}
		} else if *got.Low != c.low || *got.High != c.high {
			t.Errorf("%s: interval %v to %v, want %v to %v", c.name, *got.Low, *got.High, c.low, c.high)
		}
	}
	if got := HodgesLehmann([]float64{1}, []float64{2, 3}); got.Shift != nil || got.P != nil {
		t.Error("one value before the change gave a shift")
	}
}
