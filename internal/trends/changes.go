package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// The kinds of change of an ordered dose (E-CHANGE).
const (
	Started      = "started"
	Resumed      = "resumed"
	Raised       = "raised"
	Lowered      = "lowered"
	Held         = "held"
	StoppedDrug  = "stopped"
	RouteChanged = "route changed"
)

// Change is a step of the ordered daily dose of one ingredient and route.
type Change struct {
	Drug   string
	Change string
	At     time.Time
	From   *float64 // daily dose in mg; nil is on, amount unknown
	To     *float64
	Unit   string

	// What rules ask of it.
	Lowering    bool // of a blood-pressure-lowering drug
	OwesRecheck bool // by R-DRUG, if it is a start, raise or resumption
	Route       string
	Orders      []string
}

// Up reports whether the change was a start, raise or resumption.
func (c Change) Up() bool { return c.Change == Started || c.Change == Raised || c.Change == Resumed }

// step is a change before the rules of listing are applied.
type step struct {
	Change
	listed bool
}

// changesOf lists the changes of the blood-pressure-lowering, contributing and
// pressor drugs of a stay, by time.
func changesOf(courses []ingredientCourse, admitted time.Time, p clinical.DrugPolicy) []Change {
	bySubstance := map[Substance][]step{}
	var order []Substance
	for _, c := range courses {
		ing := c.ingredient
		if !ing.Lowering() && !ing.Contributing() && !ing.Pressor() {
			continue
		}
		of := Substance{ing.Name, ing.ATC}
		if _, seen := bySubstance[of]; !seen {
			order = append(order, of)
		}
		bySubstance[of] = append(bySubstance[of], stepsOf(c, admitted, p)...)
	}
	out := []Change{}
	for _, of := range order {
		for _, s := range joinRoutes(bySubstance[of], clinical.Hours(p.RenewalHours)) {
			if s.listed {
				out = append(out, s.Change)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Change) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Drug, b.Drug), strings.Compare(a.Route, b.Route))
	})
	return out
}

// stepsOf reads the steps off one course. A step up from nothing before or
// within 12 h after admission is not listed unless the drug is new or parenteral:
// drugs taken at home are ordered again then.
func stepsOf(c ingredientCourse, admitted time.Time, p clinical.DrugPolicy) []step {
	home := admitted.Add(clinical.Hours(p.HomeDrugsHours))
	var out []step
	previous := segment{level: ptr(0.0)}
	var offSince time.Time // the zero time where it was never on
	for _, s := range c.segments {
		kind := stepKind(previous, s)
		if kind == Started && offSince.After(s.from.Add(-clinical.Hours(p.ResumedHours))) {
			kind = Resumed
		}
		if kind != "" {
			fromNothing := kind == Started || kind == Resumed
			out = append(out, step{
				Change: Change{
					Drug: c.ingredient.Name, Change: kind, At: s.from, From: previous.level, To: s.level, Unit: "mg",
					Lowering: c.ingredient.Lowering(), OwesRecheck: c.ingredient.OwesRecheck(),
					Route: string(c.route), Orders: c.ordersAt(s.from),
				},
				listed: !fromNothing || s.from.After(home) || c.route == clinical.Parenteral || c.newDrugAt(s.from),
			})
		}
		if previous.on() && !s.on() {
			offSince = s.from
		}
		previous = s
	}
	return out
}

func stepKind(from, to segment) string {
	switch {
	case !from.on() && to.on():
		return Started
	case from.on() && !to.on():
		if to.held {
			return Held
		}
		return StoppedDrug
	case from.level == nil || to.level == nil:
		return "" // on, amount unknown: no raise or lowering can be seen
	case *to.level > *from.level:
		return Raised
	case *to.level < *from.level:
		return Lowered
	}
	return ""
}

// ordersAt names the orders that begin, change or end at a moment, for evidence.
func (c ingredientCourse) ordersAt(t time.Time) []string {
	out := []string{}
	for _, o := range c.orders {
		touches := slices.ContainsFunc(o.runs, func(r run) bool { return r.from.Equal(t) || r.to.Equal(t) }) ||
			slices.ContainsFunc(o.levels, func(l levelStep) bool { return l.at.Equal(t) })
		if touches {
			out = append(out, o.sourceID)
		}
	}
	return out
}

func (c ingredientCourse) newDrugAt(t time.Time) bool {
	return slices.ContainsFunc(c.orders, func(o ingredientOrder) bool {
		return o.newDrug && slices.ContainsFunc(o.runs, func(r run) bool { return r.from.Equal(t) })
	})
}

// joinRoutes makes one change of a stop and a start of one ingredient by
// another route at most two hours apart, in either order: at the start by the
// new route, with both daily doses.
func joinRoutes(steps []step, within time.Duration) []step {
	slices.SortStableFunc(steps, func(a, b step) int { return a.At.Compare(b.At) })
	used := make([]bool, len(steps))
	joined := map[int]step{}
	for n, start := range steps {
		if start.Change.Change != Started {
			continue
		}
		best, bestGap := -1, within+1
		for k, stop := range steps {
			if used[k] || stop.Change.Change != StoppedDrug || stop.Route == start.Route {
				continue
			}
			if gap := start.At.Sub(stop.At).Abs(); gap <= within && gap < bestGap {
				best, bestGap = k, gap
			}
		}
		if best < 0 {
			continue
		}
		used[best] = true
		s := start
		s.Change.Change, s.From, s.listed = RouteChanged, steps[best].From, true
		s.Orders = append(slices.Clone(steps[best].Orders), start.Orders...)
		joined[n] = s
	}
	var out []step
	for n, s := range steps {
		switch j, ok := joined[n]; {
		case ok:
			out = append(out, j)
		case !used[n]:
			out = append(out, s)
		}
	}
	return out
}
