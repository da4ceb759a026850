package trends

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// relative is the distance of a figure from the one wanted, relatively; plain
// where 0 is wanted.
func relative(got, want float64) float64 {
	if want == 0 {
		return math.Abs(got)
	}
	return math.Abs(got-want) / math.Abs(want)
}

// The tables print ten decimals: half of the last one, with room for rounding.
const tenDecimals = 5.1e-11

func isPrinted(got, want float64) bool { return math.Abs(got-want) <= tenDecimals }

// Check values, section C, Garwood exact Poisson: computed with scipy 1.10.1;
// the row of 3 events agrees with R poisson.test, that of 0 with the page of the
// R package epitools.
func TestPoissonIntervalAgainstTheTable(t *testing.T) {
	for _, c := range []struct {
		count            int
		level, low, high float64
	}{
		{0, .95, 0, 3.6888794541},
		{1, .95, .0253178080, 5.5716433909},
		{2, .95, .2422092785, 7.2246876677},
		{3, .95, .6186721229, 8.7672730697},
		{4, .95, 1.0898653736, 10.2415886754},
		{5, .95, 1.6234863901, 11.6683320793},
		{6, .95, 2.2018942535, 13.0594740225},
		{7, .95, 2.8143630515, 14.4226753617},
		{8, .95, 3.4538321767, 15.7631892202},
		{9, .95, 4.1153730974, 17.0848034514},
		{10, .95, 4.7953886961, 18.3903560420},
		{12, .95, 6.2005751087, 20.9615850482},
		{15, .95, 8.3953861328, 24.7402188715},
		{20, .95, 12.2165195854, 30.8883779027},
		{0, .90, 0, 2.9957322736},
		{1, .90, .0512932944, 4.7438645184},
		{2, .90, .3553615107, 6.2957936219},
		{3, .90, .8176914472, 7.7536565279},
	} {
		if low, high := PoissonInterval(c.count, c.level); !isPrinted(low, c.low) || !isPrinted(high, c.high) {
			t.Errorf("%d at %v: %.10f to %.10f, want %.10f to %.10f", c.count, c.level, low, high, c.low, c.high)
		}
	}
}

// Check values, section C: falls per 1,000 patient-days. The examples are those
// of the AHRQ toolkit (figures from memory) and of NICHE; the intervals were
// computed with scipy 1.10.1.
func TestRateIntervalsOfThePublishedExamples(t *testing.T) {
	for _, c := range []struct {
		name                  string
		falls                 int
		days, rate, low, high float64
	}{
		{"AHRQ", 3, 879, 3.4129692833, .7038363173, 9.9741445617},
		{"NICHE", 4, 30 * 30, 4.4444444444, 1.2109615263, 11.3795429727},
	} {
		thousands := c.days / 1000
		rate := UChart([]int{c.falls}, []float64{thousands})[0].Value
		low, high := PoissonInterval(c.falls, .95)
		if !isPrinted(*rate, c.rate) || !isPrinted(low/thousands, c.low) || !isPrinted(high/thousands, c.high) {
			t.Errorf("%s: %.10f (%.10f to %.10f), want %.10f (%.10f to %.10f)",
				c.name, *rate, low/thousands, high/thousands, c.rate, c.low, c.high)
		}
	}
}

// Check values, section C: Clopper-Pearson at 95 %, computed with scipy 1.10.1 and
// R 4.2.2.
func TestProportionIntervalsAgainstTheTable(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{
		{0, 5, 0, .5218237501},
		{1, 5, .0050507634, .7164179361},
		{5, 5, .4781762499, 1}, {1, 1, .025, 1}, // R 4.2.2, binom.test
		{0, 20, 0, .1684334710},
		{1, 20, .0012650895, .2487327628},
		{4, 18, .0640920477, .4763727657},
		{7, 24, .1261520885, .5109478139},
		{16, 100, .0943102900, .2467875974},
	} {
		if low, high := BinomialInterval(c.k, c.n, .95); !isPrinted(low, c.low) || !isPrinted(high, c.high) {
			t.Errorf("%d of %d: %.10f to %.10f, want %.10f to %.10f", c.k, c.n, low, high, c.low, c.high)
		}
	}
}

