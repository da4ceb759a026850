package trends

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Published data, and the sets of the check values.
var (
	nistDefects = []int{16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13}
	nistWafers  = []int{12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6}

	ownFalls = []int{3, 5, 2, 4, 1, 6, 3, 2, 4, 3, 9, 2}
	ownDays  = []float64{879, 910, 842, 900, 861, 933, 888, 870, 915, 902, 921, 876}
)

func scaled(values []float64, by float64) []float64 {
	out := make([]float64, len(values))
	for n, v := range values {
		out[n] = v * by
	}
	return out
}

func repeated[T any](v T, times int) []T {
	out := make([]T, times)
	for n := range out {
		out[n] = v
	}
	return out
}

// outOfLimits are the points beyond three sigma, counted from 1.
func outOfLimits(points []ControlPoint) []int {
	out := []int{}
	for n, p := range points {
		if p.beyond(controlSigmas) != 0 {
			out = append(out, n+1)
		}
	}
	return out
}

func sameInts(t *testing.T, name string, got []int, want ...int) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %v, want %v", name, got, want)
		return
	}
	for n := range got {
		if got[n] != want[n] {
			t.Errorf("%s: %v, want %v", name, got, want)
			return
		}
	}
}

// limitsAre compares center and limits with figures printed to within half a unit of
// their last decimal.
func limitsAre(t *testing.T, name string, p ControlPoint, half, lower, center, upper float64) {
	t.Helper()
	if math.Abs(*p.Lower-lower) > half || math.Abs(*p.Center-center) > half || math.Abs(*p.Upper-upper) > half {
		t.Errorf("%s: %.10f, %.10f, %.10f, want %v, %v, %v", name, *p.Lower, *p.Center, *p.Upper, lower, center, upper)
	}
}

func centerOnly(p ControlPoint) bool {
	return p.Value == nil && p.Lower == nil && p.Upper == nil && p.Sigma == nil && p.Center != nil
}

// NIST/SEMATECH e-Handbook of Statistical Methods, pmc331: the page was seen for
// the check values, its data again in a public repository; center 16, limits 4
// and 28. The third point, 28, stands on the limit and is not out; the 24th, 31,
// is. A c-chart is a u-chart of equal areas.
func TestUChartOfEqualAreasIsTheHandbooksCChart(t *testing.T) {
	points := UChart(nistDefects, repeated(1.0, len(nistDefects)))
	if len(points) != 25 {
		t.Fatalf("%d points", len(points))
	}
	for _, p := range points {
		limitsAre(t, "c", p, 0, 4, 16, 28)
	}
	if *points[2].Value != *points[2].Upper {
		t.Errorf("the third point, %v, does not stand on the limit %v", *points[2].Value, *points[2].Upper)
	}
	sameInts(t, "out", outOfLimits(points), 24)
}

// The same handbook, pmc332: 30 wafers of 50 chips, center .2313 (seen in a
// textbook that quotes it), limits computed for the check values. The data are
// those of Montgomery, Introduction to Statistical Quality Control, as public
// repositories give them; in that book samples 15 and 23 are out (from memory).
func TestPChartOfTheHandbook(t *testing.T) {
	points := PChart(nistWafers, repeated(50, 30))
	for _, p := range points {
		limitsAre(t, "p", p, 5e-5, .0524, .2313, .4102)
	}
	sameInts(t, "out", outOfLimits(points), 15, 23)
}

// A published example of ten samples of 200 (check values, section C).
func TestPChartOfAPublishedExample(t *testing.T) {
	points := PChart([]int{40, 44, 22, 34, 24, 32, 28, 32, 34, 30}, repeated(200, 10))
	for _, p := range points {
		limitsAre(t, "p", p, 5e-5, .0822, .16, .2378)
	}
	sameInts(t, "out", outOfLimits(points))
}

// Check values, section C: computed with numpy 1.24.2.
func TestPChartWithSizesThatDiffer(t *testing.T) {
	points := PChart([]int{8, 12, 6, 15, 9, 11}, []int{100, 120, 90, 130, 95, 110})
	const center = .0945736434
	for n, want := range [][2]float64{
		{.182361, .006786}, {.174712, .014435}, {.187110, .002037}, {.171568, .017579}, {.184642, .004506}, {.178276, .010872},
	} {
		limitsAre(t, "p", points[n], 5e-7, want[1], center, want[0])
	}
	if !isPrinted(*points[0].Center, center) || *points[0].Value != .08 {
		t.Errorf("center %.10f, first share %v", *points[0].Center, *points[0].Value)
	}
}

