package feed

import (
	"testing"
	"time"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func TestTimesAreReadInTheirOffsetOrInTheSitesZone(t *testing.T) {
	cases := []struct{ zone, text, want string }{
		{"UTC", "2026-11-25T07:00:00Z", "2026-11-25T07:00:00Z"},
		{"UTC", "2026-11-25t07:00:00z", "2026-11-25T07:00:00Z"},
		{"UTC", "2026-11-25 07:00:00", "2026-11-25T07:00:00Z"},
		{"UTC", "2026-11-25T07:00", "2026-11-25T07:00:00Z"},
		{"UTC", "2026-11-25T07:00Z", "2026-11-25T07:00:00Z"},
		{"Europe/Zurich", "2026-11-25T07:00Z", "2026-11-25T07:00:00Z"}, // an offset needs no zone
		{"UTC", "2026-11-25T07:00:00+01:00", "2026-11-25T06:00:00Z"},
		{"UTC", "2026-11-25T07:00-05:30", "2026-11-25T12:30:00Z"},
		{"UTC", "2026-11-25T00:30:00+01:00", "2026-11-24T23:30:00Z"},
		{"UTC", "2026-11-25T07:00:00-00:00", "2026-11-25T07:00:00Z"},
		{"UTC", "2026-11-25T07:00:00.5Z", "2026-11-25T07:00:00.5Z"},
		{"UTC", "2026-11-25T07:00:00.123456789Z", "2026-11-25T07:00:00.123456Z"}, // to the microsecond
		{"UTC", "2028-02-29T00:00:00Z", "2028-02-29T00:00:00Z"},
		{"Europe/Zurich", "2026-11-25T07:00", "2026-11-25T06:00:00Z"},
		{"Europe/Zurich", "2026-07-25T07:00", "2026-07-25T05:00:00Z"},
		{"America/New_York", "2026-11-25T07:00", "2026-11-25T12:00:00Z"},
		{"America/New_York", "2026-07-25T07:00", "2026-07-25T11:00:00Z"},

		// Clocks go forward: 2026-03-29 02:00 in Zurich, 2026-03-08 02:00 in New York.
		{"Europe/Zurich", "2026-03-29T01:59", "2026-03-29T00:59:00Z"},
		{"Europe/Zurich", "2026-03-29T02:00", "2026-03-29T01:00:00Z"}, // no clock shows it: the offset before holds
		{"Europe/Zurich", "2026-03-29T02:30", "2026-03-29T01:30:00Z"},
		{"Europe/Zurich", "2026-03-29T03:00", "2026-03-29T01:00:00Z"},
		{"America/New_York", "2026-03-08T01:59", "2026-03-08T06:59:00Z"},
		{"America/New_York", "2026-03-08T02:30", "2026-03-08T07:30:00Z"},
		{"America/New_York", "2026-03-08T03:00", "2026-03-08T07:00:00Z"},

		// Clocks go back: 2026-10-25 03:00 in Zurich, 2026-11-01 02:00 in New York.
		{"Europe/Zurich", "2026-10-25T01:59", "2026-10-24T23:59:00Z"},
		{"Europe/Zurich", "2026-10-25T02:30", "2026-10-25T00:30:00Z"}, // the earlier of two
		{"Europe/Zurich", "2026-10-25T02:30+01:00", "2026-10-25T01:30:00Z"},
		{"Europe/Zurich", "2026-10-25T03:00", "2026-10-25T02:00:00Z"},
		{"America/New_York", "2026-11-01T00:59", "2026-11-01T04:59:00Z"},
		{"America/New_York", "2026-11-01T01:30", "2026-11-01T05:30:00Z"},
		{"America/New_York", "2026-11-01T02:00", "2026-11-01T07:00:00Z"},
	}
	for _, c := range cases {
		got, ok := ParseTime(c.text, zone(t, c.zone))
		if !ok || got.Format(time.RFC3339Nano) != c.want || got.Location() != time.UTC {
			t.Errorf("%s in %s: %v %v, want %s", c.text, c.zone, got.Format(time.RFC3339Nano), ok, c.want)
		}
	}
}

func TestWhatIsNoTimeIsNotGuessed(t *testing.T) {
	for _, text := range []string{
		"", "2026-11-25", "07:00", "2026-11-25T07", "2026-11-25T7:00", "2026-11-25T07:00:0", "26-11-25T07:00", "2026-1-25T07:00",
		"2026-11-25T07:00:00.", "2026-11-25T07:00:00.1234567890Z", "2026-11-25T07:00:00,5Z", "2026-11-25T07:00.5",
		"2026-02-29T07:00", "2026-02-30T07:00", "2026-04-31T07:00", "2026-13-01T07:00", "2026-00-01T07:00", "2026-01-00T07:00",
		"2026-11-25T24:00", "2026-11-25T07:60", "2026-11-25T07:00:60Z", "2026-11-25T07:00:00+24:00", "2026-11-25T07:00:00+01:60",
		"2026-11-25T07:00:00+0100", "2026-11-25T07:00:00+01", "2026-11-25T07:00:00 Z", "2026-11-25T07:00:00 UTC", "2026-11-25T07:00:00ZZ",
		" 2026-11-25T07:00", "2026-11-25T07:00\n", "25.11.2026 07:00", "11/25/2026 07:00", "1764054000", "next Monday", "２026-11-25T07:00",
	} {
		if got, ok := ParseTime(text, time.UTC); ok {
			t.Errorf("%q is read as %s", text, got)
		}
	}
}

func TestDatesAreFullDates(t *testing.T) {
	for text, ok := range map[string]bool{
		"1950-01-31": true, "2028-02-29": true, "2026-02-29": false, "1950-1-31": false, "1950": false, "1950-01": false, "31.01.1950": false, "": false, "1950-01-31T00:00": false,
	} {
		if got, is := ParseDate(text); is != ok || ok && got != text {
			t.Errorf("%q: %q %v", text, got, is)
		}
	}
}
