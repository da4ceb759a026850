package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// run is a time in which an order was active: [From, To). The zero To is open.
type run struct {
	from, to time.Time
	held     bool // ended by a hold
}

func (r run) covers(t time.Time) bool {
	return !r.from.After(t) && (r.to.IsZero() || r.to.After(t))
}

// orderCourse is one order's life, as far as it was known and had come to pass.
type orderCourse struct {
	sourceID string
	order    clinical.Order // as the version that counts has it
	named
	runs     []run
	doses    []doseStep
	asNeeded bool
}

func (c orderCourse) activeAt(t time.Time) bool {
	return slices.ContainsFunc(c.runs, func(r run) bool { return r.covers(t) })
}

// doseStep is what was ordered from a moment on.
type doseStep struct {
	at          time.Time
	dose        *float64
	unit        string
	timesPerDay *float64
	drug        clinical.Drug
}

// courseOf reads an order's life from its versions (E-CHANGE). ok is false for
// an order that never was active, or that starts after asOf.
func courseOf(r clinical.Record, asOf time.Time) (c orderCourse, ok bool) {
	history := sinceLastRetraction(r.History)
	if len(history) == 0 {
		return orderCourse{}, false
	}
	order := r.Body.(clinical.Order)
	if order.StartAt.After(asOf) {
		return orderCourse{}, false
	}
	c = orderCourse{sourceID: r.SourceID, order: order, named: orderNamed(order), asNeeded: order.AsNeeded}
	history = replaceFirst(history)
	c.runs = runsOf(history, order)
	if len(c.runs) == 0 {
		return orderCourse{}, false
	}
	c.doses = doseStepsOf(history, order)
	return c, true
}

// sinceLastRetraction drops what a retraction took back: a retraction equals
// never having been sent, also where the order was entered again.
func sinceLastRetraction(history []clinical.Version) []clinical.Version {
	for n := len(history) - 1; n >= 0; n-- {
		if history[n].Removed() {
			return history[n+1:]
		}
	}
	return history
}

// replaceFirst drops what was recorded together with the first version and then
// replaced: the last of them stands from the start. A corrected one leaves the
// order active or on hold as it was.
func replaceFirst(history []clinical.Version) []clinical.Version {
	for len(history) > 1 && history[1].RecordedAt.Equal(history[0].RecordedAt) {
		next := history[1]
		if next.Status == clinical.Corrected {
			next.Status = history[0].Status
		}
		history = append([]clinical.Version{next}, history[2:]...)
	}
	return history
}

// runsOf lists when the order was active. A stop or hold takes effect when the
// version that made it was recorded, or at end_at, whichever is first; a hold
// lasts to the next active version.
func runsOf(history []clinical.Version, order clinical.Order) []run {
	var runs []run
	active := false
	var since time.Time
	end := func(at time.Time, held bool) {
		if order.EndAt != nil && !order.EndAt.After(at) {
			at, held = *order.EndAt, false
		}
		if at.After(since) {
			runs = append(runs, run{since, at, held})
		}
		active = false
	}
	for n, v := range history {
		switch v.Status {
		case clinical.Active, clinical.Corrected:
			if v.Status == clinical.Corrected && n > 0 {
				continue // leaves active or on-hold as it was
			}
			if !active {
				active, since = true, order.StartAt
				if n > 0 {
					since = latest(order.StartAt, v.RecordedAt)
				}
			}
		case clinical.OnHold, clinical.Stopped, clinical.Completed, clinical.Cancelled:
			if n == 0 && v.Status != clinical.Cancelled && !endUnknown(v) {
				active, since = true, order.StartAt // it had run before it was first seen
			}
			if active {
				end(v.RecordedAt, v.Status == clinical.OnHold)
			}
		}
	}
	if active && order.EndAt != nil {
		end(*order.EndAt, false)
	}
	if active {
		runs = append(runs, run{from: since})
	}
	return runs
}

