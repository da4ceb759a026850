package trends

import (
	"math"
	"slices"
)

// z95 is the standard normal quantile at 0.975.
const z95 = 1.959963984540054

// exactKendallMax is the largest number of points for which the exact
// distribution of Kendall's S is used.
const exactKendallMax = 50

// minForInterval is the smallest number of points for which Sen's interval is
// given: under it the interval does not hold its level.
const minForInterval = 5

// tieSums are the sums over groups of equal values that Kendall's variance
// needs: of t(t-1)/2, t(t-1)(t-2) and t(t-1)(2t+5).
func tieSums(values []float64) (pairs, triples, variance float64) {
	sorted := slices.Sorted(slices.Values(values))
	for start := 0; start < len(sorted); {
		end := start + 1
		for end < len(sorted) && sorted[end] == sorted[start] {
			end++
		}
		t := float64(end - start)
		pairs += t * (t - 1) / 2
		triples += t * (t - 1) * (t - 2)
		variance += t * (t - 1) * (2*t + 5)
		start = end
	}
	return pairs, triples, variance
}

// MannKendall returns S, the number of concordant less discordant pairs, and
// the two-sided p-value of no trend: exact for n <= 50 without ties, otherwise
// normal with tie and continuity correction; with ties in both x and y the
// variance is the full one of Kendall's tau-b. p is NaN under 2 points.
// Sources: Gilbert 1987, table A18; Kendall 1970 for the variance.
func MannKendall(x, y []float64) (s int, p float64) {
	n := len(x)
	if n < 2 {
		return 0, math.NaN()
	}
	for i := range n {
		for j := i + 1; j < n; j++ {
			s += sign(x[j]-x[i]) * sign(y[j]-y[i])
		}
	}
	xPairs, xTriples, xVariance := tieSums(x)
	yPairs, yTriples, yVariance := tieSums(y)
	if xPairs == 0 && yPairs == 0 && n <= exactKendallMax {
		return s, exactKendall(n, s)
	}
	size := float64(n)
	m := size * (size - 1)
	variance := (m*(2*size+5)-xVariance-yVariance)/18 + 2*xPairs*yPairs/m
	if n > 2 {
		variance += xTriples * yTriples / (9 * m * (size - 2))
	}
	if s == 0 || variance <= 0 {
		return s, 1
	}
	z := (math.Abs(float64(s)) - 1) / math.Sqrt(variance)
	return s, math.Erfc(z / math.Sqrt2)
}

// smallestKendallP is the smallest p that MannKendall can give of n points: 2/n!, that of
// a series without ties that only rises or only falls. Nil under 2 points, and above 50,
// where p is no longer exact.
func smallestKendallP(n int) *float64 {
	if n < 2 || n > exactKendallMax {
		return nil
	}
	p := 2.0
	for k := 2; k <= n; k++ {
		p /= float64(k)
	}
	return &p
}

func sign(v float64) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

// exactKendall is the two-sided p-value of |S| >= |s| over all orderings of n
// points without ties, by counting inversions.
func exactKendall(n, s int) float64 {
	pairs := n * (n - 1) / 2
	share := make([]float64, 1, pairs+1) // share[k]: orderings with k inversions, as a share of all
	share[0] = 1
	for size := 2; size <= n; size++ {
		next := make([]float64, len(share)+size-1)
		for k, v := range share {
			for shift := range size {
				next[k+shift] += v / float64(size)
			}
		}
		share = next
	}
	few := (pairs - abs(s)) / 2 // inversions at the extreme, counted from the nearer end
	tail := 0.0
	for k := 0; k <= few; k++ {
		tail += share[k]
	}
	return math.Min(1, 2*tail)
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}

// Slope is a Theil-Sen slope with Sen's 95 % interval; nil is not computed.
type Slope struct{ Slope, Low, High *float64 }

