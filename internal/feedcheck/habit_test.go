package feedcheck

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/internal/records"
)

// monday is the first day of every series here.
var monday = time.Date(2026, 9, 28, 0, 0, 0, 0, time.UTC)

// series are days of a unit of 24 patients on which counts of a day are those that of tells.
func series(n int, of func(day int) records.FactCounts) []Day {
	out := make([]Day, n)
	for d := range out {
		out[d] = Day{Date: monday.AddDate(0, 0, d), PatientDays: 24, Over: true, Counts: of(d)}
	}
	return out
}

func readings(n, positioned int) records.FactCounts {
	return records.FactCounts{Readings: n, Positioned: positioned}
}

// states are those of the days from one on.
func states(h Habit, from int) (out []State) {
	for _, d := range h.Days[from:] {
		out = append(out, d.State)
	}
	return out
}

// A mapping that drops the position is a fault from the first day on, and the count of readings is
// as usual: that is what tells it from a quiet day.
func TestAMappingThatDropsThePositionIsAFaultAndNotACalmDay(t *testing.T) {
	const tuesday = 36
	days := series(40, func(d int) records.FactCounts {
		if d >= tuesday {
			return readings(95+d%7, 0)
		}
		return readings(95+d%7, 38+d%5)
	})
	h := Judge(Positions, days)
	if !slices.Equal(states(h, 34), []State{Usual, Usual, None, None, None, None}) || h.State != None {
		t.Errorf("positions: %v", states(h, 34))
	}
	if want := monday.AddDate(0, 0, tuesday); !h.Since.Equal(want) || h.Since.Weekday() != time.Tuesday {
		t.Errorf("since %s, want %s", h.Since, want)
	}
	if e := h.Days[39].Expected; e == nil || *e < .38 || *e > .42 {
		t.Errorf("the habit is %v, want two in five", e)
	}
	if h := Judge(Readings, days); h.State != Usual || !h.Since.IsZero() {
		t.Errorf("readings are %s since %s, want as usual", h.State, h.Since)
	}
}

func TestStatesOfADay(t *testing.T) {
	steady := func(n, k, last, lastK int) []Day {
		return series(36, func(d int) records.FactCounts {
			if d == 35 {
				return readings(last, lastK)
			}
			return readings(n+d%3-1, k+d%3-1)
		})
	}
	half := steady(100, 40, 50, 20)
	half[35].PatientDays = 12 // half of the beds are closed
	running := steady(100, 40, 3, 0)
	running[35].Over = false // the day has only just begun
	empty := steady(100, 40, 0, 0)
	empty[35].PatientDays = 0
	young := steady(100, 40, 100, 0)[30:]
	for name, c := range map[string]struct {
		days      []Day
		count     State
		positions State
	}{
		"as always":                       {steady(100, 40, 100, 40), Usual, Usual},
		"a few less":                      {steady(100, 40, 80, 30), Usual, Usual},
		"half of the readings":            {steady(100, 40, 45, 18), Lower, Usual},
		"no reading":                      {steady(100, 40, 0, 0), None, Usual}, // the share is that of the day before
		"half of the positions":           {steady(100, 40, 100, 20), Usual, Lower},
		"a quarter of all positions":      {steady(100, 96, 100, 71), Usual, Lower},
		"less than a quarter of them":     {steady(100, 96, 100, 72), Usual, Usual},
		"no position":                     {steady(100, 40, 100, 0), Usual, None},
		"half of the patients":            {half, Usual, Usual},
		"a day that runs, so far few":     {running, Usual, Usual}, // three without a position: chance, by 28 days of two in five
		"nobody here":                     {empty, Usual, Usual},   // of the day before
		"a week":                          {young, Unknown, Unknown},
		"never a position":                {steady(100, 1, 100, 0)[:0], "", ""},
		"a habit of none":                 {series(36, func(int) records.FactCounts { return readings(100, 0) }), Usual, Never},
		"a habit of few stays with few":   {steady(3, 2, 0, 0), Usual, Usual}, // of 3 expected, none: one day in twenty
		"nothing at all for four weeks":   {series(36, func(int) records.FactCounts { return readings(0, 0) }), Never, ""},
		"a share of next to nothing":      {steady(2, 1, 1, 0), Usual, Usual},
		"an unknown unit without a day":   {nil, "", ""},
		"more than ever":                  {steady(100, 40, 300, 300), Usual, Usual},
		"every reading with a position":   {steady(100, 99, 100, 60), Usual, Lower},
		"every reading, one day of fewer": {steady(100, 99, 100, 90), Usual, Usual},
	} {
		if got := Judge(Readings, c.days).State; got != c.count {
			t.Errorf("%s: readings are %q, want %q", name, got, c.count)
		}
		if got := Judge(Positions, c.days).State; got != c.positions {
			t.Errorf("%s: positions are %q, want %q", name, got, c.positions)
		}
	}
}

