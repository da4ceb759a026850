package records

import "time"

// FactCounts counts what feeds have brought of a unit on one day, by the facts' own times. What
// was charted in this program is not counted: it says nothing of the feeds.
type FactCounts struct {
	Readings     int // of a pressure
	Positioned   int // of them with a position
	Sets         int
	Orders       int // by their start
	OrdersKnown  int // of them those whose drug is recognised
	Doses        int // given or not done
	DosesKnown   int // of them those whose drug is recognised, by itself or by its order
	DosesOrdered int // of them those that name an order of their stay
	Precautions  int // by their start
	Fluids       int // by their end
	Weights      int
	Labs         int
}

// Add is the sum of two.
func (a FactCounts) Add(b FactCounts) FactCounts {
	a.Readings += b.Readings
	a.Positioned += b.Positioned
	a.Sets += b.Sets
	a.Orders += b.Orders
	a.OrdersKnown += b.OrdersKnown
	a.Doses += b.Doses
	a.DosesKnown += b.DosesKnown
	a.DosesOrdered += b.DosesOrdered
	a.Precautions += b.Precautions
	a.Fluids += b.Fluids
	a.Weights += b.Weights
	a.Labs += b.Labs
	return a
}

// DayTally is what one feed has brought of one unit on one day of the site's calendar.
type DayTally struct {
	Unit, Feed string
	Day        string // 2026-11-25
	FactCounts
}

// UnitSpan is a time that a patient spent on a unit: from From until To, that moment excluded;
// To is zero while no end is known.
type UnitSpan struct {
	Unit     string
	From, To time.Time
}

// StayTally is what feeds have brought of one stay, by day, and where the patient was.
type StayTally struct {
	StayID   string
	Revision int64 // of the stay, as of which it was counted
	Days     []DayTally
	Spans    []UnitSpan
}
