package clinical

import (
	"testing"
	"time"
)

func TestTheClockBeforeAndAfterAMoment(t *testing.T) {
	for _, tc := range []struct {
		zone, clock, at, before, after string
	}{
		{"UTC", "07:00", "2026-11-25T12:00:00Z", "2026-11-25T07:00:00Z", "2026-11-26T07:00:00Z"},
		{"UTC", "07:00", "2026-11-25T07:00:00Z", "2026-11-24T07:00:00Z", "2026-11-26T07:00:00Z"}, // the moment itself is neither
		{"UTC", "07:00", "2026-11-25T06:59:59Z", "2026-11-24T07:00:00Z", "2026-11-25T07:00:00Z"},
		{"UTC", "00:00", "2026-03-01T00:00:01Z", "2026-03-01T00:00:00Z", "2026-03-02T00:00:00Z"},
		// The clocks of Berlin jump from 02:00 to 03:00 on 29 March 2026, and show 02:30
		// twice on 25 October.
		{"Europe/Berlin", "02:30", "2026-03-29T12:00:00Z", "2026-03-29T01:00:00Z", "2026-03-30T00:30:00Z"},
		{"Europe/Berlin", "02:30", "2026-10-25T12:00:00Z", "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"},
		{"America/Chicago", "07:00", "2026-11-25T12:30:00Z", "2026-11-24T13:00:00Z", "2026-11-25T13:00:00Z"},
		// Samoa went from 29 to 31 December 2011: the 30th is passed at the jump.
		{"Pacific/Apia", "07:00", "2011-12-31T06:00:00+14:00", "2011-12-31T00:00:00+14:00", "2011-12-31T07:00:00+14:00"},
	} {
		zone, err := time.LoadLocation(tc.zone)
		if err != nil {
			t.Fatal(err)
		}
		at := utc(t, tc.at)
		before, ok1 := ClockBefore(tc.clock, at, zone)
		after, ok2 := ClockAfter(tc.clock, at, zone)
		if !ok1 || !ok2 || !after.Equal(utc(t, tc.after)) {
			t.Errorf("%s after %s in %s is %s (%v)", tc.clock, tc.at, tc.zone, after, ok2)
		}
		if !before.Equal(utc(t, tc.before)) {
			t.Errorf("%s before %s in %s is %s", tc.clock, tc.at, tc.zone, before)
		}
		if !before.Before(at) || !after.After(at) {
			t.Errorf("%s in %s: %s and %s are not around %s", tc.clock, tc.zone, before, after, at)
		}
	}
	if _, ok := ClockBefore("7 am", time.Time{}, time.UTC); ok {
		t.Error("what is no time of the day has a moment")
	}
}

func utc(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}
