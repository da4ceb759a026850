package trends

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// GroupSteps is the ordered daily dose of one blood-pressure-lowering class over
// time, in DDDs.
type GroupSteps struct {
	Group  clinical.Group
	Points []LoadPoint
}

// LoadPoint holds from At until the next point. DDD is nil where the class was
// on in an amount that is not known, 0 where it was off.
type LoadPoint struct {
	At  time.Time
	DDD *float64
}

// LoadSteps draws the ordered daily doses of each class as step functions, in
// the order of the rules: the sum of its ingredients, each over the DDD of its
// route. Classes without orders are left out.
func LoadSteps(c clinical.Chart, p clinical.Policy) []GroupSteps {
	courses := ingredientCourses(ordersOf(c), c.AsOf, p.Drugs)
	var out []GroupSteps
	for _, g := range clinical.Groups {
		var own []ingredientCourse
		var moments []time.Time
		for _, course := range courses {
			if course.ingredient.Group() != g {
				continue
			}
			own = append(own, course)
			for _, s := range course.segments {
				moments = append(moments, s.from)
			}
		}
		if len(own) == 0 {
			continue
		}
		slices.SortFunc(moments, time.Time.Compare)
		moments = slices.CompactFunc(moments, time.Time.Equal)
		steps := GroupSteps{Group: g}
		for _, t := range moments {
			steps.Points = append(steps.Points, LoadPoint{t, dddAt(own, t)})
		}
		out = append(out, steps)
	}
	return out
}

// dddAt sums the ordered daily doses of courses at t in DDDs, nil where one that
// is on cannot be counted.
func dddAt(courses []ingredientCourse, t time.Time) *float64 {
	sum := 0.0
	for _, c := range courses {
		mg, on := c.levelAt(t)
		if !on {
			continue
		}
		ddd, ok := c.ingredient.DDD(c.route)
		if mg == nil || !ok {
			return nil
		}
		sum += *mg / ddd
	}
	return &sum
}

// ShiftBalance is the fluid of one shift.
type ShiftBalance struct {
	From, To time.Time
	Balance
}

// ShiftBalances works out the fluid balance of each shift of a stay up to the
// chart's moment, oldest first. starts are the shifts' starts in order; the last
// shift ends at the chart's moment if that is earlier than its end.
func ShiftBalances(c clinical.Chart, p clinical.FluidPolicy, bounds []time.Time) []ShiftBalance {
	d := Digest{Stay: *c.Stay}
	for _, r := range c.Records {
		if b, ok := r.Body.(clinical.Fluid); ok {
			d.Fluids = append(d.Fluids, FluidEntry{r.SourceID, b.From, b.To, b.Direction, b.VolumeML, b.What})
		}
	}
	var out []ShiftBalance
	for n := 0; n+1 < len(bounds); n++ {
		from, to := latest(bounds[n], c.Stay.AdmittedAt), bounds[n+1]
		if to.After(c.AsOf) {
			to = c.AsOf
		}
		if !to.After(from) {
			continue
		}
		out = append(out, ShiftBalance{from, to, d.balance(to.Sub(from), to, p)})
	}
	return out
}

// Shifts lists the starts of shifts from the one in force at from to the first
// after to, by the policy's clock in the site's zone.
func Shifts(from, to time.Time, p clinical.UnitPolicy, zone *time.Location) []time.Time {
	var out []time.Time
	clocks := []string{p.DayShift, p.NightShift}
	slices.Sort(clocks) // of one day the earlier first, whichever shift it starts
	day := from.In(zone).AddDate(0, 0, -1)
	for {
		for _, clock := range clocks {
			t, err := time.Parse("15:04", clock)
			if err != nil {
				continue // the policy's check refuses such a clock
			}
			at := time.Date(day.Year(), day.Month(), day.Day(), t.Hour(), t.Minute(), 0, 0, zone)
			out = append(out, at)
			if at.After(to) {
				return fromLastBefore(out, from)
			}
		}
		day = day.AddDate(0, 0, 1)
	}
}

func fromLastBefore(starts []time.Time, from time.Time) []time.Time {
	for n := len(starts) - 1; n > 0; n-- {
		if !starts[n].After(from) {
			return starts[n:]
		}
	}
	return starts
}