// What is rare is judged over several days, the shortest span that shows it; weekends on which
// nothing is done are no fault.
func TestWhatIsRareIsGatheredOverDays(t *testing.T) {
	luck := rand.New(rand.NewPCG(7, 7))
	weekdays := func(stop int) []Day {
		return series(57, func(d int) records.FactCounts {
			if d >= stop || d%7 >= 5 {
				return records.FactCounts{}
			}
			return records.FactCounts{Sets: 4 + luck.IntN(5)}
		})
	}
	h := Judge(Sets, weekdays(57))
	for n, d := range h.Days {
		if d.State.Fault() {
			t.Errorf("day %d is %s though nothing stopped", n, d.State)
		}
	}
	h = Judge(Sets, weekdays(49)) // from a Monday on
	found := slices.IndexFunc(h.Days, func(d DayState) bool { return d.State.Fault() })
	if found < 49 || found > 52 {
		t.Errorf("sets that stopped on day 49 are found on day %d", found)
	}
	if want := monday.AddDate(0, 0, 49); !h.Since.Equal(want) {
		t.Errorf("since %s, want %s", h.Since, want)
	}
}

// A fault is no part of the habit: it stays one for three weeks.
func TestAFaultDoesNotBecomeTheHabitAtOnce(t *testing.T) {
	h := Judge(Positions, series(57, func(d int) records.FactCounts {
		if d >= 33 {
			return readings(100, 10)
		}
		return readings(100, 40+d%3)
	}))
	for d := 33; d < 33+21; d++ {
		if h.Days[d].State != Lower {
			t.Errorf("day %d of the fault is %s", d-33, h.Days[d].State)
		}
	}
	if h := Judge(Positions, series(62, func(d int) records.FactCounts {
		if d >= 31 {
			return readings(100, 0)
		}
		return readings(100, 40)
	})); h.State != Never || !h.Told() {
		t.Errorf("after four weeks of none: %s", h.State)
	}
}

// How often mere chance makes a fault, measured over 6,000 days: readings come in threes with one
// position habit, counts spread twice as far as Poisson's. At most one day in 500 is called a fault.
func TestChanceAloneIsSeldomAFault(t *testing.T) {
	luck := rand.New(rand.NewPCG(1, 2))
	days, faults := 0, map[Measure]int{}
	for range 100 {
		h := series(88, func(int) records.FactCounts {
			var c records.FactCounts
			sets := 0
			for range 48 { // patients asked twice a day
				if luck.Float64() < .2 {
					sets++
				}
			}
			c.Sets = sets
			c.Readings, c.Positioned = 60+luck.IntN(40)+3*sets, 3*sets
			c.Precautions = luck.IntN(3) * luck.IntN(4)
			return c
		})
		for _, m := range []Measure{Readings, Positions, Sets, Precautions} {
			for _, d := range Judge(m, h).Days[28:] {
				days++
				if d.State.Fault() {
					faults[m]++
				}
			}
		}
	}
	for m, n := range faults {
		if n*500 > days/4 {
			t.Errorf("%s: %d faults by chance in %d days", m, n, days/4)
		}
	}
	t.Logf("faults by chance in %d days of each: %v", days/4, faults)
}

func drawn(t *rapid.T) []Day {
	n := rapid.IntRange(1, 70).Draw(t, "days")
	level := rapid.IntRange(0, 120).Draw(t, "level")
	return series(n, func(int) records.FactCounts {
		of := rapid.IntRange(0, level).Draw(t, "readings")
		return readings(of, rapid.IntRange(0, of).Draw(t, "positioned"))
	})
}

// What comes later changes nothing of how the latest day stood then; more of a thing is never a
// fault where less was none; a state is told exactly where there is something to tell.
func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		days := drawn(t)
		m := rapid.SampledFrom([]Measure{Readings, Positions}).Draw(t, "measure")
		whole := Judge(m, days)
		n := rapid.IntRange(0, len(days)-1).Draw(t, "day")
		then := Judge(m, days[:n+1])
		if got, want := whole.Days[n].State, then.Days[n].State; got != want {
			t.Fatalf("day %d is %q, and was %q before later days came", n, got, want)
		}
		if then.State.Fault() == then.Since.IsZero() {
			t.Errorf("%s since %s", then.State, then.Since)
		}
		more := slices.Clone(days[:n+1])
		if m == Readings {
			more[n].Counts.Readings += rapid.IntRange(0, 50).Draw(t, "more")
		} else if missing := more[n].Counts.Readings - more[n].Counts.Positioned; missing > 0 {
			more[n].Counts.Positioned += rapid.IntRange(0, missing).Draw(t, "more")
		}
		if after := Judge(m, more).Days[n].State; after.Fault() && !then.Days[n].State.Fault() {
			t.Errorf("day %d was %q and is %q with more", n, then.Days[n].State, after)
		}
		for n, d := range whole.Days {
			told := m == Readings || d.Of > 0
			if (d.State != "") != told || (d.Expected != nil) != (d.State == Usual || d.State.Fault()) {
				t.Errorf("day %d: state %q, expected %v of %d", n, d.State, d.Expected, d.Of)
			}
		}
	})
}

// A unit that is closed after a day of fault is not told of for weeks.
func TestAUnitThatIsClosedIsNotToldOf(t *testing.T) {
	days := series(50, func(d int) records.FactCounts {
		switch {
		case d < 35:
			return readings(100, 40)
		case d == 35:
			return readings(100, 0)
		}
		return records.FactCounts{}
	})
	for d := 36; d < len(days); d++ {
		days[d].PatientDays = 0
	}
	for _, m := range []Measure{Readings, Positions} {
		if h := Judge(m, days); h.State != "" || h.Latest >= 0 || h.Told() {
			t.Errorf("%s are %q", m, h.State)
		}
	}
	if h := Judge(Positions, days[:40]); h.State != None {
		t.Errorf("four days later positions are %q", h.State)
	}
}