func TestPChartEndsAtTheEndsOfTheScale(t *testing.T) {
	points := PChart([]int{1, 4, 0, 5}, []int{5, 5, 0, 5})
	if !centerOnly(points[2]) || *points[2].Center != 10.0/15 {
		t.Errorf("size 0: %+v", points[2])
	}
	// 2/3 +- 3 sqrt(2/9 / 5) = .0342 and 1.2991.
	limitsAre(t, "upper cut at 1", points[0], 5e-5, .0342, .6667, 1)
	if !closeTo(*points[0].Sigma, math.Sqrt(2.0/45), 1e-15) {
		t.Errorf("sigma %v is cut with the limit", *points[0].Sigma)
	}
	limitsAre(t, "lower cut at 0", PChart([]int{1, 0}, []int{5, 5})[0], 5e-5, 0, .1, .5025)
	limitsAre(t, "all met", PChart([]int{5}, []int{5})[0], 0, 1, 1, 1)
	if p := PChart([]int{0, 0}, []int{0, 0})[1]; p != (ControlPoint{}) {
		t.Errorf("nothing fell due: %+v", p)
	}
}

// Check values, section C, "own u-chart set": computed with numpy 1.24.2.
func TestUChartPerThousandPatientDays(t *testing.T) {
	points := UChart(ownFalls, scaled(ownDays, .001))
	const center = 4.1133027952
	for _, c := range []struct {
		month        int
		value, upper float64
	}{
		{1, 3.412969, 10.602966},
		{6, 6 / .933, 10.412363}, // the rate by hand
		{11, 9.771987, 10.453267},
	} {
		p := points[c.month-1]
		limitsAre(t, "u", p, 5e-7, 0, center, c.upper)
		if math.Abs(*p.Value-c.value) > 5e-7 {
			t.Errorf("month %d: rate %v, want %v", c.month, *p.Value, c.value)
		}
	}
	if !isPrinted(*points[0].Center, center) {
		t.Errorf("center %.10f", *points[0].Center)
	}
	for month, z := range map[int]float64{6: 1.103767, 11: 2.677626} {
		p := points[month-1]
		if got := (*p.Value - *p.Center) / *p.Sigma; math.Abs(got-z) > 5e-7 {
			t.Errorf("month %d: z %v, want %v", month, got, z)
		}
	}
	sameInts(t, "out", outOfLimits(points))
}

func TestPeriodsWithoutArea(t *testing.T) {
	points := UChart([]int{2, 7, 4, 1, 9}, []float64{1, 0, 2, -1, math.NaN()})
	for _, n := range []int{1, 3, 4} {
		if !centerOnly(points[n]) || *points[n].Center != 2 {
			t.Errorf("point %d: %+v", n, points[n])
		}
	}
	if *points[0].Value != 2 || *points[2].Value != 2 || *points[2].Sigma != 1 {
		t.Errorf("points with area: %+v %+v", points[0], points[2])
	}
	for _, p := range UChart([]int{2, 1}, []float64{0, 0}) {
		if p != (ControlPoint{}) {
			t.Errorf("without any area: %+v", p)
		}
	}
	limitsAre(t, "no event", UChart([]int{0, 0}, []float64{1, 2})[1], 0, 0, 0, 0)
	if points := UChart(nil, nil); points == nil || len(points) != 0 {
		t.Errorf("no periods: %v", points)
	}
}

func TestTheUChartScalesWithTheUnitOfArea(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 20).Draw(rt, "periods")
		counts := rapid.SliceOfN(rapid.IntRange(0, 30), n, n).Draw(rt, "counts")
		areas := rapid.SliceOfN(rapid.SampledFrom([]float64{0, 1, 250, 879, 910.5}), n, n).Draw(rt, "areas")
		factor := rapid.SampledFrom([]float64{.001, .25, 7, 1000}).Draw(rt, "factor")
		plain, other := UChart(counts, areas), UChart(counts, scaled(areas, factor))
		for n := range plain {
			for what, pair := range map[string][2]*float64{
				"value": {plain[n].Value, other[n].Value}, "center": {plain[n].Center, other[n].Center},
				"lower": {plain[n].Lower, other[n].Lower}, "upper": {plain[n].Upper, other[n].Upper},
				"sigma": {plain[n].Sigma, other[n].Sigma},
			} {
				if pair[0] == nil || pair[1] == nil {
					if pair[0] != pair[1] {
						rt.Fatalf("%s of %d is known for one unit only", what, n)
					}
					continue
				}
				if got := *pair[1] * factor; math.Abs(got-*pair[0]) > 1e-9*math.Max(*plain[n].Center, *pair[0]) {
					rt.Fatalf("%s of %d is %v by one unit, %v by the other", what, n, *pair[0], got)
				}
			}
		}
	})
}

// Check values, section C, "own g chart" by Benneyan's formulas, computed.
func TestGChartAgainstTheCheckValues(t *testing.T) {
	gaps := []int{12, 3, 25, 8, 40, 1, 17, 9, 22, 5, 60, 14}
	if center, upper := GChart(gaps); *center != 18 || !isPrinted(*upper, 73.4797260267) {
		t.Errorf("center %v, upper %.10f", *center, *upper)
	}
}

func TestGChartAtItsEnds(t *testing.T) {
	if center, upper := GChart(nil); center != nil || upper != nil {
		t.Error("a center without data")
	}
	if center, upper := GChart([]int{0, 0}); *center != 0 || *upper != 0 {
		t.Errorf("an event every day: %v, %v", *center, *upper)
	}
}
