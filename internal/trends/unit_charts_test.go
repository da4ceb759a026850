package trends

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// Two of 900 patient-days: Garwood's interval of a count of 2 is 0.2422 to 7.2247 (the
// published table), here per 0.9 thousand.
func TestTheRateOfFallsWithInjuryHasItsInterval(t *testing.T) {
	stays := beds(30, "2026-03-20 09:00", "2026-05-04 10:00")
	stays[0].Falls = []FallFact{fell("2026-04-02 03:00", "minor"), fell("2026-04-20 23:00", "death"), fell("2026-04-21 23:00", "none"), fell("2026-04-22 23:00", "")}
	p := figuresOf(stays, Periods(day("2026-04-01 00:00"), day("2026-05-01 00:00"), ByMonth, time.UTC), clinical.ByMidnightCensus, time.UTC, "2026-06-01 00:00").Periods[0]
	if got, want := fmt.Sprintf("%.4f (%.4f to %.4f), centre %.4f", *p.HarmRate, *p.HarmLow, *p.HarmHigh, *p.HarmU.Center), "2.2222 (0.2691 to 8.0274), centre 2.2222"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// Ten sets in October, 2 positive and 8 complete, and none of ten in November: the
// centres are 2/20 and 8/20, the limits 0.1 and 0.4 with 3 sqrt(c (1 - c)/10) (NIST
// handbook 6.3.3.2, by hand).
func TestSharesOfSetsStandOnPCharts(t *testing.T) {
	s := beds(1, "2026-10-01 00:00", "")[0]
	for month, at := range []string{"2026-10-05 09:00", "2026-11-05 09:00"} {
		for n := range 10 {
			set := Set{StartedAt: day(at).Add(time.Duration(n) * time.Hour), Quality: Usable, Finding: Negative}
			if month == 0 && n < 2 {
				set.Finding = Positive
			}
			if month == 0 && n < 8 {
				set.Quality = Complete
			}
			s.Sets = append(s.Sets, set)
			s.Systolics = append(s.Systolics, Systolic{set.StartedAt, 120 + float64(month)})
		}
	}
	f := figuresOf([]UnitStay{s}, Periods(day("2026-10-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC), clinical.ByMidnightCensus, time.UTC, "2027-01-01 00:00")
	write := func(c ControlPoint) string {
		return fmt.Sprintf("%.2f of %.2f (%.4f to %.4f)", *c.Value, *c.Center, *c.Lower, *c.Upper)
	}
	for _, c := range []struct{ name, got, want string }{
		{"positive", write(f.Periods[0].PositiveP), "0.20 of 0.10 (0.0000 to 0.3846)"},
		{"complete", write(f.Periods[0].CompleteP), "0.80 of 0.40 (0.0000 to 0.8648)"},
		{"complete, later", write(f.Periods[1].CompleteP), "0.00 of 0.40 (0.0000 to 0.8648)"},
		{"ending in 0", write(f.Periods[0].ZeroP), "1.00 of 0.50 (0.0257 to 0.9743)"},
		{"rules", fmt.Sprint(f.Periods[0].ZeroRules, f.Periods[0].PositiveRules), "[one point beyond 3 sigma] []"},
		{"digits of both", fmt.Sprint(f.Digits), "[10 10 0 0 0 0 0 0 0 0]"},
		{"share of both", shown(f.EndIn0), "0.5"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, want %s", c.name, c.got, c.want)
		}
	}
	if f.ChiP == nil || *f.ChiP > 1e-10 {
		t.Errorf("twenty pressures in two digits have p = %v", f.ChiP)
	}
}

// Precautions are looked at where each period ends, and now where it has not ended.
func TestPrecautionsAreCountedAtTheEndOfEachPeriod(t *testing.T) {
	now := day("2026-12-10 12:00")
	periods := Periods(day("2026-10-01 00:00"), day("2027-02-01 00:00"), ByMonth, time.UTC)
	tally := NewUnitTally("4W", periods, clinical.DefaultPolicy().Unit, time.UTC, now)
	moments := tally.LookMoments()
	if got := fmt.Sprint(moments); got != fmt.Sprint([]time.Time{day("2026-11-01 00:00"), day("2026-12-01 00:00"), now}) {
		t.Fatalf("looked at %s", got)
	}
	tally.Add(UnitStay{Looks: []PrecautionLook{{At: moments[0], Asked: true, Lacking: true}, {At: moments[1]}, {At: now, Asked: true}}})
	tally.Add(UnitStay{Looks: []PrecautionLook{{At: moments[0], Asked: true}, {At: day("2026-11-02 00:00"), Asked: true, Lacking: true}}})
	var got []string
	for _, p := range tally.Figures().Periods {
		got = append(got, fmt.Sprintf("%d %d %d %s", p.Present, p.Asked, p.Lacking, shown(p.LackingP.Value)))
	}
	if want := "[2 2 1 0.5 1 0 0 - 1 1 0 0 0 0 0 -]"; fmt.Sprint(got) != want {
		t.Errorf("%v, want %s", got, want)
	}
}

// The moment since which a unit has figures is the first arrival of a patient who was
// there in the time asked for.
func TestFiguresBeginWithTheFirstPatient(t *testing.T) {
	november := Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC)
	stays := append(beds(1, "2026-10-05 00:00", "2026-11-01 00:00"), beds(1, "2026-10-20 08:00", "2026-11-01 00:01")...)
	stays = append(stays, beds(1, "2026-11-02 00:00", "")...)
	stays = append(stays, UnitStay{Presences: []Presence{{Unit: "7E", From: day("2026-09-01 00:00")}}})
	if f := figuresOf(stays, november, clinical.ByHours, time.UTC, "2026-11-20 00:00"); !f.Since.Equal(day("2026-10-20 08:00")) {
		t.Errorf("since %s", f.Since)
	}
	if f := figuresOf(stays[2:], november, clinical.ByHours, time.UTC, "2026-11-01 12:00"); !f.Since.IsZero() {
		t.Errorf("a patient who has yet to come has figures since %s", f.Since)
	}
	if f := figuresOf(beds(1, "2026-12-01 00:00", ""), november, clinical.ByHours, time.UTC, "2027-01-01 00:00"); !f.Since.IsZero() {
		t.Errorf("a patient who came afterwards has figures since %s", f.Since)
	}
}

func TestTheEdgesOfWhenFiguresBegin(t *testing.T) {
	november := Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC)
	for name, tc := range map[string]struct {
		stays   []UnitStay
		periods []Period
		want    string // "": there was nobody
	}{
		"nobody":                       {nil, november, ""},
		"no period":                    {beds(1, "2026-11-02 00:00", ""), nil, ""},
		"who comes this very moment":   {beds(1, "2026-11-20 00:00", ""), november, "2026-11-20 00:00"},
		"who came before and is there": {beds(1, "2026-10-05 00:00", ""), november, "2026-10-05 00:00"},
		"the earlier, told later":      {append(beds(1, "2026-11-09 00:00", ""), beds(1, "2026-11-02 00:00", "2026-11-03 00:00")...), november, "2026-11-02 00:00"},
		"the earlier, told first":      {append(beds(1, "2026-11-02 00:00", ""), beds(1, "2026-11-09 00:00", "")...), november, "2026-11-02 00:00"},
	} {
		got := ""
		if f := figuresOf(tc.stays, tc.periods, clinical.ByHours, time.UTC, "2026-11-20 00:00"); !f.Since.IsZero() {
			got = f.Since.Format("2006-01-02 15:04")
		}
		if got != tc.want {
			t.Errorf("%s: since %q, want %q", name, got, tc.want)
		}
	}
}

// Where now is the end of one period, the next has not begun: who is there is counted
// once.
func TestPrecautionsAtTheTurnOfAPeriod(t *testing.T) {
	now := day("2026-11-01 00:00")
	tally := NewUnitTally("4W", Periods(day("2026-10-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC), clinical.DefaultPolicy().Unit, time.UTC, now)
	if got := tally.LookMoments(); len(got) != 1 || !got[0].Equal(now) {
		t.Errorf("looked at %s, want %s alone", got, now)
	}
	tally.Add(UnitStay{Looks: []PrecautionLook{{At: now, Asked: true, Lacking: true}}})
	periods := tally.Figures().Periods
	for n, want := range []int{1, 0} {
		if p := periods[n]; p.Present != want || p.Asked != want || p.Lacking != want {
			t.Errorf("period %d: %d present, %d asked, %d lacking, want %d of each", n, p.Present, p.Asked, p.Lacking, want)
		}
	}
}

func TestFallsStandInTheirOrder(t *testing.T) {
	stays := beds(2, "2026-10-01 00:00", "")
	stays[0].Falls = []FallFact{fell("2026-11-09 12:00", ""), fell("2026-12-01 00:00", "")} // the last one after the period
	stays[1].Falls = []FallFact{fell("2026-11-02 12:00", ""), fell("2026-11-30 12:00", "")}
	f := figuresOf(stays, Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC), clinical.ByHours, time.UTC, "2027-01-01 00:00")
	if want := []time.Time{day("2026-11-02 12:00"), day("2026-11-09 12:00"), day("2026-11-30 12:00")}; !slices.Equal(f.Falls, want) {
		t.Errorf("falls %s, want %s", f.Falls, want)
	}
}

// Of ten months each figure is far out in one of its own: beyond 3 sigma on its chart
// and no other's. A fall with injury is a fall too.
func TestEveryChartHasItsOwnRunRules(t *testing.T) {
	tally := NewUnitTally("4W", Periods(day("2026-01-01 00:00"), day("2026-11-01 00:00"), ByMonth, time.UTC),
		clinical.UnitPolicy{PatientDays: clinical.ByHours}, time.UTC, day("2027-01-01 00:00"))
	s := beds(1, "2026-01-01 00:00", "")[0]
	falls := func(n int, at time.Time, injury string) {
		for range n {
			s.Falls = append(s.Falls, FallFact{At: at, Injury: injury})
		}
	}
	for m, looked := range tally.LookMoments() {
		noon := time.Date(2026, time.Month(m+1), 10, 12, 0, 0, 0, time.UTC)
		falls(1, noon, "none")
		switch m {
		case 0:
			falls(29, noon, "none")
		case 1:
			falls(20, noon, "minor")
		}
		for range 20 {
			recheck, set, systolic := DueRecheck{DueAt: noon, MetAt: &noon}, Set{StartedAt: noon, Finding: Negative, Quality: Complete}, Systolic{noon, 121}
			switch m {
			case 2:
				recheck.MetAt = nil
			case 3:
				set.Finding = Positive
			case 4:
				set.Quality = Usable
			case 5:
				systolic.Value = 120
			}
			s.Rechecks, s.Sets, s.Systolics = append(s.Rechecks, recheck), append(s.Sets, set), append(s.Systolics, systolic)
			s.Looks = append(s.Looks, PrecautionLook{At: looked, Asked: true, Lacking: m == 6})
		}
	}
	tally.Add(s)
	periods := tally.Figures().Periods
	for _, c := range []struct {
		name, want string // months, from 0
		rules      func(UnitPeriod) []RunRule
	}{
		{"falls", "[0 1]", func(p UnitPeriod) []RunRule { return p.RunRules }},
		{"falls with injury", "[1]", func(p UnitPeriod) []RunRule { return p.HarmRules }},
		{"rechecks in time", "[2]", func(p UnitPeriod) []RunRule { return p.PRunRules }},
		{"positive sets", "[3]", func(p UnitPeriod) []RunRule { return p.PositiveRules }},
		{"complete sets", "[4]", func(p UnitPeriod) []RunRule { return p.CompleteRules }},
		{"pressures that end in 0", "[5]", func(p UnitPeriod) []RunRule { return p.ZeroRules }},
		{"precautions lacking", "[6]", func(p UnitPeriod) []RunRule { return p.LackingRules }},
	} {
		var beyond []int
		for m, p := range periods {
			if slices.Contains(c.rules(p), RunBeyond) {
				beyond = append(beyond, m)
			}
		}
		if fmt.Sprint(beyond) != c.want {
			t.Errorf("%s: beyond in months %v, want %s", c.name, beyond, c.want)
		}
	}
}

func TestThePeriodAroundAMomentIsWhole(t *testing.T) {
	zurich := zoneOf(t, "Europe/Zurich")
	for _, c := range []struct{ at, by, want string }{
		{"2026-10-31 22:59", ByMonth, "09-30T22 10-31T23"},
		{"2026-10-31 23:00", ByMonth, "10-31T23 11-30T23"},
		{"2026-10-25 22:59", ByWeek, "10-18T22 10-25T23"},
		{"2026-10-25 23:00", ByWeek, "10-25T23 11-01T23"},
	} {
		p := PeriodAround(day(c.at), c.by, zurich)
		if got := p.From.UTC().Format("01-02T15") + " " + p.To.UTC().Format("01-02T15"); got != c.want {
			t.Errorf("%s around %s: %s, want %s", c.by, c.at, got, c.want)
		}
	}
}
