package reference

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"testing"

	"plumbline/internal/trends"
)

// kind is a kind of case: how the program computes it, and how near each figure must
// come to that of a reference.
type kind struct {
	compute    func(fields []string) (figures, error)
	tolerances map[string]tolerance
}

// tolerance limits the deviation: as a share of the wanted figure where relative,
// otherwise also as it is, where the figure is under 1.
type tolerance struct {
	limit    float64
	relative bool
}

var (
	whole      = tolerance{0, false}
	relative   = tolerance{1e-9, true}   // p-values and limits of intervals from distributions
	difference = tolerance{1e-12, false} // slopes and differences: the same few operations on the same values
)

var kinds = map[string]kind{
	"serial":     {serial, map[string]tolerance{"s": whole, "p": relative, "slope": difference, "low": difference, "high": difference}},
	"poisson":    {poisson, map[string]tolerance{"low": relative, "high": relative}},
	"proportion": {proportion, map[string]tolerance{"low": relative, "high": relative}},
	"counts":     {chiSquared, map[string]tolerance{"statistic": relative, "df": whole, "p": relative}},
	"fisher":     {fisher, map[string]tolerance{"p": relative}},
	"shift":      {shift, map[string]tolerance{"shift": difference, "low": difference, "high": difference, "p": relative}},
}

// numbers reads values parted by blanks.
func numbers(text string) ([]float64, error) {
	var values []float64
	for _, word := range strings.Fields(text) {
		v, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return nil, err
		}
		values = append(values, v)
	}
	return values, nil
}

func wantFields(fields []string, n int) error {
	if len(fields) != n {
		return fmt.Errorf("%d fields where %d are wanted", len(fields), n)
	}
	return nil
}

// points reads the series of a serial case.
func points(fields []string) (x, y []float64, err error) {
	if err = wantFields(fields, 3); err != nil {
		return nil, nil, err
	}
	divisor, err := strconv.ParseFloat(fields[0], 64)
	if err != nil {
		return nil, nil, err
	}
	if x, err = numbers(fields[1]); err != nil {
		return nil, nil, err
	}
	if y, err = numbers(fields[2]); err != nil {
		return nil, nil, err
	}
	if len(x) != len(y) {
		return nil, nil, fmt.Errorf("%d x and %d y", len(x), len(y))
	}
	for i := range x {
		x[i] /= divisor
	}
	return x, y, nil
}

// errPanic is the program's, on a series that it must answer.
var errPanic = errors.New("panic")

// serial is T-SLOPE and T-KENDALL.
func serial(fields []string) (out figures, err error) {
	x, y, err := points(fields)
	if err != nil {
		return nil, err
	}
	s, p := trends.MannKendall(x, y)
	score := float64(s)
	defer func() { // a panic is one fault with its series, and the others are still compared
		if failed := recover(); failed != nil {
			err = fmt.Errorf("%w: %v", errPanic, failed)
		}
	}()
	slope := trends.TheilSen(x, y)
	if len(x) < 5 && (slope.Low != nil || slope.High != nil) {
		return nil, fmt.Errorf("an interval under 5 points")
	}
	return figures{"s": &score, "p": &p, "slope": slope.Slope, "low": slope.Low, "high": slope.High}, nil
}

// shift is T-AROUND.
func shift(fields []string) (figures, error) {
	if err := wantFields(fields, 2); err != nil {
		return nil, err
	}
	before, err := numbers(fields[0])
	if err != nil {
		return nil, err
	}
	after, err := numbers(fields[1])
	if err != nil {
		return nil, err
	}
	got := trends.HodgesLehmann(before, after)
	return figures{"shift": got.Shift, "low": got.Low, "high": got.High, "p": got.P}, nil
}

// fisher is the exact p of T-DOSE.
func fisher(fields []string) (figures, error) {
	if err := wantFields(fields, 4); err != nil {
		return nil, err
	}
	v, err := numbers(strings.Join(fields, " "))
	if err != nil {
		return nil, err
	}
	p := trends.FisherExact(int(v[0]), int(v[1]), int(v[2]), int(v[3]))
	return figures{"p": &p}, nil
}

// poisson is the exact interval of a count.
func poisson(fields []string) (figures, error) {
	if err := wantFields(fields, 2); err != nil {
		return nil, err
	}
	v, err := numbers(strings.Join(fields, " "))
	if err != nil {
		return nil, err
	}
	low, high := trends.PoissonInterval(int(v[0]), v[1])
	return figures{"low": &low, "high": &high}, nil
}

// proportion is the exact interval of a share.
func proportion(fields []string) (figures, error) {
	if err := wantFields(fields, 3); err != nil {
		return nil, err
	}
	v, err := numbers(strings.Join(fields, " "))
	if err != nil {
		return nil, err
	}
	low, high := trends.BinomialInterval(int(v[0]), int(v[1]), v[2])
	return figures{"low": &low, "high": &high}, nil
}

