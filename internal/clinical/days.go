package clinical

import "time"

// aroundChange reaches past any change of a zone's clocks that can move a time of
// the day in question: offsets go from -12 to +14 hours.
const aroundChange = 36 * time.Hour

// ClockTime is the moment at which the clocks of a zone show a time on a day. Where
// they show it twice it is the first; where they jump over it, the moment of the
// jump. Days outside a month are those of the next or the one before, as in
// time.Date, which promises neither.
func ClockTime(year int, month time.Month, day, hour, minute int, zone *time.Location) time.Time {
	wall := time.Date(year, month, day, hour, minute, 0, 0, time.UTC)
	before, after := offset(wall.Add(-aroundChange), zone), offset(wall.Add(aroundChange), zone)
	for _, from := range []time.Duration{max(before, after), min(before, after)} {
		if t := wall.Add(-from).In(zone); shows(t, wall) {
			return t
		}
	}
	jump, _ := wall.Add(-before).In(zone).ZoneBounds()
	return jump.In(zone)
}

// DayStart is the first moment of a calendar day in a zone.
func DayStart(year int, month time.Month, day int, zone *time.Location) time.Time {
	return ClockTime(year, month, day, 0, 0, zone)
}

func offset(t time.Time, zone *time.Location) time.Duration {
	_, seconds := t.In(zone).Zone()
	return time.Duration(seconds) * time.Second
}

// shows reports whether a local time reads as the wall clock does.
func shows(local, wall time.Time) bool {
	_, seconds := local.Zone()
	return local.Add(time.Duration(seconds) * time.Second).UTC().Truncate(time.Minute).Equal(wall)
}

// ClockBefore is the latest moment before t at which the clocks of a zone show a time
// of the day, written HH:MM. False where it is not written so.
func ClockBefore(clock string, t time.Time, zone *time.Location) (time.Time, bool) {
	return nearest(clock, t, zone, func(at, best time.Time) bool {
		return at.Before(t) && (best.IsZero() || at.After(best))
	})
}

// ClockAfter is the first moment after t at which the clocks of a zone show a time of
// the day, written HH:MM. False where it is not written so.
func ClockAfter(clock string, t time.Time, zone *time.Location) (time.Time, bool) {
	return nearest(clock, t, zone, func(at, best time.Time) bool {
		return at.After(t) && (best.IsZero() || at.Before(best))
	})
}

// nearest looks two days around t: a zone may leave out a day of the calendar.
func nearest(clock string, t time.Time, zone *time.Location, better func(at, best time.Time) bool) (best time.Time, ok bool) {
	wall, err := time.Parse("15:04", clock)
	if err != nil {
		return time.Time{}, false
	}
	year, month, day := t.In(zone).Date()
	for days := -2; days <= 2; days++ {
		if at := ClockTime(year, month, day+days, wall.Hour(), wall.Minute(), zone).UTC(); better(at, best) {
			best, ok = at, true
		}
	}
	return best, ok
}