// All digits, from qgamma and qbeta of R 4.2.2, small counts and large.
func TestIntervalsToTenDigits(t *testing.T) {
	for _, c := range []struct {
		k, n             int // n 0: a Poisson count
		level, low, high float64
	}{
		{0, 0, 0.95, 0, 3.688879454113934},
		{1, 0, 0.95, 0.0253178079842899, 5.571643390938899},
		{1, 0, 0.998, 0.001000500333583534, 9.233413476451585},
		{30, 0, 0.99, 17.76724553936928, 47.20932647393723},
		{100, 0, 0.95, 81.36399125092316, 121.6267937924264},
		{1000, 0, 0.95, 938.9730184076952, 1063.952136016302},
		{20000, 0, 0.9, 19767.95246965952, 20234.19037163374},
		{5, 5, 0.95, 0.4781762498950186, 1},
		{1, 20, 0.95, 0.001265089497949805, 0.2487327627720277},
		{23, 24, 0.99, 0.728749948709554, 0.9997911658995627},
		{1, 1000, 0.95, 2.531748749129407e-05, 0.005558924279826627},
		{500, 1000, 0.9, 0.4735177312356912, 0.5264822687643088},
		{0, 10000, 0.8, 0, 0.0002302320018434137},
		{9999, 10000, 0.95, 0.9994429630020529, 0.9999974682224065},
	} {
		low, high := PoissonInterval(c.k, c.level)
		if c.n > 0 {
			low, high = BinomialInterval(c.k, c.n, c.level)
		}
		if relative(low, c.low) > 1e-10 || relative(high, c.high) > 1e-10 {
			t.Errorf("%d of %d at %v: %.16g to %.16g, want %.16g to %.16g", c.k, c.n, c.level, low, high, c.low, c.high)
		}
	}
}

func TestIntervalsOfWhatHasNone(t *testing.T) {
	nan := math.NaN()
	check := func(name string, low, high float64) {
		t.Helper()
		if !math.IsNaN(low) || !math.IsNaN(high) {
			t.Errorf("%s: %v to %v, want NaN", name, low, high)
		}
	}
	low, high := PoissonInterval(-1, .95)
	check("a negative count", low, high)
	for _, level := range []float64{0, 1, -.5, 1.5, nan} {
		low, high = PoissonInterval(3, level)
		check("Poisson, a level out of range", low, high)
		low, high = BinomialInterval(1, 5, level)
		check("exact, a level out of range", low, high)
	}
	for _, c := range [][2]int{{0, 0}, {-1, 5}, {6, 5}, {0, -1}} {
		low, high = BinomialInterval(c[0], c[1], .95)
		check("exact", low, high)
	}
}

// poissonAtMost is P(X <= k) for a mean, summed term by term.
func poissonAtMost(k int, mean float64) float64 {
	term, sum := math.Exp(-mean), 0.0
	for i := 0; i <= k; i++ {
		sum += term
		term *= mean / float64(i+1)
	}
	return sum
}

// binomialAtMost is P(X <= k) of n, summed term by term, in logarithms because
// the first terms of a share near 1 are too small to be held.
func binomialAtMost(k, n int, share float64) float64 {
	ways, sum := 0.0, 0.0 // the logarithm of n over i
	for i := 0; i <= k; i++ {
		sum += math.Exp(ways + float64(i)*math.Log(share) + float64(n-i)*math.Log1p(-share))
		ways += math.Log(float64(n-i) / float64(i+1))
	}
	return sum
}

// The definition: at each end of the interval the tail that holds what was
// counted has half of what the level leaves. An end good to 1e-12 that lies 6e-5
// from 1 determines its tail to some 1e-8 only, hence the tolerance.
func TestExactIntervalsMeetTheirDefinition(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		level := rapid.SampledFrom([]float64{.8, .9, .95, .99}).Draw(rt, "level")
		tail := (1 - level) / 2
		count := rapid.IntRange(0, 80).Draw(rt, "count")
		low, high := PoissonInterval(count, level)
		if got := poissonAtMost(count, high); relative(got, tail) > 1e-7 {
			rt.Errorf("Poisson %d at %v: %v below the high end, want %v", count, level, got, tail)
		}
		if got := 1 - poissonAtMost(count-1, low); count > 0 && relative(got, tail) > 1e-7 {
			rt.Errorf("Poisson %d at %v: %v above the low end, want %v", count, level, got, tail)
		}
		n := rapid.IntRange(1, 80).Draw(rt, "n")
		k := rapid.IntRange(0, n).Draw(rt, "k")
		low, high = BinomialInterval(k, n, level)
		if got := binomialAtMost(k, n, high); k < n && relative(got, tail) > 1e-7 {
			rt.Errorf("binomial %d of %d at %v: %v below the high end, want %v", k, n, level, got, tail)
		}
		if got := 1 - binomialAtMost(k-1, n, low); k > 0 && relative(got, tail) > 1e-7 {
			rt.Errorf("binomial %d of %d at %v: %v above the low end, want %v", k, n, level, got, tail)
		}
	})
}

