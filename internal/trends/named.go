package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// part is one ingredient of what an order or a dose names, with its own route. Those
// by a local route are no parts: they count nowhere.
type part struct {
	clinical.Ingredient
	route clinical.Route
	// keepsLine is true for heparin that only keeps a line open (E-GIVEN).
	keepsLine bool
}

func (p part) substance() Substance { return Substance{p.Name, p.ATC} }

// named is what is known of the drug of an order or a dose (E-DRUG).
type named struct {
	text  string // as charted
	known bool
	parts []part
	local bool // a drug that nobody knows, by a local route
}

// namedBy tells what a drug is, by which of the places its route is told, and whether
// one of the texts says that it only keeps a line open.
func namedBy(charted string, d clinical.Drug, places ...clinical.RouteTold) named {
	n := named{text: strings.TrimSpace(charted)}
	ingredients, known := d.Ingredients()
	n.known = known
	if !known {
		_, n.local = clinical.Ingredient{}.RouteBy(places...)
	}
	line := slices.ContainsFunc(places, func(p clinical.RouteTold) bool { return clinical.KeepsLineOpen(p.Text) })
	for _, i := range ingredients {
		if route, local := i.RouteBy(places...); !local {
			n.parts = append(n.parts, part{i, route, line && i.Heparin()})
		}
	}
	return n
}

func orderNamed(o clinical.Order) named { return namedBy(o.Text, o.Drug, o.RouteTold()) }

// ordersByID are the orders of a stay that doses may name.
type ordersByID map[string]clinical.Order

func orderedIn(c clinical.Chart) ordersByID {
	out := ordersByID{}
	for _, r := range c.Records {
		if o, ok := r.Body.(clinical.Order); ok {
			out[r.SourceID] = o
		}
	}
	return out
}

// doseNamed tells what a dose is: what its own text and codes do not say has the drug
// of its order, and a route that it does not tell is that of its order.
func (orders ordersByID) doseNamed(d clinical.Dose) named {
	order := orders[d.OrderID] // one that is not there names no drug and tells no route
	drug := d.Drug
	if _, known := drug.Ingredients(); !known {
		drug = order.Drug
	}
	return namedBy(d.Text, drug, d.RouteTold(), order.RouteTold())
}

// administered is a dose record, given or not done, with what it is.
type administered struct {
	sourceID string
	dose     clinical.Dose
	given    bool
	named
}

// administeredBy lists the dose records of a stay by a moment that is not after the
// chart's, in time order.
func administeredBy(c clinical.Chart, at time.Time) []administered {
	orders := orderedIn(c)
	var out []administered
	for _, r := range c.Records {
		if d, ok := r.Body.(clinical.Dose); ok && !d.GivenAt.After(at) {
			out = append(out, administered{r.SourceID, d, r.Status == clinical.Completed, orders.doseNamed(d)})
		}
	}
	slices.SortFunc(out, func(a, b administered) int {
		return cmp.Or(a.dose.GivenAt.Compare(b.dose.GivenAt), strings.Compare(a.sourceID, b.sourceID))
	})
	return out
}

// givenIn are the given doses, by time; each ingredient of a combination apart.
func givenIn(doses []administered) []Given {
	var out []Given
	for _, a := range doses {
		if !a.given {
			continue
		}
		own := make([]Given, 0, len(a.parts))
		for _, p := range a.parts {
			g := Given{Substance: p.substance(), Route: string(p.route), At: a.dose.GivenAt, SourceID: a.sourceID}
			if mg, ok := p.AmountMG(a.dose.Dose, a.dose.DoseUnit); ok {
				g.MG = &mg
			}
			if ddd, ok := p.DDD(p.route); ok {
				g.DDD = &ddd
			}
			own = append(own, g)
		}
		slices.SortStableFunc(own, func(a, b Given) int { return strings.Compare(a.Name, b.Name) })
		out = append(out, own...)
	}
	return out
}
