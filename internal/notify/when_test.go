package notify

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

func zone(tb rapid.TB, name string) *time.Location {
	tb.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		tb.Fatal(err)
	}
	return z
}

func moment(tb testing.TB, s string) time.Time {
	tb.Helper()
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		tb.Fatal(err)
	}
	return t.UTC()
}

// The zones and the days around which their clocks change. Source: the IANA time
// zone database, as Go has it.
var changes = []struct {
	zone  string
	days  []Date
	about string
}{
	{"Europe/Zurich", []Date{{2026, 3, 29}, {2026, 10, 25}}, "02:00 to 03:00, and 03:00 to 02:00"},
	{"America/New_York", []Date{{2026, 3, 8}, {2026, 11, 1}}, "02:00 to 03:00, and 02:00 to 01:00"},
	{"America/Santiago", []Date{{2026, 9, 6}, {2026, 4, 5}}, "midnight is skipped, and comes twice"},
	{"Africa/Cairo", []Date{{2026, 4, 24}, {2026, 10, 30}}, "midnight is skipped, and 23:00 comes twice"},
	{"Australia/Lord_Howe", []Date{{2026, 10, 4}, {2026, 4, 5}}, "by half an hour"},
	{"Asia/Kathmandu", []Date{{2026, 3, 29}}, "never, and 5 h 45 min from UTC"},
}

func TestATimeOfDayIsFoundWhereTheClocksChange(t *testing.T) {
	for _, c := range []struct{ zone, date, time, want string }{
		{"Europe/Zurich", "2026-03-28", "06:30", "2026-03-28T05:30:00Z"},
		{"Europe/Zurich", "2026-03-29", "06:30", "2026-03-29T04:30:00Z"},
		{"Europe/Zurich", "2026-03-29", "02:30", "2026-03-29T01:00:00Z"}, // jumped over
		{"Europe/Zurich", "2026-03-29", "01:59", "2026-03-29T00:59:00Z"},
		{"Europe/Zurich", "2026-10-25", "02:30", "2026-10-25T00:30:00Z"}, // twice: the first
		{"Europe/Zurich", "2026-10-25", "03:00", "2026-10-25T02:00:00Z"},
		{"America/New_York", "2026-03-08", "02:00", "2026-03-08T07:00:00Z"},
		{"America/New_York", "2026-11-01", "01:15", "2026-11-01T05:15:00Z"},
		{"America/Santiago", "2026-09-06", "00:00", "2026-09-06T04:00:00Z"}, // no midnight
		{"America/Santiago", "2026-09-06", "00:45", "2026-09-06T04:00:00Z"},
		{"America/Santiago", "2026-04-04", "23:30", "2026-04-05T02:30:00Z"}, // twice
		{"Africa/Cairo", "2026-04-24", "00:00", "2026-04-23T22:00:00Z"},
	} {
		m, err := ParseTimeOfDay(c.time)
		if err != nil {
			t.Fatal(err)
		}
		d := DateOf(moment(t, c.date+"T12:00:00Z"), time.UTC)
		if got := m.On(d, zone(t, c.zone)); !got.Equal(moment(t, c.want)) {
			t.Errorf("%s on %s in %s is %s, want %s", c.time, c.date, c.zone, got.Format(time.RFC3339), c.want)
		}
	}
}

// firstAtOrAfter looks at every minute of a date in turn, and returns the first
// at which the clock shows the time or a later one: the meaning of On.
func firstAtOrAfter(d Date, m TimeOfDay, z *time.Location) (time.Time, bool) {
	for t := time.Date(d.Year, d.Month, d.Day-1, 10, 0, 0, 0, time.UTC); t.Before(time.Date(d.Year, d.Month, d.Day+2, 0, 0, 0, 0, time.UTC)); t = t.Add(time.Minute) {
		local := t.In(z)
		if DateOf(t, z) == d && local.Hour()*60+local.Minute() >= int(m) {
			return t, true
		}
	}
	return time.Time{}, false
}

