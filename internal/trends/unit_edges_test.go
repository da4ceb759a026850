package trends

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

func TestPeriodsBeginAtMidnightExactly(t *testing.T) {
	zurich := zoneOf(t, "Europe/Zurich")
	at := func(m time.Month, d int) time.Time { return time.Date(2026, m, d, 0, 0, 0, 0, zurich) }
	months := Periods(at(2, 15), at(5, 1), ByMonth, zurich)
	if want := []Period{{at(2, 15), at(3, 1)}, {at(3, 1), at(4, 1)}, {at(4, 1), at(5, 1)}}; !slices.Equal(months, want) {
		t.Errorf("months %v", months)
	}
	weeks := Periods(at(3, 25), at(4, 6), ByWeek, zurich)
	if want := []Period{{at(3, 25), at(3, 30)}, {at(3, 30), at(4, 6)}}; !slices.Equal(weeks, want) {
		t.Errorf("weeks %v", weeks)
	}
}

func TestMidnightsLieWithinTheTimeAskedFor(t *testing.T) {
	zurich := zoneOf(t, "Europe/Zurich")
	at := func(d, h int) time.Time { return time.Date(2026, 3, d, h, 0, 0, 0, zurich) }
	for _, c := range []struct {
		from, to time.Time
		want     []time.Time
	}{
		{at(28, 12), at(30, 12), []time.Time{at(29, 0), at(30, 0)}}, // the clocks go forward on the 29th
		{at(28, 0), at(30, 0), []time.Time{at(28, 0), at(29, 0)}},
		{at(28, 1), at(28, 23), nil},
	} {
		if got := midnights(c.from, c.to, zurich); !slices.Equal(got, c.want) {
			t.Errorf("%v to %v: %v", c.from, c.to, got)
		}
	}
}

func TestAPeriodBeginsWithItsFirstMoment(t *testing.T) {
	p := Period{day("2026-11-01 00:00"), day("2026-12-01 00:00")}
	for at, want := range map[string]bool{"2026-10-31 23:59": false, "2026-11-01 00:00": true, "2026-11-30 23:59": true, "2026-12-01 00:00": false} {
		if p.Holds(day(at)) != want {
			t.Errorf("%s: %v", at, !want)
		}
	}
}

