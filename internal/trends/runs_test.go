package trends

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// standard are points of values in sigma about a center of 0.
func standard(values ...float64) []ControlPoint {
	out := make([]ControlPoint, len(values))
	for n, v := range values {
		out[n] = ControlPoint{Value: ptr(v), Center: ptr(0.0), Lower: ptr(-3.0), Upper: ptr(3.0), Sigma: ptr(1.0)}
	}
	return out
}

// completing are the points, counted from 1, that complete a rule.
func completing(rule RunRule, points []ControlPoint) []int {
	out := []int{}
	for n, rules := range RunRules(points) {
		if slices.Contains(rules, rule) {
			out = append(out, n+1)
		}
	}
	return out
}

func TestRunRulesOnBothSidesOfTheirBoundaries(t *testing.T) {
	const hair = 1e-6
	a, b := .5, -.5 // sides, zigzag so that nothing rises six times
	for _, c := range []struct {
		name   string
		rule   RunRule
		values []float64
		want   []int
	}{
		{"on the limit", RunBeyond, []float64{3, -3}, nil},
		{"within 1e-9 of the limit", RunBeyond, []float64{3 + 1e-10, -3 - 1e-10}, nil},
		{"beyond the limit", RunBeyond, []float64{3 + hair, 0, -3 - hair}, []int{1, 3}},
		{"inside the limit", RunBeyond, []float64{3 - hair, -3 + hair}, nil},

		{"7 on one side", RunEight, []float64{a, 1, a, 1, a, 1, a}, nil},
		{"8 on one side", RunEight, []float64{a, 1, a, 1, a, 1, a, 1}, []int{8}},
		{"8 below", RunEight, []float64{b, -1, b, -1, b, -1, b, -1}, []int{8}},
		{"10 on one side go on", RunEight, []float64{a, 1, a, 1, a, 1, a, 1, a, 1}, []int{8, 9, 10}},
		{"the 8th on the center", RunEight, []float64{a, 1, a, 1, a, 1, a, 0, a}, nil},
		{"a point on the center begins none", RunEight, []float64{0, a, 1, a, 1, a, 1, a}, nil},
		{"7, the center, 7", RunEight, []float64{a, 1, a, 1, a, 1, a, 0, a, 1, a, 1, a, 1, a}, nil},
		{"7, the center, 8", RunEight, []float64{a, 1, a, 1, a, 1, a, 0, a, 1, a, 1, a, 1, a, 1}, []int{16}},
		{"7 above, 8 below", RunEight, []float64{a, 1, a, 1, a, 1, a, b, -1, b, -1, b, -1, b, -1}, []int{15}},

		{"one beyond 2 sigma", RunTwoOfThree, []float64{0, 2.1, 0}, nil},
		{"two in a row", RunTwoOfThree, []float64{2.1, 2.2}, []int{2}},
		{"first and third", RunTwoOfThree, []float64{2.1, 0, 2.2}, []int{3}},
		{"first and third, the second on the other side", RunTwoOfThree, []float64{2.1, -2.1, 2.2}, []int{3}},
		{"first and fourth", RunTwoOfThree, []float64{2.1, 0, 0, 2.2}, nil},
		{"two below", RunTwoOfThree, []float64{-2.1, 0, -2.2}, []int{3}},
		{"one on each side", RunTwoOfThree, []float64{2.1, -2.2, 0}, nil},
		{"on 2 sigma", RunTwoOfThree, []float64{2, 2, 2}, nil},
		{"one on 2 sigma", RunTwoOfThree, []float64{2.1, 2, 0}, nil},
		{"just beyond 2 sigma", RunTwoOfThree, []float64{2 + hair, 2 + hair}, []int{2}},
		{"the third, inside, is not marked", RunTwoOfThree, []float64{2.1, 2.2, 0, 0}, []int{2}},
		{"the fourth with the second", RunTwoOfThree, []float64{2.1, 2.2, 0, 2.3}, []int{2, 4}},
		{"beyond 3 sigma is beyond 2", RunTwoOfThree, []float64{3.1, 0, 2.1}, []int{3}},

		{"5 rising", RunSix, []float64{-1, -.5, 0, .5, 1}, nil},
		{"6 rising", RunSix, []float64{-1, -.5, 0, .5, 1, 1.5}, []int{6}},
		{"6 falling", RunSix, []float64{1, .5, 0, -.5, -1, -1.5}, []int{6}},
		{"7 rising go on", RunSix, []float64{-1.5, -1, -.5, 0, .5, 1, 1.5}, []int{6, 7}},
		{"equal neighbours end it", RunSix, []float64{-1, -.5, 0, .5, .5, 1}, nil},
		{"equal within 1e-9 end it", RunSix, []float64{-1, -.5, 0, .5, .5 * (1 + 1e-10), 1}, nil},
		{"6 after equal neighbours", RunSix, []float64{-1, -1, -.5, 0, .5, 1, 1.5}, []int{7}},
		{"5 rising, 6 falling share the top", RunSix, []float64{-1, -.5, 0, .5, 1, .8, .6, .4, .2, .1}, []int{10}},
		{"6 equal", RunSix, []float64{.5, .5, .5, .5, .5, .5}, nil},
	} {
		sameInts(t, c.name, completing(c.rule, standard(c.values...)), c.want...)
		mirrored := scaled(c.values, -1)
		sameInts(t, c.name+", mirrored", completing(c.rule, standard(mirrored...)), c.want...)
	}
}

