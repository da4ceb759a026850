package trends

import (
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// Four falls in each of five months and then one in each of five, in 310 or 300 and so on patient-days: one
// centre of 25 / 3,040 patient-days = 8.2 per 1,000 for all; of their own, 20 in 1,510 = 13.2 and 5 in 1,530 = 3.3
// (u-chart, NIST handbook 6.3.3; sums by hand).
func TestPhasesHaveACentreOfTheirOwn(t *testing.T) {
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	now := from.AddDate(0, 10, 0)
	tally := NewUnitTally("4W", Periods(from, now, ByMonth, time.UTC), clinical.DefaultPolicy().Unit, time.UTC, now)
	for bed := range 10 {
		s := UnitStay{Presences: []Presence{{Unit: "4W", From: from.AddDate(0, 0, -3)}}}
		for month := range 10 {
			if n := 4; bed < n && month < 5 || bed == 0 {
				s.Falls = append(s.Falls, FallFact{At: from.AddDate(0, month, 2+bed)})
			}
		}
		tally.Add(s)
	}
	all := tally.Figures()
	june := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	is := func(name string, f UnitFigures, month int, centre float64) {
		t.Helper()
		if got := f.Periods[month].U.Center; got == nil || *got < centre-0.05 || *got > centre+0.05 {
			t.Errorf("%s: the centre of month %d is %v, want %.1f", name, month+1, *got, centre)
		}
	}
	phased := all.InPhases([]time.Time{june})
	is("one phase", all, 0, 8.2)
	is("two phases", phased, 4, 13.2)
	is("two phases", phased, 5, 3.3)
	is("a start within a month", all.InPhases([]time.Time{june.AddDate(0, 0, -9)}), 5, 3.3)
	is("a start within a month", all.InPhases([]time.Time{june.AddDate(0, 0, -9)}), 4, 13.2)
	is("a start before all", all.InPhases([]time.Time{from.AddDate(-1, 0, 0)}), 4, 8.2)
	is("the figures given", all, 4, 8.2)
	if got, want := len(phased.Periods[9].RunRules), 0; got != want {
		t.Errorf("the last month is marked by %v: rules reach over the start of a phase", phased.Periods[9].RunRules)
	}
	if got := (UnitFigures{}).InPhases([]time.Time{june}); len(got.Periods) != 0 {
		t.Errorf("figures of nothing have %d periods", len(got.Periods))
	}
}
