package clinical

import "time"

// DayStart is the first moment of a calendar day in a zone. Where the clocks skip
// midnight that is the moment after the gap; where midnight comes twice, the first
// one. Days outside a month are those of the next or the one before, as in
// time.Date.
func DayStart(year int, month time.Month, day int, zone *time.Location) time.Time {
	t := time.Date(year, month, day, 0, 0, 0, 0, zone)
	noon := time.Date(year, month, day, 12, 0, 0, 0, zone)
	if t.Day() != noon.Day() { // no such midnight: t lies before the gap
		_, t = t.ZoneBounds()
		return t.In(zone)
	}
	if e := t.Add(-time.Hour); e.Day() == noon.Day() {
		return e
	}
	return t
}