// endUnknown reports whether the order had ended by then, nobody knows when: seen so for
// the first time it gives no run.
func endUnknown(v clinical.Version) bool {
	order, _ := v.Body.(clinical.Order)
	return order.EndUnknown
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// doseStepsOf lists what was ordered from when: a later active version holds
// from its recorded_at; a corrected one, or one recorded with the first,
// replaces it from the start.
func doseStepsOf(history []clinical.Version, order clinical.Order) []doseStep {
	var steps []doseStep
	for n, v := range history {
		body, ok := v.Body.(clinical.Order)
		if !ok {
			continue
		}
		step := doseStep{order.StartAt, body.Dose, body.DoseUnit, body.TimesPerDay, body.Drug}
		switch {
		case n == 0 || v.Status == clinical.Corrected:
			steps = []doseStep{step}
		case v.Status == clinical.Active:
			step.at = latest(order.StartAt, v.RecordedAt)
			steps = append(steps, step)
		}
	}
	return steps
}

// segment is a stretch of an ingredient's ordered daily dose. A nil level is
// "on, amount unknown"; a level of 0 is off.
type segment struct {
	from  time.Time
	level *float64
	held  bool // off, and the ending version was on-hold
}

func (s segment) on() bool { return s.level == nil || *s.level > 0 }

// ingredientCourse is the ordered daily dose of one ingredient and route over
// time: the sum of its orders that are not as-needed.
type ingredientCourse struct {
	ingredient clinical.Ingredient
	route      clinical.Route
	orders     []ingredientOrder
	segments   []segment // by time; before the first one the drug was off
}

type ingredientOrder struct {
	sourceID string
	newDrug  bool
	runs     []run
	levels   []levelStep
}

type levelStep struct {
	at time.Time
	mg *float64 // per day; nil is unknown
}

func (o ingredientOrder) start() time.Time { return o.runs[0].from }

// levelAt is the daily dose of an active order at t.
func (o ingredientOrder) levelAt(t time.Time) *float64 {
	var mg *float64
	for _, l := range o.levels {
		if !l.at.After(t) {
			mg = l.mg
		}
	}
	return mg
}

func (o ingredientOrder) activeAt(t time.Time) bool {
	return slices.ContainsFunc(o.runs, func(r run) bool { return r.covers(t) })
}

// courseKey is what one step function of daily doses is of. Each order is judged by its
// own code: one name may have two (clonidine against migraine lowers nothing here).
type courseKey struct {
	Substance
	route clinical.Route
}

// ingredientCourses gathers the orders of a stay by ingredient and route.
// Orders by a local route and as-needed ones are left out.
func ingredientCourses(orders []orderCourse, asOf time.Time, p clinical.DrugPolicy) []ingredientCourse {
	byKey := map[courseKey]*ingredientCourse{}
	var keys []courseKey
	for _, o := range orders {
		if o.asNeeded {
			continue
		}
		for _, part := range o.parts {
			k := courseKey{part.substance(), part.route}
			if byKey[k] == nil {
				byKey[k] = &ingredientCourse{ingredient: part.Ingredient, route: part.route}
				keys = append(keys, k)
			}
			byKey[k].orders = append(byKey[k].orders, ingredientOrder{
				sourceID: o.sourceID, newDrug: o.order.NewDrug,
				runs: slices.Clone(o.runs), levels: levelsOf(o, part.Name),
			})
		}
	}
	slices.SortFunc(keys, func(a, b courseKey) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), strings.Compare(a.ATC, b.ATC), cmp.Compare(a.route, b.route))
	})
	out := make([]ingredientCourse, 0, len(keys))
	for _, k := range keys {
		c := byKey[k]
		slices.SortFunc(c.orders, func(a, b ingredientOrder) int {
			return cmp.Or(a.start().Compare(b.start()), strings.Compare(a.sourceID, b.sourceID))
		})
		endRenewed(c.orders, clinical.Hours(p.RenewalHours))
		c.segments = bridge(segmentsOf(c.orders, asOf), clinical.Hours(p.RenewalHours))
		out = append(out, *c)
	}
	return out
}

func levelsOf(o orderCourse, ingredient string) []levelStep {
	out := make([]levelStep, 0, len(o.doses))
	for _, d := range o.doses {
		out = append(out, levelStep{d.at, dailyMG(d, ingredient)})
	}
	return out
}