// TheilSen returns the median of the slopes of all pairs with distinct x, and
// Sen's interval by the rule of scipy.stats.theilslopes: the sorted slopes at
// ranks (N -+ z sigma)/2, halves rounded to even, without interpolation. The
// slope is nil without two distinct x, the interval under 5 points and where ties in
// both x and y leave the rule's variance negative (all drops equal and two sets at
// one moment are enough).
func TheilSen(x, y []float64) Slope {
	var slopes []float64
	for i := range x {
		for j := range x {
			if dx := x[j] - x[i]; dx > 0 {
				slopes = append(slopes, (y[j]-y[i])/dx)
			}
		}
	}
	if len(slopes) == 0 {
		return Slope{}
	}
	slices.Sort(slopes)
	out := Slope{Slope: ptr(medianSorted(slopes))}
	n := len(x)
	if n < minForInterval {
		return out
	}
	_, _, xVariance := tieSums(x)
	_, _, yVariance := tieSums(y)
	size := float64(n)
	variance := (size*(size-1)*(2*size+5) - xVariance - yVariance) / 18
	if variance < 0 { // ties in x and in y taken off together: scipy gives no interval either
		return out
	}
	sigma := math.Sqrt(variance)
	count := float64(len(slopes))
	high := min(int(math.RoundToEven((count+z95*sigma)/2)), len(slopes)-1)
	low := max(int(math.RoundToEven((count-z95*sigma)/2))-1, 0)
	out.Low, out.High = ptr(slopes[low]), ptr(slopes[high])
	return out
}

// MedianOf is the median of some figures; nil where there is none.
func MedianOf(values []float64) *float64 {
	if len(values) == 0 {
		return nil
	}
	return ptr(medianSorted(slices.Sorted(slices.Values(values))))
}

func medianSorted(v []float64) float64 {
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}

// Shift is a shift of location between two samples.
type Shift struct {
	Shift, Low, High *float64
	P                *float64
}

// minForShift is the smallest number of values on a side for which a shift is
// computed.
const minForShift = 2

// HodgesLehmann estimates the shift from before to after: the median of all
// differences, its exact 95 % interval from the Mann-Whitney distribution
// without ties (the k-th smallest and largest difference, k the largest with
// P(U <= k-1) <= 0.025; nil where there is none), and the exact two-sided
// p-value of the rank sum under permutation, with mid-ranks for ties, the
// smaller tail doubled; above 120 values in all p is the normal approximation. All nil
// under 2 values on a side.
func HodgesLehmann(before, after []float64) Shift {
	if len(before) < minForShift || len(after) < minForShift {
		return Shift{}
	}
	var differences []float64
	for _, a := range after {
		for _, b := range before {
			differences = append(differences, a-b)
		}
	}
	slices.Sort(differences)
	out := Shift{Shift: ptr(medianSorted(differences)), P: ptr(rankSumP(before, after))}
	if k := intervalRank(len(before), len(after)); k > 0 {
		out.Low, out.High = ptr(differences[k-1]), ptr(differences[len(differences)-k])
	}
	return out
}

// smallestRankSumP is the smallest two-sided p that the rank sum of so many values can
// have without ties: 2 / C(before+after, before). Nil under 2 on a side, as all of it is.
func smallestRankSumP(before, after int) *float64 {
	if before < minForShift || after < minForShift {
		return nil
	}
	p := 2.0
	for k := 1; k <= before; k++ {
		p *= float64(k) / float64(after+k)
	}
	return &p
}

// fisherEqual: a table counts as no more probable than the one seen within this share
// of its probability, as in R's fisher.test.
const fisherEqual = 1e-7

// FisherExact is Fisher's exact two-sided p of a 2 x 2 table: a of n in one group and b
// of m in the other. It is the sum of the probabilities, margins given, of all tables
// that are at most as probable. a is in 0 to n, b in 0 to m.
// Source: Fisher 1935, by the rule of R's fisher.test.
func FisherExact(a, n, b, m int) float64 {
	share := make([]float64, a+b+1) // by how many of the positive ones are in the first group
	for k := range share {
		share[k] = logChoose(n, k) + logChoose(m, a+b-k)
	}
	sum, all := 0.0, 0.0
	for _, log := range share {
		relative := math.Exp(log - share[a]) // to the table seen, so that nothing underflows where it matters
		all += relative
		if relative <= 1+fisherEqual {
			sum += relative
		}
	}
	return sum / all
}

// smallestFisherP is the smallest p that FisherExact can give of so many positive ones
// among n and m: that of the less probable of the two tables at the ends. Nil where
// either group is empty.
func smallestFisherP(positive, n, m int) *float64 {
	if n == 0 || m == 0 {
		return nil
	}
	most, fewest := min(positive, n), max(0, positive-m)
	return ptr(min(FisherExact(most, n, positive-most, m), FisherExact(fewest, n, positive-fewest, m)))
}

// logChoose is the logarithm of the number of ways to choose k of n; -Inf where there
// is none, k being under 0 or over n.
func logChoose(n, k int) float64 {
	of := func(v int) float64 { l, _ := math.Lgamma(float64(v) + 1); return l }
	return of(n) - of(k) - of(n-k)
}

