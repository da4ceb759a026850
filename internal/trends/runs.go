package trends

import "math"

// RunRule is a pattern on a control chart that chance alone seldom makes.
type RunRule string

// The run rules, in the order in which they are reported.
const (
	RunBeyond     RunRule = "one point beyond 3 sigma"
	RunEight      RunRule = "8 in a row on one side"
	RunTwoOfThree RunRule = "2 of 3 beyond 2 sigma on one side"
	RunSix        RunRule = "6 in a row rising or falling"
)

const (
	warningSigmas = 2.0
	sideRun       = 8 // points
	steadySteps   = 5 // steps between 6 points
)

// RunRules are the rules that each point completes, none as an empty list.
//
//   - RunBeyond: strictly beyond three of the point's own sigma; on the limit is
//     not beyond it.
//   - RunEight: this point and the seven before it stand on one side of their
//     center. A point on the center ends the run.
//   - RunTwoOfThree: this point and one of the two before it are strictly beyond
//     two of their own sigma on the same side. Two in a row are enough: whatever
//     the third is, it does not undo them.
//   - RunSix: the last five steps all rise, or all fall. Equal neighbours end it.
//
// While a run goes on, every further point completes the rule again. Figures
// within 1e-9 of each other, relatively, are equal. A point without a value or
// center (no patient-days) is passed over: it completes nothing and ends no run,
// as no data is no evidence that anything changed; the points beside it are
// neighbours. A point without sigma takes part in the rules that need none.
func RunRules(points []ControlPoint) [][]RunRule {
	out := make([][]RunRule, len(points))
	var seen runs
	for n, p := range points {
		out[n] = []RunRule{}
		if p.Value != nil && p.Center != nil {
			out[n] = append(out[n], seen.add(p)...)
		}
	}
	return out
}

// runs is what the rules need to know of the points before. A side is 1 above,
// -1 below, 0 neither.
type runs struct {
	side, onSide  int    // the last point's side of the center, points in a row on it
	warned        [2]int // the sides of the last two points beyond two sigma
	last          *float64
	course, steps int // 1 rising or -1 falling, steps in a row
}

// add takes up the next point and returns the rules that it completes.
func (r *runs) add(p ControlPoint) []RunRule {
	var completed []RunRule
	if p.beyond(controlSigmas) != 0 {
		completed = append(completed, RunBeyond)
	}
	if r.side, r.onSide = lengthen(r.side, r.onSide, p.side()); r.onSide >= sideRun {
		completed = append(completed, RunEight)
	}
	warned := p.beyond(warningSigmas)
	if warned != 0 && (warned == r.warned[0] || warned == r.warned[1]) {
		completed = append(completed, RunTwoOfThree)
	}
	r.warned = [2]int{r.warned[1], warned}
	if r.last != nil {
		if r.course, r.steps = lengthen(r.course, r.steps, compare(*p.Value, *r.last)); r.steps >= steadySteps {
			completed = append(completed, RunSix)
		}
	}
	r.last = p.Value
	return completed
}

// lengthen is a run of one sign after the next sign: longer, begun anew, or
// none where the sign is 0.
func lengthen(sign, length, next int) (int, int) {
	switch next {
	case 0:
		return 0, 0
	case sign:
		return sign, length + 1
	}
	return next, 1
}

// compare is 1 where a is above b, -1 below, 0 where they are equal.
func compare(a, b float64) int {
	switch {
	case Above(a, b):
		return 1
	case Below(a, b):
		return -1
	}
	return 0
}

// side is the side of the center on which the value stands, 0 on it.
func (p ControlPoint) side() int { return compare(*p.Value, *p.Center) }

// beyond is the side on which the value stands more than so many sigma from the
// center; 0 where it does not, or sigma is unknown. The distance is compared,
// not the limit: near a limit of 0 a relative tolerance allows nothing.
func (p ControlPoint) beyond(sigmas float64) int {
	if p.Sigma == nil || !Above(math.Abs(*p.Value-*p.Center), sigmas**p.Sigma) {
		return 0
	}
	return p.side()
}