// chiSquared compares counts with what their weights let expect.
func chiSquared(fields []string) (figures, error) {
	if err := wantFields(fields, 2); err != nil {
		return nil, err
	}
	observed, err := numbers(fields[0])
	if err != nil {
		return nil, err
	}
	expected, err := numbers(fields[1])
	if err != nil {
		return nil, err
	}
	counts, total, weights := make([]int, len(observed)), 0.0, 0.0
	for n, v := range observed {
		counts[n] = int(v)
		total += v
	}
	for _, w := range expected {
		weights += w
	}
	for n := range expected {
		expected[n] *= total / weights
	}
	statistic, cells, p := trends.ChiSquared(counts, expected)
	df := float64(cells)
	return figures{"statistic": &statistic, "df": &df, "p": &p}, nil
}

func tied(values []float64) bool {
	sorted := slices.Sorted(slices.Values(values))
	return len(slices.Compact(sorted)) < len(values)
}

func constant(values []float64) bool { return slices.Min(values) == slices.Max(values) }

// ways names the ways through the rules that a case takes.
func (p problem) ways() []string {
	var ways []string
	add := func(holds bool, way string) {
		if holds {
			ways = append(ways, way)
		}
	}
	switch p.kind {
	case "serial":
		x, y, err := points(p.fields)
		if err != nil {
			return nil // a fault already
		}
		n := len(x)
		add(!tied(x) && !tied(y) && n <= 50, "no ties, up to 50 points: exact")
		add(!tied(x) && !tied(y) && n == 50, "no ties, 50 points: the last exact")
		add(!tied(x) && !tied(y) && n == 51, "no ties, 51 points: the first normal")
		add(!tied(x) && !tied(y) && n > 50, "no ties, over 50 points")
		add(!tied(x) && tied(y), "ties in y alone")
		add(tied(x) && !tied(y), "ties in x alone")
		add(tied(x) && tied(y), "ties in both")
		add(constant(x), "all x equal")
		add(constant(y), "all y equal")
		add(constant(y) && tied(x) && !constant(x) && n >= 5, "ties in x, all y equal: no interval")
		add(n < 5, "under 5 points")
		add(!slices.IsSorted(x), "x out of order")
	case "shift":
		before, errBefore := numbers(p.fields[0])
		after, errAfter := numbers(p.fields[1])
		if errBefore != nil || errAfter != nil {
			return nil
		}
		both := slices.Concat(before, after)
		add(tied(both), "two samples with ties")
		add(!tied(both), "two samples without ties")
		add(constant(both), "two samples all equal")
		add(len(before) == 2 || len(after) == 2, "a sample of 2")
	}
	return ways
}

// What a file of cases must hold of each way, so that a generator that has gone
// narrow, or a reference that has gone silent, is no success.
var leastOfWays = map[string]int{
	"no ties, 50 points: the last exact":   3,
	"no ties, 51 points: the first normal": 1,
	"no ties, up to 50 points: exact":      100,
	"no ties, over 50 points":              5,
	"ties in y alone":                      100,
	"ties in x alone":                      100,
	"ties in both":                         100,
	"all x equal":                          5,
	"all y equal":                          20,
	"ties in x, all y equal: no interval":  10,
	"under 5 points":                       50,
	"x out of order":                       50,
	"two samples with ties":                200,
	"two samples without ties":             200,
	"two samples all equal":                10,
	"a sample of 2":                        50,
}

var leastCompared = map[string]int{
	"serial s, scipy":                 1000,
	"serial p, scipy":                 1000,
	"serial p, R":                     800,
	"serial p, orderings":             100,
	"serial slope, theilslopes":       1000,
	"serial low, rule of scipy 1.10":  800,
	"serial high, rule of scipy 1.10": 800,
	"shift shift, R":                  800,
	"shift low, R":                    800,
	"shift high, R":                   800,
	"shift p, R":                      200,
	"shift p, scipy":                  200,
	"shift p, permutation_test":       200,
	"poisson low, R":                  150, "poisson high, scipy": 150,
	"proportion low, R": 300, "proportion high, scipy": 300,
	"counts p, R": 150, "counts p, scipy": 150,
	"shift p, whole counts": 800,
}

func (r report) holdToVariety(t *testing.T, s suite, atLeast int) {
	t.Helper()
	ways, serials := map[string]int{}, 0
	for _, p := range s.cases {
		if p.kind == "serial" {
			serials++
		}
		for _, way := range p.ways() {
			ways[way]++
		}
	}
	if serials < atLeast {
		t.Errorf("%d series where %d are wanted", serials, atLeast)
	}
	for _, way := range slices.Sorted(maps.Keys(leastOfWays)) {
		t.Logf("%-40s %6d cases", way, ways[way])
		if least := leastOfWays[way]; ways[way] < least {
			t.Errorf("%s: %d cases where %d are wanted", way, ways[way], least)
		}
	}
	for what, least := range leastCompared {
		if got := r.compared[what].count; got < least {
			t.Errorf("%s: compared %d times where %d are wanted", what, got, least)
		}
	}
}