func TestATimeOfDayIsTheFirstMinuteThatShowsIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(changes).Draw(t, "zone")
		d := rapid.SampledFrom(c.days).Draw(t, "day").Plus(rapid.IntRange(-1, 1).Draw(t, "beside"))
		m := TimeOfDay(rapid.IntRange(0, 1439).Draw(t, "minutes"))
		z := zone(t, c.zone)
		if want, ok := firstAtOrAfter(d, m, z); ok && !m.On(d, z).Equal(want) {
			t.Fatalf("%d min on %s in %s is %s, want %s", m, d, c.zone, m.On(d, z), want)
		}
	})
}

// A program that looks every five minutes makes one briefing for each date, so long
// before its huddle, whatever the clocks do.
func TestOneDigestADayThroughEveryChangeOfTheClocks(t *testing.T) {
	for _, c := range changes {
		z := zone(t, c.zone)
		for _, huddle := range []string{"00:00", "00:15", "01:30", "02:30", "03:00", "07:00", "23:45"} {
			m, _ := ParseTimeOfDay(huddle)
			for _, before := range []time.Duration{0, 30 * time.Minute, 12 * time.Hour} {
				s := Schedule{Huddle: m, Before: before, Zone: z}
				for _, day := range c.days {
					checkDigests(t, s, c.zone, huddle, day)
				}
			}
		}
	}
}

func checkDigests(t *testing.T, s Schedule, name, huddle string, day Date) {
	t.Helper()
	made := map[Date]time.Time{}
	start := time.Date(day.Year, day.Month, day.Day-3, 0, 0, 0, 0, time.UTC)
	for now := start; now.Before(start.AddDate(0, 0, 6)); now = now.Add(5 * time.Minute) {
		d, at, due := s.Due(now)
		if !due {
			continue
		}
		if _, there := made[d]; !there {
			made[d] = now
			if !now.Equal(at) && now.After(start.Add(catchUp)) {
				t.Fatalf("%s, huddle %s: the digest of %s was made at %s, want %s", name, huddle, d, now, at)
			}
		}
	}
	for days := -1; days <= 1; days++ {
		d := day.Plus(days)
		want, ok := firstAtOrAfter(d, s.Huddle, s.Zone)
		if !ok {
			t.Fatalf("%s has no %s on %s", name, huddle, d)
		}
		if got, there := made[d]; !there || !got.Equal(want.Add(-s.Before)) {
			t.Errorf("%s, huddle %s: the digest of %s was made at %s, want %s before %s", name, huddle, d, got, s.Before, want)
		}
	}
}

func TestADigestIsMadeLateButNotLongAfterItsHuddle(t *testing.T) {
	s := Schedule{Huddle: 7 * 60, Before: 30 * time.Minute, Zone: time.UTC}
	for at, want := range map[string]bool{
		"2026-11-25T06:29:59Z": false, "2026-11-25T06:30:00Z": true, "2026-11-25T10:29:59Z": true, "2026-11-25T10:30:00Z": false,
	} {
		if d, _, due := s.Due(moment(t, at)); due != want || due && d.String() != "2026-11-25" {
			t.Errorf("at %s due is %v of %s, want %v", at, due, d, want)
		}
	}
}

// Samoa went from 29 to 31 December 2011: the 30th had no huddle.
func TestADateThatTheCalendarLeavesOutHasNoDigest(t *testing.T) {
	s := Schedule{Huddle: 7 * 60, Zone: zone(t, "Pacific/Apia")}
	for day, want := range map[int]bool{29: true, 30: false, 31: true} {
		if _, exists := s.At(Date{2011, time.December, day}); exists != want {
			t.Errorf("a digest of 2011-12-%d: %v, want %v", day, exists, want)
		}
	}
}

