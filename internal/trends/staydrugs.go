package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// StayDrug is one drug of a stay, of whatever class and route, as ordered and as given.
type StayDrug struct {
	Substance             // the name as charted, without a code, of one that nobody knows or by a local route
	Known     bool        // what it is can be told
	Local     bool        // by a local route: the rules count it nowhere
	Orders    []StayOrder // that ran in the stay, the latest first
	Given     int         // dose records of the stay that were given
	NotDone   int         // and that were not
	LastGiven *time.Time
}

// Running reports whether an order of the drug runs.
func (d StayDrug) Running() bool {
	return slices.ContainsFunc(d.Orders, func(o StayOrder) bool { return o.Running })
}

// StayOrder is an order of a stay as its last version has it.
type StayOrder struct {
	clinical.Order
	Running bool
	Ended   *time.Time // when it last ended or was held; nil while it runs
	Held    bool       // it was put on hold
}

// StayDrugsOf lists every drug that was ordered or given in a stay by a moment that is not
// after the chart's, by name.
func StayDrugsOf(c clinical.Chart, at time.Time) []StayDrug {
	type key struct {
		Substance
		local bool
	}
	byDrug := map[key]*StayDrug{}
	each := func(n named, take func(*StayDrug)) {
		keys := []key{}
		for _, p := range n.parts {
			keys = append(keys, key{Substance: p.substance()})
		}
		if len(keys) == 0 {
			keys = append(keys, key{Substance{Name: n.text}, n.known || n.local})
		}
		for _, k := range keys {
			if byDrug[k] == nil {
				byDrug[k] = &StayDrug{Substance: k.Substance, Known: n.known, Local: k.local}
			}
			take(byDrug[k])
		}
	}
	for _, o := range startedBy(ordersOf(c), at) {
		each(o.named, func(d *StayDrug) { d.Orders = append(d.Orders, o.told(at)) })
	}
	for _, a := range administeredBy(c, at) {
		each(a.named, func(d *StayDrug) {
			if !a.given {
				d.NotDone++
				return
			}
			d.Given++
			d.LastGiven = ptr(a.dose.GivenAt)
		})
	}
	out := make([]StayDrug, 0, len(byDrug))
	for _, d := range byDrug {
		slices.SortStableFunc(d.Orders, func(a, b StayOrder) int { return b.StartAt.Compare(a.StartAt) })
		out = append(out, *d)
	}
	slices.SortFunc(out, func(a, b StayDrug) int {
		return cmp.Or(
			strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)), strings.Compare(a.ATC, b.ATC),
			compareBool(a.Local, b.Local), strings.Compare(a.Name, b.Name),
		)
	})
	return out
}

// told is the order with whether it runs at a moment.
func (c orderCourse) told(at time.Time) StayOrder {
	o := StayOrder{Order: c.order, Running: c.activeAt(at)}
	if o.Running {
		return o
	}
	for _, r := range c.runs {
		if !r.to.IsZero() && !r.to.After(at) && (o.Ended == nil || r.to.After(*o.Ended)) {
			o.Ended, o.Held = ptr(r.to), r.held
		}
	}
	return o
}
