package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Exposed is what the facts tell of one drug that lowers the pressure, contributes,
// raises it, or is of ATC group B01A, at the digest's moment (E-GIVEN).
type Exposed struct {
	Substance
	LineOnly bool // heparin that only keeps a line open
	Ordered  bool // an order of it runs, as-needed ones too
	Standing bool // one that is not as-needed runs
	// EndedAt is the latest end of an order, not as-needed, that had ended or been put
	// on hold; nil where there is none.
	EndedAt *time.Time

	GivenAt      *time.Time // the last given dose; nil where none was
	Dose         *float64   // its amount as charted; nil where not charted
	DoseUnit     string     // "" where not charted
	Route        string     // of it, a word of the rules; "" where none was given
	NotDoneSince int        // doses not done, charted for later than that
}

// LastGiven is an Exposed that a list of a moment names, with the hours since.
type LastGiven struct {
	Exposed
	Hours *float64 // since the last given dose; nil where none was given
}

// AsNeeded reports whether the drug is ordered, and as-needed only.
func (e Exposed) AsNeeded() bool { return e.Ordered && !e.Standing }

// The groups of E-GIVEN beside those that lower the pressure and clinical.Antithrombotic.
const (
	ContributingGroup = "contributing"
	PressorGroup      = "pressor"
)

// ExposedGroup is the drug's group in E-GIVEN, "" for a drug that it does not name.
func (s Substance) ExposedGroup() string {
	switch {
	case s.Lowering():
		return string(s.Group())
	case s.Contributing():
		return ContributingGroup
	case s.Pressor():
		return PressorGroup
	}
	return clinical.Antithrombotic(s.ATC)
}

// exposedKey tells two entries apart.
type exposedKey struct {
	name, group string
	line        bool
}

// exposedAt gathers what the facts tell at a moment of each drug of E-GIVEN, in the
// order of names, that which is not line only first. doses are in time order, and none
// of them later than the moment.
func exposedAt(orders []orderCourse, doses []administered, at time.Time) []Exposed {
	byKey := map[exposedKey]*Exposed{}
	var all []*Exposed
	each := func(n named, take func(*Exposed, part)) {
		for _, p := range n.parts {
			k := exposedKey{p.Name, p.substance().ExposedGroup(), p.keepsLine}
			if k.group == "" {
				continue
			}
			if byKey[k] == nil {
				byKey[k] = &Exposed{Substance: p.substance(), LineOnly: p.keepsLine}
				all = append(all, byKey[k])
			}
			take(byKey[k], p)
		}
	}
	for _, o := range orders {
		each(o.named, func(e *Exposed, _ part) { e.takeOrder(o, at) })
	}
	for _, a := range doses {
		if a.given {
			each(a.named, func(e *Exposed, p part) { e.takeGiven(a.dose, p.route) })
		}
	}
	for _, a := range doses {
		if !a.given {
			each(a.named, func(e *Exposed, _ part) { e.takeNotDone(a.dose.GivenAt) })
		}
	}
	out := make([]Exposed, 0, len(all))
	for _, e := range all {
		out = append(out, *e)
	}
	slices.SortFunc(out, func(a, b Exposed) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), compareBool(a.LineOnly, b.LineOnly), strings.Compare(a.ATC, b.ATC))
	})
	return out
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

func (e *Exposed) takeOrder(o orderCourse, at time.Time) {
	if o.activeAt(at) {
		e.Ordered = true
		e.Standing = e.Standing || !o.asNeeded
	}
	for _, r := range o.runs {
		if !o.asNeeded && !r.to.IsZero() && !r.to.After(at) {
			e.EndedAt = laterOf(e.EndedAt, r.to)
		}
	}
}

// takeGiven takes the given doses in time order: the last one stays.
func (e *Exposed) takeGiven(d clinical.Dose, route clinical.Route) {
	e.GivenAt, e.Dose, e.DoseUnit, e.Route = ptr(d.GivenAt), d.Dose, d.DoseUnit, string(route)
}

// takeNotDone counts a dose that was not done, once the last given one is known.
func (e *Exposed) takeNotDone(at time.Time) {
	if e.GivenAt == nil || at.After(*e.GivenAt) {
		e.NotDoneSince++
	}
}

// namedAt reports whether the list of a moment names the drug: it is active, has a
// given dose, or (B01A alone) had an order that ended in the seven days before.
func (e Exposed) namedAt(at time.Time) bool {
	ended := e.EndedAt != nil && clinical.Antithrombotic(e.ATC) != "" && InWindow(*e.EndedAt, at, bleedingWindow)
	return e.Standing || e.GivenAt != nil || ended
}

func lastGiven(exposed []Exposed, at time.Time) []LastGiven {
	out := []LastGiven{}
	for _, e := range exposed {
		if !e.namedAt(at) {
			continue
		}
		l := LastGiven{Exposed: e}
		if e.GivenAt != nil {
			l.Hours = ptr(at.Sub(*e.GivenAt).Hours())
		}
		out = append(out, l)
	}
	return out
}

// lastGivenAt is E-GIVEN at a moment for which the digest holds.
func (d Digest) lastGivenAt(at time.Time) []LastGiven { return lastGiven(d.Exposed, at) }

// LastGivenAt is E-GIVEN at a moment by what the chart knows, such as that of a fall: the
// moment is not after the chart's.
func LastGivenAt(c clinical.Chart, at time.Time) []LastGiven {
	return lastGiven(exposedAt(startedBy(ordersOf(c), at), administeredBy(c, at), at), at)
}

// startedBy leaves out the orders that do not exist yet at a moment.
func startedBy(orders []orderCourse, at time.Time) []orderCourse {
	return slices.DeleteFunc(orders, func(o orderCourse) bool { return o.order.StartAt.After(at) })
}