func TestIntervalsHoldTheirEstimateAndGrowWithTheCount(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(1, 2000).Draw(rt, "n")
		k := rapid.IntRange(0, n-1).Draw(rt, "k")
		level := rapid.Float64Range(.5, .98).Draw(rt, "level")
		for name, interval := range map[string]struct {
			of    func(k int, level float64) (low, high float64)
			scale float64
		}{
			"Poisson": {PoissonInterval, 1},
			"exact":   {func(k int, level float64) (float64, float64) { return BinomialInterval(k, n, level) }, float64(n)},
		} {
			low, high := interval.of(k, level)
			if estimate := float64(k) / interval.scale; low < 0 || low > estimate || high <= estimate {
				rt.Errorf("%s: %v to %v does not hold %v", name, low, high, estimate)
			}
			if nextLow, nextHigh := interval.of(k+1, level); nextLow <= low || nextHigh <= high && high < 1 {
				rt.Errorf("%s: one more moves %v to %v no further than %v to %v", name, low, high, nextLow, nextHigh)
			}
			if wideLow, wideHigh := interval.of(k, level+.01); wideLow > low || wideLow == low && k > 0 || wideHigh <= high {
				rt.Errorf("%s: %v to %v is no wider at a higher level: %v to %v", name, low, high, wideLow, wideHigh)
			}
		}
		low, high := BinomialInterval(k, n, level)
		otherLow, otherHigh := BinomialInterval(n-k, n, level)
		if math.Abs(low+otherHigh-1) > 1e-10 || math.Abs(high+otherLow-1) > 1e-10 {
			rt.Errorf("%d of %d and the rest are not mirrored", k, n)
		}
	})
}

// By hand: counts 8 and 12 with 10 expected of each give 4/10 + 4/10. The
// probability with one degree of freedom is erfc(sqrt(x/2)), with two exp(-x/2).
func TestChiSquaredByHand(t *testing.T) {
	// R 4.2.2: chisq.test(c(1, 0), p = c(.5, .5))
	if stat, _, p := ChiSquared([]int{1, 0}, []float64{.5, .5}); stat != 1 || math.Abs(p-.317310507863) > 1e-12 {
		t.Errorf("less than one expected in each: %v, p %v", stat, p)
	}
	stat, df, p := ChiSquared([]int{8, 12}, []float64{10, 10})
	if !closeTo(stat, .8, 1e-15) || df != 1 || relative(p, math.Erfc(math.Sqrt(.4))) > 1e-12 {
		t.Errorf("two cells: %v, %d, %v", stat, df, p)
	}
	stat, df, p = ChiSquared([]int{10, 20, 30}, []float64{20, 20, 20})
	if stat != 10 || df != 2 || relative(p, math.Exp(-5)) > 1e-12 {
		t.Errorf("three cells: %v, %d, %v", stat, df, p)
	}
	if stat, _, p = ChiSquared([]int{7, 7}, []float64{7, 7}); stat != 0 || p != 1 {
		t.Errorf("as expected: %v, %v", stat, p)
	}
	for name, c := range map[string]struct {
		observed []int
		expected []float64
		df       int
	}{
		"no cells":              {nil, nil, 0},
		"one cell":              {[]int{3}, []float64{3}, 0},
		"an expected one short": {[]int{3, 4}, []float64{3}, 1},
		"an expected count 0":   {[]int{3, 4}, []float64{0, 7}, 1},
		"an expected NaN":       {[]int{3, 4}, []float64{3, math.NaN()}, 1},
	} {
		if stat, df, p = ChiSquared(c.observed, c.expected); !math.IsNaN(stat) || df != c.df || !math.IsNaN(p) {
			t.Errorf("%s: %v, %d, %v", name, stat, df, p)
		}
	}
}

// chisq.test and pchisq of R 4.2.2.
func TestDigitPreferenceAgainstR(t *testing.T) {
	for _, c := range []struct {
		digits         [10]int
		share, stat, p float64
	}{
		{[10]int{37, 5, 9, 4, 8, 11, 6, 5, 9, 6}, .37, 85.40000000000001, 1.357323010241469e-14},
		{[10]int{22, 0, 19, 0, 20, 0, 18, 0, 21, 0}, .22, 101, 9.875055553717607e-18},
		{[10]int{10, 10, 10, 10, 10, 10, 10, 10, 10, 10}, .1, 0, 1},
	} {
		share, stat, p := DigitPreference(c.digits)
		if *share != c.share || relative(*stat, c.stat) > 1e-12 || relative(*p, c.p) > 1e-9 {
			t.Errorf("%v: share %v, %v, p %v; want %v, %v, %v", c.digits, *share, *stat, *p, c.share, c.stat, c.p)
		}
	}
	if share, stat, p := DigitPreference([10]int{}); share != nil || stat != nil || p != nil {
		t.Error("figures without a reading")
	}
}
