package clinical

import (
	"testing"
	"time"
)

// The changes of clocks of the IANA time zone database.
func TestADayStartsAtItsFirstMoment(t *testing.T) {
	for _, c := range []struct {
		zone  string
		y     int
		m     time.Month
		d     int
		want  string
		about string
	}{
		{"Europe/Zurich", 2026, 3, 29, "2026-03-28T23:00:00Z", "clocks change at two: midnight as ever"},
		{"America/Havana", 2026, 3, 8, "2026-03-08T05:00:00Z", "midnight is skipped, west of Greenwich"},
		{"America/Santiago", 2026, 9, 6, "2026-09-06T04:00:00Z", "likewise"},
		{"Atlantic/Azores", 2026, 3, 29, "2026-03-29T01:00:00Z", "likewise"},
		{"America/Asuncion", 2023, 10, 1, "2023-10-01T04:00:00Z", "likewise"},
		{"Africa/Cairo", 2026, 4, 24, "2026-04-23T22:00:00Z", "midnight is skipped, east of Greenwich"},
		{"America/Havana", 2026, 11, 1, "2026-11-01T04:00:00Z", "midnight comes twice: the first"},
		{"UTC", 2026, 13, 1, "2027-01-01T00:00:00Z", "the thirteenth month"},
		{"UTC", 2026, 3, 0, "2026-02-28T00:00:00Z", "the day before the first"},
	} {
		zone, err := time.LoadLocation(c.zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := DayStart(c.y, c.m, c.d, zone).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s (%s): %s, want %s", c.zone, c.about, got, c.want)
		}
	}
}
