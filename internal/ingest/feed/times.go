package feed

import (
	"regexp"
	"strconv"
	"time"
)

// rfc3339 is RFC 3339 with the seconds and the offset left out where a source
// leaves them out.
var rfc3339 = regexp.MustCompile(
	`^(\d{4})-(\d{2})-(\d{2})[Tt ](\d{2}):(\d{2})(?::(\d{2})(?:\.(\d{1,9}))?)?(?:([Zz])|([+-])(\d{2}):(\d{2}))?$`)

// ParseTime reads an RFC 3339 time to the microsecond. A time without an offset
// is read in the zone given: where clocks go back, the earlier of the two
// moments is meant; where they go forward, the offset before the change holds.
func ParseTime(s string, zone *time.Location) (time.Time, bool) {
	m := rfc3339.FindStringSubmatch(s)
	if m == nil {
		return time.Time{}, false
	}
	n := make([]int, 7) // year, month, day, hour, minute, second, nanosecond
	for k, group := range []int{1, 2, 3, 4, 5, 6} {
		if m[group] != "" {
			n[k], _ = strconv.Atoi(m[group])
		}
	}
	if fraction := m[7]; fraction != "" {
		n[6], _ = strconv.Atoi((fraction + "000000000")[:9])
	}
	if !validDate(n[0], n[1], n[2]) || n[3] > 23 || n[4] > 59 || n[5] > 59 {
		return time.Time{}, false
	}
	wall := time.Date(n[0], time.Month(n[1]), n[2], n[3], n[4], n[5], n[6], time.UTC).Truncate(time.Microsecond)
	switch {
	case m[8] != "":
		return bounded(wall)
	case m[9] != "":
		hours, _ := strconv.Atoi(m[10])
		minutes, _ := strconv.Atoi(m[11])
		if hours > 23 || minutes > 59 {
			return time.Time{}, false
		}
		offset := time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute
		if m[9] == "-" {
			offset = -offset
		}
		return bounded(wall.Add(-offset))
	}
	return bounded(Local(wall, zone))
}

// lastMoment is the last one that RFC 3339 can write in UTC.
var lastMoment = time.Date(9999, 12, 31, 23, 59, 59, 0, time.UTC)

// bounded holds a moment to the years that RFC 3339 can write. Sources say "no
// end" by the last day of the year 9999, which west of Greenwich is later still.
func bounded(t time.Time) (time.Time, bool) {
	if t.After(lastMoment) {
		return lastMoment, true
	}
	return t, t.Year() >= 1
}

// Local is the moment at which the clocks of zone show the wall time, which is
// given as if it were UTC.
func Local(wall time.Time, zone *time.Location) time.Time {
	// The offset in force well before the wall time, then the one well after
	// it: the first whose moment reads back as the wall time is the earlier one.
	offsetAt := func(t time.Time) time.Duration {
		_, seconds := t.In(zone).Zone()
		return time.Duration(seconds) * time.Second
	}
	before := offsetAt(wall.Add(-24 * time.Hour))
	after := offsetAt(wall.Add(24 * time.Hour))
	for _, offset := range []time.Duration{max(before, after), min(before, after)} {
		if t := wall.Add(-offset); offsetAt(t) == offset {
			return t.UTC()
		}
	}
	return wall.Add(-before).UTC() // in the gap: no clock ever showed it
}

func validDate(year, month, day int) bool {
	if month < 1 || month > 12 || day < 1 {
		return false
	}
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	return t.Day() == day && int(t.Month()) == month
}

// ParseDate reads a full date (YYYY-MM-DD).
func ParseDate(s string) (string, bool) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil {
		return "", false
	}
	return t.Format("2006-01-02"), true
}