// exactShiftMax is the largest number of values, both samples together, for which
// the permutation distribution of the rank sum is worked out: its cost grows with
// the fourth power. Above it the normal approximation is nearer than 0.005, which it
// is at half as many (a test).
const exactShiftMax = 120

// intervalRank is the largest k with P(U <= k-1) <= 0.025, 0 where none is, from the
// Mann-Whitney distribution without ties. That of sizes m and n is built up from
// sizes 0 and n: each step i multiplies the generating function by
// (1 - q^(n+i)) / (1 - q^i).
func intervalRank(m, n int) int {
	m, n = min(m, n), max(m, n)
	half := m*n/2 + 1 // the rest mirrors it
	share := make([]float64, half)
	share[0] = 1
	for i := 1; i <= m; i++ {
		for u := half - 1; u >= n+i; u-- {
			share[u] -= share[u-n-i]
		}
		for u := i; u < half; u++ {
			share[u] += share[u-i]
		}
		for u := range share {
			share[u] *= float64(i) / float64(n+i)
		}
	}
	cumulative := 0.0
	for k := 0; ; k++ { // half of the distribution holds more than 0.025
		cumulative += share[k]
		if Above(cumulative, 0.025) { // sums of shares: equal within rounding is equal
			return k
		}
	}
}

// rankSumP is the two-sided p-value of the rank sum of after among both samples,
// with mid-ranks for ties: from the permutation distribution, or normal with tie
// and continuity correction above exactShiftMax values.
func rankSumP(before, after []float64) float64 {
	all := slices.Sorted(slices.Values(slices.Concat(before, after)))
	if len(all) > exactShiftMax {
		return normalRankSumP(all, after)
	}
	observed := doubledRankSum(all, after)
	ranks := make([]int, len(all))
	for n, v := range all {
		ranks[n] = doubledRank(all, v)
	}
	share := subsetSums(ranks, len(after))
	low, high := 0.0, 0.0
	for sum, v := range share {
		if sum <= observed {
			low += v
		}
		if sum >= observed {
			high += v
		}
	}
	return math.Min(1, 2*math.Min(low, high))
}

// doubledRank is twice the mid-rank of a value among sorted ones, so that it is whole.
func doubledRank(sorted []float64, v float64) int {
	first, _ := slices.BinarySearch(sorted, v)
	last := first
	for last < len(sorted) && sorted[last] == v {
		last++
	}
	return first + 1 + last
}

func doubledRankSum(sorted, sample []float64) int {
	sum := 0
	for _, v := range sample {
		sum += doubledRank(sorted, v)
	}
	return sum
}

// normalRankSumP is the normal approximation of rankSumP, for the sample after among
// all values, sorted (Lehmann 1975, from memory; R's wilcox.test with exact = FALSE).
func normalRankSumP(all, after []float64) float64 {
	n, k := float64(len(all)), float64(len(after))
	pairs, triples, _ := tieSums(all)
	cubes := triples + 6*pairs // of t^3 - t
	variance := k * (n - k) / 12 * (n + 1 - cubes/(n*(n-1)))
	away := math.Abs(float64(doubledRankSum(all, after))/2-k*(n+1)/2) - 0.5
	// Where the sum is within a half of its mean, away is negative and Erfc above 1;
	// values that are all equal leave no variance and make that -0.5/0.
	return math.Min(1, math.Erfc(away/math.Sqrt(2*variance)))
}

// subsetSums is the distribution of the sum of size ranks drawn without
// replacement from ranks, which are in order: index by the sum, shares of all
// draws.
func subsetSums(ranks []int, size int) []float64 {
	total := 0
	for _, r := range ranks {
		total += r
	}
	// ways[k][s]: draws of k ranks with sum s among those seen, as a share of
	// all draws of k among them, so that large samples do not overflow.
	ways := make([][]float64, size+1)
	for k := range ways {
		ways[k] = make([]float64, total+1)
	}
	ways[0][0] = 1
	reached := 0 // no sum of those seen is larger
	for seen, r := range ranks {
		reached += r
		left := len(ranks) - seen - 1
		for k := min(seen+1, size); k >= max(1, size-left); k-- { // fewer could not grow to size any more
			taken := float64(k) / float64(seen+1)
			for s := reached; s >= 0; s-- {
				v := ways[k][s] * (1 - taken)
				if s >= r {
					v += ways[k-1][s-r] * taken
				}
				ways[k][s] = v
			}
		}
	}
	return ways[size]
}
