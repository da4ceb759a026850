package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Lane is the dose records of one drug that lowers the pressure or contributes to a drop,
// over a whole stay. A drug that is ordered and has no record has a lane without doses.
type Lane struct {
	Substance
	Doses []LaneDose // in time order
}

// LaneDose is one dose record of a lane, given or not.
type LaneDose struct {
	SourceID string
	At       time.Time
	Dose     *float64 // as charted; nil where not charted
	Unit     string
	Route    string
	Given    bool
	AsNeeded bool // of an order that is as-needed
	// Worn is until when a patch is drawn as worn, see wornUntil; nil for what is no patch
	// and for one that was not given.
	Worn *time.Time
}

// longestWorn is how long a patch is drawn where nothing charted ends it before: a week is
// the longest that a patch of one of these drugs is made for (clonidine; from memory).
const longestWorn = 7 * 24 * time.Hour

// LanesOf lists what was charted of each dose of the drugs that lower the pressure, by
// their groups, then of those that contribute, each by name. at is not after the chart's
// moment. Doses by local routes are left out, as everywhere.
func LanesOf(c clinical.Chart, at time.Time) []Lane {
	orders := map[string]orderCourse{}
	byDrug := map[Substance]*Lane{}
	lane := func(s Substance) *Lane {
		if !s.Lowering() && !s.Contributing() {
			return nil
		}
		if byDrug[s] == nil {
			byDrug[s] = &Lane{Substance: s}
		}
		return byDrug[s]
	}
	for _, o := range startedBy(ordersOf(c), at) {
		orders[o.sourceID] = o
		for _, p := range o.parts {
			if o.activeAt(at) {
				lane(p.substance())
			}
		}
	}
	for _, a := range administeredBy(c, at) {
		for _, p := range a.parts {
			if l := lane(p.substance()); l != nil {
				l.Doses = append(l.Doses, LaneDose{
					SourceID: a.sourceID, At: a.dose.GivenAt, Dose: a.dose.Dose, Unit: a.dose.DoseUnit, Route: string(p.route),
					Given: a.given, AsNeeded: orders[a.dose.OrderID].asNeeded, Worn: firstEnd(a, p, orders, at),
				})
			}
		}
	}
	out := make([]Lane, 0, len(byDrug))
	for _, l := range byDrug {
		l.endByNext()
		out = append(out, *l)
	}
	slices.SortFunc(out, func(a, b Lane) int {
		return cmp.Or(laneRank(a)-laneRank(b), strings.Compare(a.Name, b.Name), strings.Compare(a.ATC, b.ATC))
	})
	return out
}

// laneRank orders lanes by the groups of the rules, those that only contribute last.
func laneRank(l Lane) int {
	if n := slices.Index(clinical.Groups, l.Group()); l.Lowering() && n >= 0 {
		return n
	}
	return len(clinical.Groups)
}

// firstEnd is until when a given patch is drawn as worn, but for the next one: the earliest
// of the end of its order, a week, and the moment. No feed charts that a patch is taken off.
func firstEnd(a administered, p part, orders map[string]orderCourse, at time.Time) *time.Time {
	if !a.given || p.route != clinical.Transdermal {
		return nil
	}
	end := a.dose.GivenAt.Add(longestWorn)
	for _, r := range orders[a.dose.OrderID].runs {
		if r.covers(a.dose.GivenAt) && !r.to.IsZero() {
			end = earliest(end, r.to)
		}
	}
	return ptr(earliest(end, at))
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// endByNext ends each patch where the next one of its drug is put on.
func (l *Lane) endByNext() {
	for n, d := range l.Doses {
		if d.Worn == nil {
			continue
		}
		for _, next := range l.Doses[n+1:] {
			if next.Worn != nil && next.At.After(d.At) {
				l.Doses[n].Worn = ptr(earliest(*d.Worn, next.At))
				break
			}
		}
	}
}