// dailyMG is the ordered daily dose of an ingredient in mg, nil where it cannot
// be computed.
func dailyMG(d doseStep, ingredient string) *float64 {
	if d.timesPerDay == nil {
		return nil
	}
	ingredients, _ := d.drug.Ingredients()
	for _, ing := range ingredients {
		if ing.Name != ingredient {
			continue
		}
		if mg, ok := ing.AmountMG(d.dose, d.unit); ok {
			return ptr(mg * *d.timesPerDay)
		}
	}
	return nil
}

// endRenewed ends an order where another of the same ingredient and route
// starts after its start and less than two hours before its end: a renewal is
// no change. A hold is no end.
func endRenewed(orders []ingredientOrder, within time.Duration) {
	type cut struct {
		order int
		at    time.Time
	}
	var cuts []cut
	for n, o := range orders {
		last := o.runs[len(o.runs)-1]
		if last.to.IsZero() || last.held {
			continue
		}
		at := time.Time{}
		for k, other := range orders {
			start := other.start()
			if k == n || !start.After(o.start()) || !start.Before(last.to) || last.to.Sub(start) >= within {
				continue
			}
			if at.IsZero() || start.Before(at) {
				at = start
			}
		}
		if !at.IsZero() {
			cuts = append(cuts, cut{n, at})
		}
	}
	for _, c := range cuts {
		var kept []run
		for _, r := range orders[c.order].runs {
			if !r.from.Before(c.at) {
				continue
			}
			if r.to.IsZero() || r.to.After(c.at) {
				r.to, r.held = c.at, false
			}
			kept = append(kept, r)
		}
		orders[c.order].runs = kept
	}
}

// segmentsOf sums the orders into a step function of time. Steps after asOf do
// not exist yet.
func segmentsOf(orders []ingredientOrder, asOf time.Time) []segment {
	var moments []time.Time
	for _, o := range orders {
		for _, r := range o.runs {
			moments = append(moments, r.from)
			if !r.to.IsZero() {
				moments = append(moments, r.to)
			}
		}
		for _, l := range o.levels {
			moments = append(moments, l.at)
		}
	}
	slices.SortFunc(moments, time.Time.Compare)
	moments = slices.CompactFunc(moments, time.Time.Equal)

	var out []segment
	for _, t := range moments {
		if t.After(asOf) {
			break
		}
		s := segment{from: t, level: ptr(0.0)}
		for _, o := range orders {
			if !o.activeAt(t) {
				continue
			}
			mg := o.levelAt(t)
			if mg == nil || s.level == nil {
				s.level = nil
				continue
			}
			*s.level += *mg
		}
		if !s.on() {
			s.held = endedByHold(orders, t)
		}
		if len(out) > 0 && sameLevel(out[len(out)-1], s) {
			continue
		}
		if len(out) == 0 && !s.on() {
			continue
		}
		out = append(out, s)
	}
	return out
}

// endedByHold reports whether every order that ended at t was put on hold.
func endedByHold(orders []ingredientOrder, t time.Time) bool {
	held := false
	for _, o := range orders {
		for _, r := range o.runs {
			if r.to.IsZero() || !r.to.Equal(t) {
				continue
			}
			if !r.held {
				return false
			}
			held = true
		}
	}
	return held
}

func sameLevel(a, b segment) bool {
	if a.level == nil || b.level == nil {
		return a.level == nil && b.level == nil
	}
	return *a.level == *b.level || near(*a.level, *b.level)
}

// bridge fills a gap of under two hours at level 0, at the old level until the
// new start.
func bridge(segments []segment, under time.Duration) []segment {
	var out []segment
	for n, s := range segments {
		gap := !s.on() && len(out) > 0 && n+1 < len(segments) && segments[n+1].from.Sub(s.from) < under
		if gap || len(out) > 0 && sameLevel(out[len(out)-1], s) {
			continue
		}
		out = append(out, s)
	}
	return out
}

// levelAt is the ordered daily dose at t; on is false where the drug was off.
func (c ingredientCourse) levelAt(t time.Time) (mg *float64, on bool) {
	for n := len(c.segments) - 1; n >= 0; n-- {
		if s := c.segments[n]; !s.from.After(t) {
			return s.level, s.on()
		}
	}
	return ptr(0.0), false
}