func TestQuietHoursAreStretchesOfTime(t *testing.T) {
	for _, c := range []struct{ zone, hours, at, want string }{
		{"Europe/Zurich", "22:00-06:00", "2026-11-25T20:59:59Z", "2026-11-25T20:59:59Z"},
		{"Europe/Zurich", "22:00-06:00", "2026-11-25T21:00:00Z", "2026-11-26T05:00:00Z"},
		{"Europe/Zurich", "22:00-06:00", "2026-11-26T04:59:59Z", "2026-11-26T05:00:00Z"},
		{"Europe/Zurich", "22:00-06:00", "2026-11-26T05:00:00Z", "2026-11-26T05:00:00Z"},
		{"Europe/Zurich", "22:00-06:00", "2026-03-28T23:00:00Z", "2026-03-29T04:00:00Z"}, // one hour less
		{"Europe/Zurich", "22:00-06:00", "2026-10-24T23:00:00Z", "2026-10-25T05:00:00Z"}, // one more
		{"Europe/Zurich", "22:00-02:30", "2026-10-25T00:29:00Z", "2026-10-25T00:30:00Z"},
		{"Europe/Zurich", "22:00-02:30", "2026-10-25T01:10:00Z", "2026-10-25T01:10:00Z"}, // 02:10 again: they are over
		{"Europe/Zurich", "02:30-05:00", "2026-03-29T00:59:00Z", "2026-03-29T00:59:00Z"},
		{"Europe/Zurich", "02:30-05:00", "2026-03-29T01:00:00Z", "2026-03-29T03:00:00Z"}, // 02:30 jumped over
		{"America/New_York", "22:00-06:00", "2026-03-08T05:00:00Z", "2026-03-08T10:00:00Z"},
		{"America/Santiago", "20:00-00:00", "2026-09-06T03:30:00Z", "2026-09-06T04:00:00Z"}, // until a midnight that is not there
		{"America/New_York", "09:00-17:00", "2026-07-01T16:00:00Z", "2026-07-01T21:00:00Z"},
	} {
		q, err := ParseQuiet("today=" + c.hours)
		if err != nil {
			t.Fatal(err)
		}
		z := zone(t, c.zone)
		if got := q.Until("today", moment(t, c.at), z); !got.Equal(moment(t, c.want)) {
			t.Errorf("%s in %s: quiet at %s until %s, want %s", c.hours, c.zone, c.at, got, c.want)
		}
		if got := q.Until("now", moment(t, c.at), z); !got.Equal(moment(t, c.at)) {
			t.Errorf("the tier now waits until %s by the hours of today", got)
		}
	}
}

func TestTheEndOfQuietHoursIsNotQuiet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(changes).Draw(t, "zone")
		d := rapid.SampledFrom(c.days).Draw(t, "day")
		w := Window{TimeOfDay(rapid.IntRange(0, 1439).Draw(t, "from")), TimeOfDay(rapid.IntRange(0, 1439).Draw(t, "to"))}
		if loud := (w.From - w.To + 1440) % 1440; loud < 60 {
			return // a jump of the clocks may swallow all of the day that is not quiet
		}
		q, z := Quiet{"today": w}, zone(t, c.zone)
		at := time.Date(d.Year, d.Month, d.Day-1, 0, rapid.IntRange(0, 3*1440).Draw(t, "at"), 0, 0, time.UTC)
		end := q.Until("today", at, z)
		if end.Before(at) || end.Sub(at) > 25*time.Hour {
			t.Fatalf("quiet at %s until %s", at, end)
		}
		if after := q.Until("today", end, z); !after.Equal(end) {
			t.Fatalf("quiet until %s, and there until %s", end, after)
		}
	})
}

func TestQuietHoursThatCannotBeRead(t *testing.T) {
	for _, s := range []string{"today", "today=22:00", "today=22-06", "today=25:00-06:00", "watch=22:00-06:00", "today=06:00-06:00",
		"today=22:00-06:00,today=01:00-02:00", "today=22:00-06:00,", "=22:00-06:00", "today=22:00-6:00"} {
		if q, err := ParseQuiet(s); err == nil {
			t.Errorf("%q was read as %v", s, q)
		}
	}
	for _, s := range []string{"", "none", " none "} {
		if q, err := ParseQuiet(s); err != nil || len(q) != 0 {
			t.Errorf("%q: %v %v", s, q, err)
		}
	}
	q, err := ParseQuiet("today=22:00-06:00, this_shift=23:30-05:15,now=00:00-00:01")
	if err != nil || len(q) != 3 || q["this_shift"] != (Window{23*60 + 30, 5*60 + 15}) {
		t.Errorf("three tiers: %v %v", q, err)
	}
}
