package text

import (
	"testing"
	"time"

	"plumbline/internal/trends"
)

func TestPeriodsAreNamedWithWhatIsIncompleteOfThem(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: time.Date(2026, 11, 10, 9, 0, 0, 0, time.UTC)}
	at := func(s string) time.Time {
		t, err := time.Parse(time.DateOnly, s)
		if err != nil {
			panic(err)
		}
		return t
	}
	for _, one := range []struct{ from, to, by, since, name, part string }{
		{"2026-10-01", "2026-11-01", trends.ByMonth, "2025-01-01", "Oct 2026", ""},
		{"2026-10-01", "2026-11-01", trends.ByMonth, "2026-10-12", "Oct 2026", "figures from 12 Oct 00:00"},
		{"2026-10-15", "2026-11-01", trends.ByMonth, "2025-01-01", "15 to 31 Oct 2026", "from 15 Oct 2026"},
		{"2026-11-01", "2026-12-01", trends.ByMonth, "2025-01-01", "Nov 2026", "until now"},
		{"2026-10-15", "2026-10-20", trends.ByMonth, "2025-01-01", "15 to 19 Oct 2026", "from 15 Oct 2026, to 19 Oct 2026"},
		{"2026-10-26", "2026-11-02", trends.ByWeek, "2025-01-01", "26 Oct to 1 Nov 2026", ""},
		{"2025-12-29", "2026-01-05", trends.ByWeek, "2025-01-01", "29 Dec 2025 to 4 Jan 2026", ""},
		{"2026-10-28", "2026-10-29", trends.ByWeek, "2025-01-01", "28 Oct 2026", "from 28 Oct 2026, to 28 Oct 2026"},
		{"2026-11-09", "2026-11-16", trends.ByWeek, "2026-11-09", "9 to 15 Nov 2026", "until now"},
	} {
		p := trends.Period{From: at(one.from), To: at(one.to)}
		if got := c.Period(p, one.by); got != one.name {
			t.Errorf("%s to %s: %q, want %q", one.from, one.to, got, one.name)
		}
		if got := c.Part(p, one.by, at(one.since)); got != one.part {
			t.Errorf("%s to %s: part %q, want %q", one.from, one.to, got, one.part)
		}
	}
}

func TestEachRunRuleSaysItsSide(t *testing.T) {
	for rule, want := range map[trends.RunRule][2]string{
		trends.RunBeyond:     {"1 point above the upper limit: chance alone seldom does this", "1 point below the lower limit: chance alone seldom does this"},
		trends.RunEight:      {"8 points or more in a row above the centre: the level may have shifted", "8 points or more in a row below the centre: the level may have shifted"},
		trends.RunTwoOfThree: {"2 of 3 points past two thirds of the way up to the limit: perhaps a shift", "2 of 3 points past two thirds of the way down to the limit: perhaps a shift"},
		trends.RunSix:        {"6 points in a row rising: a drift", "6 points in a row falling: a drift"},
	} {
		if got := RunRuleSays(rule, true, true); got != want[0] {
			t.Errorf("%s: %q", rule, got)
		}
		if got := RunRuleSays(rule, false, false); got != want[1] {
			t.Errorf("%s: %q", rule, got)
		}
		if RunRuleNames[rule] == "" {
			t.Errorf("%s has no name", rule)
		}
	}
}
