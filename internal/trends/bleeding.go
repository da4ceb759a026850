package trends

import (
	"maps"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Bleeding is what is charted of drugs that make a fall more dangerous (E-BLEED),
// around one moment: that of a fall.
type Bleeding struct {
	Drugs        []Antithrombotic // by name
	Unrecognised []string         // ordered at the moment or given around it, as charted
}

// Antithrombotic is a drug of ATC group B01A around a moment.
type Antithrombotic struct {
	Substance
	Ordered   bool       // at the moment, not as-needed
	Stopped   *time.Time // the order's latest end before the moment, within bleedingWindow
	LastGiven *time.Time // at or before the moment, within bleedingWindow; nil where no dose is charted
	Since     *time.Time // first given, or first ordered, after the moment; nil where neither is known
	Facts     []string
}

// At reports whether the patient was on the drug at the moment, or had been shortly
// before it.
func (a Antithrombotic) At() bool { return a.Ordered || a.Stopped != nil || a.LastGiven != nil }

// bleedingWindow is how long before a fall a dose is still named. Platelets that
// were struck live 7 to 10 days (from memory); the hours since are always shown.
const bleedingWindow = 7 * 24 * time.Hour

// BleedingAround lists the antithrombotic drugs that were ordered or had been given
// around a moment, by what was known of the stay at the chart's, and the drugs that
// nothing tells, which may be some.
func BleedingAround(c clinical.Chart, at time.Time) Bleeding {
	b := bleeding{at: at, byName: map[string]*Antithrombotic{}}
	for _, o := range ordersOf(c) {
		b.takeOrder(o)
	}
	for _, r := range c.Records {
		if dose, ok := r.Body.(clinical.Dose); ok && r.Status == clinical.Completed && !dose.GivenAt.After(c.AsOf) {
			b.takeDose(r.SourceID, dose)
		}
	}
	out := Bleeding{Drugs: []Antithrombotic{}, Unrecognised: Distinct(b.unrecognised)}
	for _, name := range slices.Sorted(maps.Keys(b.byName)) {
		a := b.byName[name]
		a.Facts = Distinct(a.Facts) // an order and a dose may share a source_id
		out.Drugs = append(out.Drugs, *a)
	}
	slices.Sort(out.Unrecognised)
	return out
}

// bleeding gathers a Bleeding.
type bleeding struct {
	at           time.Time
	byName       map[string]*Antithrombotic
	unrecognised []string
}

// named returns the entries of a drug; none for a drug of another group or by a
// local route.
func (b *bleeding) named(d clinical.Drug, route, fact string) []*Antithrombotic {
	if _, local := clinical.RouteOf(route); local {
		return nil
	}
	ingredients, known := d.Antithrombotics()
	if !known {
		b.unrecognised = append(b.unrecognised, strings.TrimSpace(d.Text))
	}
	var out []*Antithrombotic
	for _, i := range ingredients {
		a := b.byName[i.Name]
		if a == nil {
			a = &Antithrombotic{Substance: Substance{i.Name, i.ATC}}
			b.byName[i.Name] = a
		}
		a.Facts = append(a.Facts, fact)
		out = append(out, a)
	}
	return out
}

func (b *bleeding) takeOrder(o orderCourse) {
	if o.asNeeded {
		return // only what was given of it counts
	}
	at, stopped, since := false, (*time.Time)(nil), (*time.Time)(nil)
	for _, r := range o.runs {
		switch {
		case r.from.After(b.at):
			since = earlierOf(since, r.from)
		case r.covers(b.at):
			at = true
		case !r.to.Before(b.at.Add(-bleedingWindow)):
			stopped = laterOf(stopped, r.to)
		}
	}
	if !at && stopped == nil && since == nil {
		return
	}
	for _, a := range b.named(o.order.Drug, o.order.Route, o.sourceID) {
		a.Ordered = a.Ordered || at
		if stopped != nil {
			a.Stopped = laterOf(a.Stopped, *stopped)
		}
		if since != nil {
			a.Since = earlierOf(a.Since, *since)
		}
	}
}

func (b *bleeding) takeDose(id string, d clinical.Dose) {
	if d.GivenAt.Before(b.at.Add(-bleedingWindow)) {
		return
	}
	for _, a := range b.named(d.Drug, d.Route, id) {
		switch {
		case d.GivenAt.After(b.at):
			a.Since = earlierOf(a.Since, d.GivenAt)
		default:
			a.LastGiven = laterOf(a.LastGiven, d.GivenAt)
		}
	}
}

func earlierOf(a *time.Time, b time.Time) *time.Time {
	if a != nil && a.Before(b) {
		return a
	}
	return &b
}

func laterOf(a *time.Time, b time.Time) *time.Time {
	if a != nil && a.After(b) {
		return a
	}
	return &b
}
