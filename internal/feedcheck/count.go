package feedcheck

import (
	"cmp"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// AllKnown is a moment by which everything that is known of a stay is known: what was counted by
// it stays right until further facts come.
func AllKnown() time.Time { return time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC) }

// CountOf counts what feeds have brought of a stay. The chart is that of AllKnown, with the
// site's drugs in it; sets are those of the chart; noConcern are the texts of drugs that the site
// has named as of no concern. Days are those of zone.
func CountOf(c clinical.Chart, sets []trends.Set, noConcern []string, zone *time.Location) records.StayTally {
	t := tallying{
		zone: zone, noConcern: noConcern, presences: trends.PresencesOf(c), orders: map[string]clinical.Order{},
		days: map[dayKey]*records.FactCounts{},
	}
	feeds := map[string]string{} // of the readings that came by a feed, by source_id
	for _, r := range c.Records {
		if o, ok := r.Body.(clinical.Order); ok {
			t.orders[r.SourceID] = o
		}
		if r.Kind == clinical.KindVitals && !r.TakenHere() {
			feeds[r.SourceID] = r.Feed
		}
	}
	for _, r := range c.Records {
		if !r.TakenHere() {
			t.take(r)
		}
	}
	for _, s := range sets {
		if n := slices.IndexFunc(s.Facts, func(id string) bool { return feeds[id] != "" }); n >= 0 {
			t.at(feeds[s.Facts[n]], s.StartedAt).Sets++
		}
	}
	out := records.StayTally{StayID: c.StayID, Days: t.list()}
	for _, p := range t.presences {
		out.Spans = append(out.Spans, records.UnitSpan{Unit: p.Unit, From: p.From, To: p.To})
	}
	return out
}

type dayKey struct{ unit, feed, day string }

// tallying counts the facts of one stay.
type tallying struct {
	zone      *time.Location
	noConcern []string
	presences []trends.Presence
	orders    map[string]clinical.Order
	days      map[dayKey]*records.FactCounts
}

// at is where a fact of a moment is counted.
func (t *tallying) at(feed string, at time.Time) *records.FactCounts {
	key := dayKey{t.unitAt(at), feed, at.In(t.zone).Format(time.DateOnly)}
	if t.days[key] == nil {
		t.days[key] = &records.FactCounts{}
	}
	return t.days[key]
}

// unitAt is where the patient was at a moment; before the stay its first unit, after it the last.
func (t *tallying) unitAt(at time.Time) string {
	for n, p := range t.presences {
		if p.Holds(at) || n == len(t.presences)-1 || n == 0 && at.Before(p.From) {
			return p.Unit
		}
	}
	return ""
}

func (t *tallying) take(r clinical.Record) {
	of := func() *records.FactCounts { return t.at(r.Feed, r.Body.OwnTime()) }
	switch b := r.Body.(type) {
	case clinical.Vitals:
		if b.Systolic == nil && b.Diastolic == nil {
			return
		}
		n := of()
		n.Readings++
		n.Positioned += one(b.Position != clinical.NoPosition)
	case clinical.Order:
		n := of()
		n.Orders++
		n.OrdersKnown += one(t.known(b.Drug))
	case clinical.Dose:
		n := of()
		n.Doses++
		order, ordered := t.orders[b.OrderID]
		n.DosesOrdered += one(ordered)
		n.DosesKnown += one(t.known(b.Drug) || ordered && t.known(order.Drug))
	case clinical.Precaution:
		of().Precautions++
	case clinical.Fluid:
		of().Fluids++
	case clinical.Weight:
		of().Weights++
	case clinical.Lab:
		of().Labs++
	}
}

// known reports whether a code, a name or the site tells what a drug is.
func (t *tallying) known(d clinical.Drug) bool {
	_, known := d.Ingredients()
	return known || slices.ContainsFunc(t.noConcern, func(n string) bool { return clinical.SameDrugText(n, d.Text) })
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (t *tallying) list() []records.DayTally {
	var out []records.DayTally
	for key, n := range t.days {
		out = append(out, records.DayTally{Unit: key.unit, Feed: key.feed, Day: key.day, FactCounts: *n})
	}
	slices.SortFunc(out, func(a, b records.DayTally) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Feed, b.Feed))
	})
	return out
}
