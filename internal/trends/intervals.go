package trends

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// PoissonInterval is the exact interval of the mean of a Poisson count at a
// level such as 0.95, from quantiles of chi-squared: at each end the tail that
// holds the count has probability (1 - level)/2. The low end of a count of 0 is
// 0. Divide both ends by the patient-days for the interval of a rate. NaN, NaN
// for a negative count or a level not between 0 and 1.
// Source: Garwood 1936.
func PoissonInterval(count int, level float64) (low, high float64) {
	if count < 0 || !isLevel(level) {
		return math.NaN(), math.NaN()
	}
	tail := (1 - level) / 2
	if count > 0 {
		low = distuv.ChiSquared{K: 2 * float64(count)}.Quantile(tail) / 2
	}
	high = distuv.ChiSquared{K: 2 * float64(count+1)}.Quantile(1-tail) / 2
	return low, high
}

// BinomialInterval is the exact interval of a proportion, k of n, at a level
// such as 0.95, from quantiles of the beta distribution. It holds at least its
// level, and is wide where n is small. NaN, NaN where n is 0, k is not in 0 to
// n, or the level is not between 0 and 1.
// Source: Clopper and Pearson 1934.
func BinomialInterval(k, n int, level float64) (low, high float64) {
	if !isProportion(k, n) || !isLevel(level) {
		return math.NaN(), math.NaN()
	}
	tail := (1 - level) / 2
	low, high = 0, 1
	if k > 0 {
		low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(tail)
	}
	if k < n {
		high = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - tail)
	}
	return low, high
}

func isLevel(level float64) bool { return level > 0 && level < 1 }

func isProportion(k, n int) bool { return n > 0 && k >= 0 && k <= n }

// ChiSquared is Pearson's test of goodness of fit: the statistic, its degrees
// of freedom (cells - 1) and the probability of one at least as large. expected
// holds the expected counts, as many as observed, each above 0; the p-value is
// an approximation, poor where some are under 5 (common practice, no source).
// The statistic and p are NaN under two cells, for lists of different length,
// and for an expected count that is not above 0.
func ChiSquared(observed []int, expected []float64) (stat float64, df int, p float64) {
	df = max(len(observed)-1, 0)
	if df == 0 || len(observed) != len(expected) {
		return math.NaN(), df, math.NaN()
	}
	for cell, want := range expected {
		if !(want > 0) { // NaN is not above 0 either
			return math.NaN(), df, math.NaN()
		}
		difference := float64(observed[cell]) - want
		stat += difference * difference / want
	}
	return stat, df, distuv.ChiSquared{K: float64(df)}.Survival(stat)
}

// DigitPreference compares the last digits of readings, lastDigits[d] of which
// end in d, with a tenth each: the share that ends in 0 (0 to 1), chi-squared
// with 9 degrees of freedom, and its p. All nil without readings. A device that
// shows even figures alone is expected to end in 0 at a fifth of readings, and
// fails this test however well it is read.
func DigitPreference(lastDigits [10]int) (share0 *float64, stat, p *float64) {
	total := 0
	for _, count := range lastDigits {
		total += count
	}
	if total == 0 {
		return nil, nil, nil
	}
	expected := make([]float64, len(lastDigits))
	for digit := range expected {
		expected[digit] = float64(total) / 10
	}
	chi, _, probability := ChiSquared(lastDigits[:], expected)
	return ptr(float64(lastDigits[0]) / float64(total)), ptr(chi), ptr(probability)
}