func TestPresencesAtTheirEdges(t *testing.T) {
	final, a := clinical.Final, "2026-11-01 10:00"
	for _, c := range []struct {
		name     string
		versions []clinical.Version
		asOf     string
		want     string
	}{
		{"another bed, then another unit", []clinical.Version{stayRow(a, "4W", a, "", final), stayRow("2026-11-02 10:00", "4W", a, "", final), stayRow("2026-11-03 10:00", "7E", a, "", final)},
			"2026-11-10 00:00", "4W 11-01T10 11-03T10, 7E 11-03T10 -"},
		{"there and back", []clinical.Version{stayRow(a, "4W", a, "", final), stayRow("2026-11-02 10:00", "7E", a, "", final), stayRow("2026-11-03 10:00", "4W", a, "", final)},
			"2026-11-10 00:00", "4W 11-01T10 11-02T10, 7E 11-02T10 11-03T10, 4W 11-03T10 -"},
		{"a transfer, then discharge", []clinical.Version{stayRow(a, "4W", a, "", final), stayRow("2026-11-02 10:00", "7E", a, "", final), stayRow("2026-11-05 10:00", "7E", a, "2026-11-05 09:00", final)},
			"2026-11-10 00:00", "4W 11-01T10 11-02T10, 7E 11-02T10 11-05T09"},
		{"a transfer recorded at discharge", []clinical.Version{stayRow(a, "4W", a, "", final), stayRow("2026-11-05 10:00", "7E", a, "2026-11-05 10:00", final)},
			"2026-11-10 00:00", "4W 11-01T10 11-05T10"},
		{"discharged at the moment asked", []clinical.Version{stayRow(a, "4W", a, "2026-11-05 10:00", final)}, "2026-11-05 10:00", "4W 11-01T10 11-05T10"},
	} {
		for n := range c.versions {
			c.versions[n].Line = n
		}
		got := ""
		for _, p := range PresencesOf(clinical.ChartAt("S", c.versions, day(c.asOf))) {
			to := "-"
			if !p.To.IsZero() {
				to = p.To.Format("01-02T15")
			}
			if got != "" {
				got += ", "
			}
			got += p.Unit + " " + p.From.Format("01-02T15") + " " + to
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	reading := clinical.Version{Kind: clinical.KindVitals, SourceID: "r", StayID: "S", RecordedAt: noon, Status: final, Body: clinical.Vitals{TakenAt: noon}}
	if got := PresencesOf(clinical.ChartAt("S", []clinical.Version{reading}, noon)); got != nil {
		t.Errorf("a stay that is not known was on %v", got)
	}
}

func TestSystolicsAheadAreNotCounted(t *testing.T) {
	reading := func(id string, at time.Time) clinical.Record {
		return clinical.Record{Version: clinical.Version{Kind: clinical.KindVitals, SourceID: id, Body: clinical.Vitals{TakenAt: at, Systolic: ptr(120.0)}}}
	}
	c := clinical.Chart{AsOf: noon, Records: []clinical.Record{
		{Version: clinical.Version{Kind: clinical.KindWeight, Body: clinical.Weight{MeasuredAt: noon, KG: 70}}},
		reading("now", noon), reading("ahead", minutesOn(1)), reading("before", minutesOn(-1)),
	}}
	if got := SystolicsOf(c, clinical.DefaultPolicy().Plausible); len(got) != 2 || !got[0].At.Equal(noon) || !got[1].At.Equal(minutesOn(-1)) {
		t.Errorf("%v", got)
	}
}

func TestFiguresOfAUnitAtTheirEdges(t *testing.T) {
	november := Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC)
	at := func(s string) *time.Time { t := day(s); return &t }
	s := beds(1, "2026-11-02 12:00", "2026-11-03 12:00")[0]
	s.Falls = []FallFact{fell("2026-11-03 09:00", "none"), fell("2026-11-03 10:00", "minor"), fell("2026-11-03 11:00", "")}
	s.Sets = []Set{{StartedAt: day("2026-11-03 08:00"), Finding: Positive}, {StartedAt: day("2026-11-03 09:00"), Finding: Positive},
		{StartedAt: day("2026-11-03 10:00"), Finding: Positive}, {StartedAt: day("2026-11-03 11:00"), Finding: Negative}}
	s.Rechecks = []DueRecheck{{DueAt: day("2026-11-03 10:00"), MetAt: at("2026-11-03 10:00")}, {DueAt: day("2026-11-03 10:00")}}
	s.Systolics = []Systolic{{day("2026-11-03 10:00"), 120}, {day("2026-11-03 10:00"), 121}}
	f := figuresOf([]UnitStay{s}, november, clinical.ByMidnightCensus, time.UTC, "2026-11-03 11:00") // the last ones are at the moment itself
	p := f.Periods[0]
	got := fmt.Sprintf("%g days %d falls %d injured %s %s; %d sets %s; p %s; %d measured", p.PatientDays, p.Falls, p.WithInjury, shown(p.Rate), shown(p.HarmRate),
		p.Sets, shown(p.PositivePer100()), shown(p.P.Value), p.Measured)
	if want := "1 days 3 falls 1 injured 3000 1000; 4 sets 75; p 0.5; 2 measured"; got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	if days := figuresOf(beds(1, "2026-12-05 00:00", ""), november, clinical.ByHours, time.UTC, "2027-01-01 00:00").Periods[0].PatientDays; days != 0 {
		t.Errorf("%g days of a stay after the period", days)
	}
	if days := figuresOf(beds(1, "2026-11-30 00:00", "2026-12-31 00:00"), november, clinical.ByHours, time.UTC, "2027-01-01 00:00").Periods[0].PatientDays; days != 1 {
		t.Errorf("%g days of a stay that goes on after the period, want 1", days)
	}
	if days := figuresOf(beds(1, "2026-11-28 00:00", "2026-11-29 00:00"), november, clinical.ByHours, time.UTC, "2027-01-01 00:00").Periods[0].PatientDays; days != 1 {
		t.Errorf("%g days of a stay within the period, want 1", days)
	}
}

// A run of rechecks met late shows in the run rules of the p-chart.
func TestRunRulesOfTheRechecks(t *testing.T) {
	year := Periods(day("2026-01-01 00:00"), day("2027-01-01 00:00"), ByMonth, time.UTC)
	s := beds(1, "2026-01-01 00:00", "")[0]
	for m := range 12 {
		for n := range 20 {
			due := time.Date(2026, time.Month(m+1), 1+n, 12, 0, 0, 0, time.UTC)
			r := DueRecheck{DueAt: due}
			if m < 9 || n%2 == 0 && m > 9 { // none in October, half after it
				r.MetAt = &due
			}
			s.Rechecks = append(s.Rechecks, r)
		}
	}
	f := figuresOf([]UnitStay{s}, year, clinical.ByMidnightCensus, time.UTC, "2027-01-01 00:00")
	if !slices.Contains(f.Periods[9].PRunRules, RunBeyond) || !slices.Contains(f.Periods[7].PRunRules, RunEight) {
		t.Errorf("October %v, August %v", f.Periods[9].PRunRules, f.Periods[7].PRunRules)
	}
}

func TestDaysBetweenFallsAcrossMonths(t *testing.T) {
	stays := beds(1, "2026-01-01 00:00", "")
	stays[0].Falls = []FallFact{fell("2026-01-05 12:00", ""), fell("2026-07-05 12:00", "")}
	year := []Period{{day("2026-01-01 00:00"), day("2027-01-01 00:00")}}
	if got := figuresOf(stays, year, clinical.ByHours, time.UTC, "2027-01-01 00:00").DaysBetween; !slices.Equal(got, []int{181}) {
		t.Errorf("%v, want 181", got)
	}
}

func TestDigitsEquallyFrequent(t *testing.T) {
	share, stat, p := DigitPreference([10]int{3, 3, 3, 3, 3, 3, 3, 3, 3, 3})
	if share == nil || *share != 0.1 || *stat != 0 || *p != 1 {
		t.Errorf("share %s, chi-squared %s, p %s", show(share), show(stat), show(p))
	}
	if stat, df, _ := ChiSquared([]int{1, 1}, []float64{0.5, 1.5}); df != 1 || math.Abs(stat-2.0/3) > 1e-12 {
		t.Errorf("an expected count under 1: %v", stat) // 0.25/0.5 + 0.25/1.5
	}
}

func TestShiftsAndTheirBounds(t *testing.T) {
	p := clinical.UnitPolicy{DayShift: "07:00", NightShift: "19:00"}
	zurich := zoneOf(t, "Europe/Zurich")
	at := func(d, h int) time.Time { return time.Date(2026, 11, d, h, 0, 0, 0, zurich) }
	for _, c := range []struct {
		name     string
		from, to time.Time
		want     []time.Time
	}{
		{"within one day shift", at(10, 8), at(10, 12), []time.Time{at(10, 7), at(10, 19)}},
		{"from the start of a shift", at(10, 7), at(10, 12), []time.Time{at(10, 7), at(10, 19)}},
		{"to the start of a shift", at(10, 8), at(10, 19), []time.Time{at(10, 7), at(10, 19), at(11, 7)}},
		{"before the day shift: the night before", at(10, 3), at(10, 12), []time.Time{at(9, 19), at(10, 7), at(10, 19)}},
	} {
		if got := Shifts(c.from, c.to, p, zurich); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	turned := clinical.UnitPolicy{DayShift: "19:00", NightShift: "07:00"} // a site may call them so
	if got := Shifts(at(10, 8), at(10, 12), turned, zurich); !slices.Equal(got, []time.Time{at(10, 7), at(10, 19)}) {
		t.Errorf("the day shift begins in the evening: %v", got)
	}
	half := clinical.UnitPolicy{DayShift: "0700", NightShift: "19:00"}
	if got := Shifts(at(10, 8), at(10, 12), half, zurich); !slices.Equal(got, []time.Time{at(9, 19), at(10, 19)}) {
		t.Errorf("one clock that cannot be read: %v", got)
	}
}

func TestShiftBalancesUpToTheMoment(t *testing.T) {
	c := newChart(t).at(0).fluid("f", "in", "oral", -10, -1, 900).dose("d", "furosemide", 40, -3)
	c.stay.AdmittedAt = hoursOn(-8)
	vs := append([]clinical.Version{{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true, Status: clinical.Final, Body: c.stay}}, c.versions...)
	bounds := []time.Time{hoursOn(-24), hoursOn(-12), hoursOn(-8), hoursOn(-4), noon, hoursOn(12), hoursOn(24)}
	got := ShiftBalances(clinical.ChartAt("S", vs, c.asOf), c.policy.Fluid, bounds)
	if len(got) != 2 || !got[0].From.Equal(hoursOn(-8)) || !got[0].To.Equal(hoursOn(-4)) || !got[1].To.Equal(noon) {
		t.Fatalf("%+v", got)
	}
	wantFigure(t, "first", got[0].NetML, "400")
	wantFigure(t, "then", got[1].NetML, "300")
	wantWords(t, "facts", got[1].Facts, "f")
}

// R-ANSWER: counted are the rechecks not met by their due time that an answer has moved, met
// afterwards or not.
func TestRechecksThatWereAnsweredAndNotDone(t *testing.T) {
	due := day("2026-11-03 10:00")
	s := beds(1, "2026-11-02 12:00", "2026-11-04 12:00")[0]
	late := due.Add(time.Minute)
	s.Rechecks = []DueRecheck{
		{DueAt: due, Answered: true}, {DueAt: due, MetAt: &late, Answered: true}, {DueAt: due, MetAt: &due, Answered: true},
		{DueAt: due}, {DueAt: due, MetAt: &due},
	}
	november := Periods(day("2026-11-01 00:00"), day("2026-12-01 00:00"), ByMonth, time.UTC)
	p := figuresOf([]UnitStay{s}, november, clinical.ByMidnightCensus, time.UTC, "2026-11-05 11:00").Periods[0]
	if p.RechecksDue != 5 || p.RechecksInTime != 2 || p.RechecksAnswered != 2 {
		t.Errorf("%d due, %d in time, %d answered and not done; want 5, 2, 2", p.RechecksDue, p.RechecksInTime, p.RechecksAnswered)
	}
}
