package trends

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// DrugDose is one active drug with what is ordered of it and what was given of it
// in the 24 h before a moment.
type DrugDose struct {
	ActiveDrug
	Ordered []Ordered // by route; none where it was given without a standing order
	Doses   int       // given
	MG      *float64  // given in all; nil with no dose, or one without an amount in mg
	DDDs    *float64  // given in all; nil with no dose, or one that cannot be counted
}

// DrugDosesAt lists the active drugs at a moment for which digest and exposures hold,
// by name.
func DrugDosesAt(d Digest, e Exposures, at time.Time) []DrugDose {
	out := make([]DrugDose, 0, len(e.Active))
	for _, active := range e.Active {
		dose := DrugDose{ActiveDrug: active}
		for _, o := range d.Ordered {
			if o.Substance == active.Substance {
				dose.Ordered = append(dose.Ordered, o)
			}
		}
		mg, ddds := sum{}, sum{}
		for _, g := range d.Given {
			if g.Substance != active.Substance || !InWindow(g.At, at, loadWindow) {
				continue
			}
			dose.Doses++
			mg.add(g.MG)
			ddds.add(over(g.MG, g.DDD))
		}
		dose.MG, dose.DDDs = mg.all(), ddds.all()
		out = append(out, dose)
	}
	return out
}

// OrderedDDDs are the DDDs that an order gives a day; nil where they cannot be counted.
func (o Ordered) OrderedDDDs() *float64 { return over(o.DailyMG, o.DDD) }

func over(mg, ddd *float64) *float64 {
	if mg == nil || ddd == nil {
		return nil
	}
	return ptr(*mg / *ddd)
}

// sum adds values up; one that is not known makes the whole unknown.
type sum struct {
	total   float64
	any     bool // a value was added
	unknown bool
}

func (s *sum) add(v *float64) {
	s.any = true
	if v == nil {
		s.unknown = true
		return
	}
	s.total += *v
}

func (s sum) all() *float64 {
	if !s.any || s.unknown {
		return nil
	}
	return &s.total
}

// LastGivenBy lists the last given dose of each recognised drug at or before a moment,
// by name. It is E-LAST for drugs of every class and for any moment.
func LastGivenBy(c clinical.Chart, at time.Time) []Given {
	last := map[string]Given{}
	for _, g := range givenIn(administeredBy(c, at)) { // in time order: the last one stays
		last[g.Name] = g
	}
	out := make([]Given, 0, len(last))
	for _, g := range last {
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b Given) int { return strings.Compare(a.Name, b.Name) })
	return out
}

// SetsBeside are the last set that began before a moment and the first that began at
// or after it; nil where there is none.
func (d Digest) SetsBeside(at time.Time) (before, after *Set) {
	for n := range d.Sets {
		if !d.Sets[n].StartedAt.Before(at) {
			return before, &d.Sets[n]
		}
		before = &d.Sets[n]
	}
	return before, nil
}
