package notify

import (
	"fmt"
	"time"

	"plumbline/internal/clinical"
)

// Date is a day of the calendar.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf is the date that the calendar of a zone shows at a moment.
func DateOf(t time.Time, zone *time.Location) Date {
	y, m, d := t.In(zone).Date()
	return Date{y, m, d}
}

// Plus is the date so many days later. It asks no clock: days of a zone may last
// 23 or 25 hours.
func (d Date) Plus(days int) Date {
	return DateOf(time.Date(d.Year, d.Month, d.Day+days, 0, 0, 0, 0, time.UTC), time.UTC)
}

// String writes a date as 2026-11-25.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// TimeOfDay is what a clock on the wall shows: minutes from 00:00, 0 to 1439.
type TimeOfDay int

// ParseTimeOfDay reads HH:MM.
func ParseTimeOfDay(s string) (TimeOfDay, error) {
	t, err := time.Parse("15:04", s)
	if err != nil || len(s) != len("15:04") {
		return 0, fmt.Errorf("%q is no time of day; write it as 06:30", s)
	}
	return TimeOfDay(t.Hour()*60 + t.Minute()), nil
}

// On is the moment at which the clocks of a zone show the time on a date. Where
// they show it twice it is the first; where they jump over it, the jump.
func (m TimeOfDay) On(d Date, zone *time.Location) time.Time {
	return clinical.ClockTime(d.Year, d.Month, d.Day, 0, int(m), zone).UTC()
}

// Schedule says when the briefing of a day is sent.
type Schedule struct {
	Huddle TimeOfDay
	Before time.Duration // the briefing is sent so long before the huddle, 0 to 12 h
	Zone   *time.Location
}

// catchUp is for how long after its time a briefing is still made, where the
// program did not run: later it would tell the shift nothing new.
const catchUp = 4 * time.Hour

// At is the moment of the briefing of a date; false where the zone's calendar
// leaves out the date.
func (s Schedule) At(d Date) (time.Time, bool) {
	huddle := s.Huddle.On(d, s.Zone)
	return huddle.Add(-s.Before), DateOf(huddle, s.Zone) == d
}

// Due is the briefing that is to be there at a moment: the date of its huddle, and
// its own moment. The date is its identity, whatever the clocks do.
func (s Schedule) Due(now time.Time) (d Date, at time.Time, due bool) {
	today := DateOf(now, s.Zone)
	for days := -1; days <= 1; days++ {
		d := today.Plus(days)
		at, exists := s.At(d)
		if exists && !now.Before(at) && now.Before(at.Add(catchUp)) {
			return d, at, true
		}
	}
	return Date{}, time.Time{}, false
}