func TestRulesThatOnePointCompletesStandInOrder(t *testing.T) {
	got := RunRules(standard(.1, .2, .1, .2, .5, 1, 2.1, 3.1))
	if !slices.Equal(got[7], []RunRule{RunBeyond, RunEight, RunTwoOfThree, RunSix}) {
		t.Errorf("%q", got[7])
	}
	if got = RunRules(standard(-1, 0, 1, 1.5, 2.1, 3.1)); !slices.Equal(got[5], []RunRule{RunBeyond, RunTwoOfThree, RunSix}) {
		t.Errorf("%q", got[5])
	}
	if got[0] == nil || len(got[0]) != 0 {
		t.Errorf("a point that completes nothing: %#v", got[0])
	}
	if got = RunRules(nil); got == nil || len(got) != 0 {
		t.Errorf("no points: %#v", got)
	}
}

// Every point is measured by its own sigma and center.
func TestEachPointIsStandardisedByItsOwnSigma(t *testing.T) {
	points := standard(2.5, 2.5, 2.5)
	*points[0].Sigma, *points[1].Sigma, *points[2].Sigma = .8, 2, 1 // 3.125, 1.25 and 2.5 sigma
	sameInts(t, "beyond", completing(RunBeyond, points), 1)
	sameInts(t, "2 of 3", completing(RunTwoOfThree, points), 3)
	for n := range points {
		*points[n].Center = 2.5
	}
	sameInts(t, "on centers of their own", completing(RunTwoOfThree, points))
}

// No data is no evidence: a point without a value, or without a center, neither
// completes nor ends a run.
func TestPointsWithoutAValueArePassedOver(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-4, 4), 0, 30).Draw(rt, "values")
		plain := standard(values...)
		var holed []ControlPoint
		var kept []int
		for _, p := range plain {
			for range rapid.IntRange(0, 2).Draw(rt, "holes") {
				hole := ControlPoint{Center: ptr(0.0)}
				if rapid.Bool().Draw(rt, "no center") {
					hole = ControlPoint{Value: ptr(9.0)}
				}
				holed = append(holed, hole)
			}
			kept = append(kept, len(holed))
			holed = append(holed, p)
		}
		want, got := RunRules(plain), RunRules(holed)
		for n, at := range kept {
			if !slices.Equal(got[at], want[n]) {
				rt.Errorf("point %d: %q with holes, %q without", n, got[at], want[n])
			}
			got[at] = nil
		}
		for at, rules := range got {
			if len(rules) > 0 {
				rt.Errorf("point %d has no value, and completes %q", at, rules)
			}
		}
	})
}

func TestPointsWithoutSigmaTakePartInTheOtherRules(t *testing.T) {
	points := standard(9, 8, 7, 6, 5, 4, 3.5, 3.2)
	for n := range points {
		points[n].Sigma = nil
	}
	sameInts(t, "beyond", completing(RunBeyond, points))
	sameInts(t, "2 of 3", completing(RunTwoOfThree, points))
	sameInts(t, "8 in a row", completing(RunEight, points), 8)
	sameInts(t, "6 falling", completing(RunSix, points), 6, 7, 8)
}

// Counts near 0: a value of 0 on an uncut limit of 0 (c-bar 9: 9 - 3 x 3) is not
// beyond it, though rounding may put the limit a hair above 0, and without an event
// nothing is out.
func TestRunRulesNearNothing(t *testing.T) {
	on := ControlPoint{Value: ptr(0.0), Center: ptr(.3), Sigma: ptr(.1 - 1e-17)}
	sameInts(t, "on a limit of 0", completing(RunBeyond, []ControlPoint{on}))
	sameInts(t, "c-bar 9", completing(RunBeyond, UChart([]int{0, 18, 9}, repeated(1.0, 3))))
	for n, rules := range RunRules(UChart(repeated(0, 12), repeated(1.0, 12))) {
		if len(rules) > 0 {
			t.Errorf("point %d of a unit without an event: %q", n+1, rules)
		}
	}
	// Sigma of 0 by rounding alone: equal rates are on their center.
	sameInts(t, "equal rates", completing(RunBeyond, UChart([]int{3, 6, 1}, []float64{.3, .6, .1})))
}

// NIST/SEMATECH e-Handbook, pmc331: only the 24th point is out of the limits.
func TestRunRulesOnTheHandbooksChart(t *testing.T) {
	points := UChart(nistDefects, repeated(1.0, len(nistDefects)))
	sameInts(t, "beyond", completing(RunBeyond, points), 24)
	sameInts(t, "2 of 3", completing(RunTwoOfThree, points)) // 28 and 31 stand far apart
	sameInts(t, "8 in a row", completing(RunEight, points))  // never more than three stand on one side
	sameInts(t, "6 in a row", completing(RunSix, points))
}

// upperTailOf is P(Z > z) of a standard normal.
func upperTailOf(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }

// every calls visit with each sequence of n of the choices.
func every(choices, n int, visit func(sequence []int)) {
	sequence := make([]int, n)
	for {
		visit(sequence)
		at := 0
		for at < n && sequence[at] == choices-1 {
			sequence[at] = 0
			at++
		}
		if at == n {
			return
		}
		sequence[at]++
	}
}

// Check values, section C, run rules per point in control, normal: exact, by
// putting every pattern of zones, sides or ranks through RunRules.
func TestRunRuleProbabilitiesExactly(t *testing.T) {
	out := upperTailOf(3)
	sameInts(t, "beyond", completing(RunBeyond, standard(-3.5, 0, 3.5)), 1, 3)
	if !isPrinted(2*out, .0026997961) || !isPrinted(out, .0013498980) {
		t.Errorf("beyond 3 sigma: %.10f", out)
	}

	warn := upperTailOf(2)
	zones, chance := []float64{-2.5, .1, 2.5}, []float64{warn, 1 - 2*warn, warn}
	anywhere, above, last := 0.0, 0.0, 0.0
	every(3, 3, func(s []int) {
		p := chance[s[0]] * chance[s[1]] * chance[s[2]]
		marks := completing(RunTwoOfThree, standard(zones[s[0]], zones[s[1]], zones[s[2]]))
		if len(marks) > 0 { // 2 of these 3, whichever they are
			anywhere += p
			if zones[s[marks[0]-1]] > 0 {
				above += p
			}
		}
		if slices.Contains(marks, 3) {
			last += p
		}
	})
	if !isPrinted(anywhere, .0030583120) || !isPrinted(above, .0015291560) {
		t.Errorf("2 of 3: %.10f, above %.10f", anywhere, above)
	}
	// The point that completes it is itself beyond: less the windows whose third is not.
	if want := 2 * (2*warn*warn - warn*warn*warn); !closeTo(last, want, 1e-14) {
		t.Errorf("2 of 3, completed at the third: %.10f, want %.10f", last, want)
	}

	marked := 0
	every(2, 8, func(s []int) {
		values := make([]float64, len(s))
		for n, side := range s {
			values[n] = float64(2*side-1) * float64(1+n%2)
		}
		marked += len(completing(RunEight, standard(values...)))
	})
	if got := float64(marked) / 256; got != .0078125 {
		t.Errorf("8 in a row: %v", got)
	}

	marked, orders := 0, 0
	every(6, 6, func(s []int) {
		values := make([]float64, len(s))
		seen := map[int]bool{}
		for n, rank := range s {
			values[n], seen[rank] = float64(rank), true
		}
		if len(seen) == len(s) { // an order of six values
			orders++
			marked += len(completing(RunSix, standard(values...)))
		}
	})
	if orders != 720 || marked != 2 || math.Abs(float64(marked)/720-.0027777778) > tenDecimals {
		t.Errorf("6 in a row: %d of %d orders", marked, orders)
	}
}

// The same on one long series in control, with a fixed seed. Signals come in
// clusters, so that the shares scatter more than independent draws do: the
// tolerance is five standard errors of independent draws, times two.
func TestRunRuleProbabilitiesOnALongSeries(t *testing.T) {
	const size = 1_000_000
	random := rand.New(rand.NewPCG(20260301, 7))
	values := make([]float64, size)
	for n := range values {
		values[n] = random.NormFloat64()
	}
	count := map[RunRule]int{}
	for _, rules := range RunRules(standard(values...)) {
		for _, rule := range rules {
			count[rule]++
		}
	}
	warn := upperTailOf(2)
	for rule, want := range map[RunRule]float64{
		RunBeyond:     .0026997961,
		RunEight:      .0078125,
		RunTwoOfThree: 2 * (2*warn*warn - warn*warn*warn),
		RunSix:        .0027777778,
	} {
		got, tolerance := float64(count[rule])/size, 10*math.Sqrt(want*(1-want)/size)
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s: %.6f of points, want %.6f +- %.6f", rule, got, want, tolerance)
		}
		t.Logf("%s: %.6f, expected %.6f", rule, got, want)
	}
}
