package trends

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// Readings of one set that starts at an hour.
func negativeAt(h float64) string {
	return fmt.Sprintf("%v lying 140/80 up=5; %v standing 138/80 up=3", 60*h, 60*h+3)
}

func droppingAt(h, drop float64) string {
	return fmt.Sprintf("%v lying 140/80 up=5; %v standing %v/80 up=3", 60*h, 60*h+3, 140-drop)
}

func all(specs ...string) string { return strings.Join(specs, ";") }

// order is an active order of a drug by mouth.
func (c *chart) order(id, text string, dose, times, start float64) *chart {
	c.t.Helper()
	return c.add(clinical.Version{
		SourceID: id, Status: clinical.Active,
		Body: clinical.Order{Drug: clinical.Drug{Text: text}, Dose: &dose, DoseUnit: "mg", TimesPerDay: &times, StartAt: hoursOn(start)},
	})
}

func TestSerialCountsPassOverWhatCannotBeRead(t *testing.T) {
	s := newChart(t).readings(all(
		droppingAt(0, 30), negativeAt(10), "1200 lying 140/80 up=3; 1203 standing 138/80 up=3", // inconclusive
		negativeAt(21),
	)).digest().Serial
	if s.Sets != 4 || s.Interpretable != 3 || s.Positive != 1 || s.NegativesInARow != 2 || !s.LastPositiveAt.Equal(noon) {
		t.Errorf("%+v", s)
	}
	s = newChart(t).readings(all(
		droppingAt(0, 30), negativeAt(10), "1200 lying 140/80 up=5; 1203 standing 138/80 up=3 sym=nausea", negativeAt(21),
	)).digest().Serial
	if s.NegativesInARow != 1 || s.Interpretable != 4 {
		t.Errorf("after a symptoms_only set: %d in a row of %d", s.NegativesInARow, s.Interpretable)
	}
	if s = newChart(t).digest().Serial; s.Sets != 0 || s.Trend != TooFew || s.LastPositiveAt != nil || len(s.Around) != 0 {
		t.Errorf("without sets: %+v", s)
	}
}

func TestNegativeSetsClearAPositiveStay(t *testing.T) {
	const hour = 60.0
	at := func(h float64, standing string) string {
		return fmt.Sprintf("%v lying 140/80 up=5; %v standing 138/80 up=%s", hour*h, hour*h+3, standing)
	}
	cases := []struct {
		name, readings string
		run            int
		clearedAt      float64 // hours; -1: not cleared
	}{
		{"two sets 8 h apart", all(droppingAt(0, 30), negativeAt(4), negativeAt(12)), 2, 12},
		{"two sets under 8 h apart", all(droppingAt(0, 30), negativeAt(4), negativeAt(11.99)), 2, -1},
		{"the third completes the 8 h", all(droppingAt(0, 30), negativeAt(4), negativeAt(8), negativeAt(12.5), negativeAt(20)), 4, 12.5},
		{"one set", all(droppingAt(0, 30), negativeAt(4)), 1, -1},
		{"a positive set between", all(droppingAt(0, 30), negativeAt(4), droppingAt(8, 30), negativeAt(16)), 1, -1},
		{"no positive set", all(negativeAt(4), negativeAt(16)), 0, -1},
		{"standing half a minute clears nobody", all(droppingAt(0, 30), at(4, "0.5"), at(12, "1.9")), 0, -1},
		{"standing 2 and 5.5 min does", all(droppingAt(0, 30), at(4, "2"), at(12, "5.5")), 2, 12},
		{"from a chair, after a positive lying set", all(droppingAt(0, 30),
			"240 sitting 140/80 up=5; 243 standing 138/80 up=3", "720 sitting 140/80 up=5; 723 standing 138/80 up=3"), 0, -1},
		{"from a chair, after a positive set from a chair", all("0 sitting 140/80 up=5; 3 standing 120/80 up=3",
			"240 sitting 140/80 up=5; 243 standing 138/80 up=3", "720 sitting 140/80 up=5; 723 standing 138/80 up=3"), 2, 12},
		{"lying, after a positive set from a chair", all("0 sitting 140/80 up=5; 3 standing 120/80 up=3", negativeAt(4), negativeAt(12)), 2, 12},
	}
	for _, c := range cases {
		s := newChart(t).readings(c.readings).digest().Serial
		if s.ClearingRun != c.run || s.Cleared != (c.clearedAt >= 0) {
			t.Errorf("%s: run %d, cleared %v", c.name, s.ClearingRun, s.Cleared)
		}
		if s.Cleared && !s.ClearedAt.Equal(hoursOn(c.clearedAt)) {
			t.Errorf("%s: cleared at %s", c.name, s.ClearedAt)
		}
	}
}

func TestNegativesAreCountedFromTheFirstSetOn(t *testing.T) {
	if s := newChart(t).readings(all(negativeAt(0), negativeAt(9))).digest().Serial; s.NegativesInARow != 2 || s.ClearMinutes != nil {
		t.Errorf("%d in a row, to stand for %s", s.NegativesInARow, show(s.ClearMinutes))
	}
}

// The latest delayed set decides, the last of all too.
func TestTheLatestSetMayBeTheDelayedOne(t *testing.T) {
	s := newChart(t).readings("0 lying 140/80 up=5; 3 standing 138/80 up=3; 8 standing 110/80 up=8").digest().Serial
	wantFigure(t, "to stand for", s.ClearMinutes, "8")
}

func TestADrugStartedRaisedOrResumedBeginsTheClearingRunAnew(t *testing.T) {
	readings := all(droppingAt(0, 30), negativeAt(4), negativeAt(12))
	for _, c := range []struct {
		name, drug string
		start      float64
		run        int
	}{
		{"started before the run", "lisinopril", 3, 2},
		{"started between", "lisinopril", 6, 1},
		{"started at the very start of a set", "lisinopril", 4, 1},
		{"a contributing drug between", "sertraline", 6, 2},
		{"a pressor between", "midodrine", 6, 2},
		{"ordered again with the home drugs", "lisinopril", -239, 2},
	} {
		if s := newChart(t).readings(readings).order("o", c.drug, 10, 1, c.start).digest().Serial; s.ClearingRun != c.run || s.Cleared != (c.run == 2) {
			t.Errorf("%s: run %d, cleared %v", c.name, s.ClearingRun, s.Cleared)
		}
	}
	// A drug stopped between begins nothing anew.
	c := newChart(t).readings(readings).order("o", "lisinopril", 10, 1, -100)
	body := c.versions[len(c.versions)-1].Body
	c.add(clinical.Version{SourceID: "o", Status: clinical.Stopped, RecordedAt: hoursOn(6), Body: body})
	if s := c.digest().Serial; !s.Cleared {
		t.Errorf("a drug stopped between: run %d", s.ClearingRun)
	}
	// A change of route is no start.
	iv := ptr(20.0)
	c.add(clinical.Version{SourceID: "p", Status: clinical.Active, RecordedAt: hoursOn(7), Body: clinical.Order{
		Drug: clinical.Drug{Text: "lisinopril"}, Route: "iv", Dose: iv, DoseUnit: "mg", TimesPerDay: iv, StartAt: hoursOn(7),
	}})
	if d := c.digest(); !d.Serial.Cleared || d.Changes[len(d.Changes)-1].Change != RouteChanged {
		t.Errorf("a change of route between: run %d, %+v", d.Serial.ClearingRun, d.Changes)
	}
}

// At n = 4 the smallest exact p is 2/4! = 0.083 (Gilbert 1987, table A18), under
// the policy's 0.10: four sets in one order are the fewest that name a trend.
func TestATrendIsNamedFromFourSetsOn(t *testing.T) {
	cases := []struct {
		name  string
		drops []float64
		trend string
		p     string // to 4 digits
	}{
		{"one", []float64{5}, TooFew, "null"},
		{"three rising", []float64{5, 10, 15}, TooFew, "0.3333"},
		{"four rising", []float64{5, 10, 15, 18}, Worsening, "0.0833"},
		{"four falling", []float64{18, 15, 10, 5}, Improving, "0.0833"},
		{"four, one out of order", []float64{5, 15, 10, 18}, Steady, "0.3333"},
		{"five rising", []float64{5, 7, 10, 15, 18}, Worsening, "0.0167"},
		{"four equal", []float64{10, 10, 10, 10}, Steady, "1.0000"},
	}
	for _, c := range cases {
		var specs []string
		for n, drop := range c.drops {
			specs = append(specs, droppingAt(24*float64(n), drop))
		}
		ch := newChart(t).readings(all(specs...))
		s := ch.digest().Serial
		p := "null"
		if s.P != nil {
			p = fmt.Sprintf("%.4f", *s.P)
		}
		if s.Trend != c.trend || p != c.p || s.TrendSets != len(c.drops) {
			t.Errorf("%s: %s, p %s, of %d sets", c.name, s.Trend, p, s.TrendSets)
		}
		if (s.SlopeLow != nil) != (len(c.drops) >= 5) || (s.Slope != nil) != (len(c.drops) >= 2) {
			t.Errorf("%s: slope %s, interval %s to %s", c.name, show(s.Slope), show(s.SlopeLow), show(s.SlopeHigh))
		}
	}
	s := newChart(t).readings(all(droppingAt(0, 10), droppingAt(12, 13))).digest().Serial
	wantFigure(t, "slope over half a day", s.Slope, "6") // mmHg per day
	// Two sets of one start have no slope.
	s = newChart(t).readings("0 lying 140/80 set=A; 3 standing 130/80 set=A; 0 lying 140/80 set=B; 3 standing 120/80 set=B").digest().Serial
	if s.Slope != nil || s.P == nil || *s.P != 1 {
		t.Errorf("two sets of one start: slope %s, p %s", show(s.Slope), show(s.P))
	}
}

func TestATrendRestsOnReadableSetsFromLyingToStandingOnly(t *testing.T) {
	s := newChart(t).readings(all(
		droppingAt(0, 5), "600 sitting 140/80 up=5; 603 standing 120/80 up=3", // from a chair
		"1200 lying 140/80 up=3; 1203 standing 138/80 up=3",         // inconclusive
		"1800 lying 140/80 up=5; 1803 standing -/- stop sym=nausea", // no drop
		droppingAt(40, 9),
	)).digest().Serial
	if s.TrendSets != 2 || s.Interpretable != 4 {
		t.Errorf("trend of %d sets, %d interpretable", s.TrendSets, s.Interpretable)
	}
}

func TestDropsAreComparedAroundEachDrugChange(t *testing.T) {
	// Lisinopril starts at hour 0; days are 24 h.
	base := func() *chart { return newChart(t).order("o", "lisinopril", 10, 1, 0) }
	cases := []struct {
		name          string
		readings      string
		before, after int
		shift         string
	}{
		{"two sets on each side", all(droppingAt(-48, 5), droppingAt(-24, 9), droppingAt(24, 20), droppingAt(48, 26)), 2, 2, "16"},
		{"seven days, ends included", all(droppingAt(-168, 5), droppingAt(-24, 9), droppingAt(24, 20), droppingAt(168, 26)), 2, 2, "16"},
		{"over seven days", all(droppingAt(-168.1, 5), droppingAt(-24, 9), droppingAt(24, 20), droppingAt(168.1, 26)), 1, 1, "null"},
		{"not at its very moment", all(droppingAt(-48, 5), droppingAt(-24, 9), droppingAt(0, 30), droppingAt(24, 20), droppingAt(48, 26)), 2, 2, "16"},
		{"under two on a side", all(droppingAt(-24, 9), droppingAt(24, 20), droppingAt(48, 26)), 1, 2, "null"},
	}
	for _, c := range cases {
		ch := base().readings(c.readings)
		ch.stay.AdmittedAt = hoursOn(-200)
		s := ch.digest().Serial
		if len(s.Around) != 1 {
			t.Fatalf("%s: %d changes", c.name, len(s.Around))
		}
		a := s.Around[0]
		if a.SetsBefore != c.before || a.SetsAfter != c.after || a.TooFew != (c.shift == "null") || a.Drug != "lisinopril" || a.Change != Started {
			t.Errorf("%s: %+v", c.name, a)
		}
		wantFigure(t, c.name+": shift", a.Shift.Shift, c.shift)
		if a.TooFew && (a.P != nil || a.Low != nil || a.High != nil) {
			t.Errorf("%s: figures of too few sets", c.name)
		}
	}
}

func TestAnotherChangeBetweenPartsTheSetsFromAChange(t *testing.T) {
	c := newChart(t).order("o", "lisinopril", 10, 1, 0).order("p", "amlodipine", 5, 1, 36).order("q", "sertraline", 50, 1, 12).
		readings(all(droppingAt(-48, 5), droppingAt(-24, 9), droppingAt(24, 20), droppingAt(36, 22), droppingAt(48, 26), droppingAt(72, 28)))
	around := c.digest().Serial.Around
	if len(around) != 2 { // sertraline lowers no pressure
		t.Fatalf("%d changes, want lisinopril and amlodipine", len(around))
	}
	// The set at the very moment of the amlodipine start is not strictly beyond it.
	if a := around[0]; a.Drug != "lisinopril" || a.SetsBefore != 2 || a.SetsAfter != 2 {
		t.Errorf("lisinopril: %+v", a)
	}
	if a := around[1]; a.Drug != "amlodipine" || a.SetsBefore != 1 || a.SetsAfter != 2 || !a.At.Equal(hoursOn(36)) {
		t.Errorf("amlodipine: %+v", a)
	}
}

func TestTheAgeIsInWholeYearsOnTheDayInTheSitesZone(t *testing.T) {
	zurich, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Skip(err)
	}
	late := time.Date(2026, 5, 9, 22, 30, 0, 0, time.UTC) // 10 May in Zurich
	for _, c := range []struct {
		born string
		zone *time.Location
		age  int
	}{
		{"1961-05-10", time.UTC, 64}, {"1961-05-10", zurich, 65}, {"1961-06-01", zurich, 64}, {"1960-02-29", zurich, 66},
		{"", zurich, 65}, {"1961-05", zurich, 65},
	} {
		if got := AgeOr65(c.born, late, c.zone); got != c.age {
			t.Errorf("born %q in %s: %d, want %d", c.born, c.zone, got, c.age)
		}
	}
}

// Sen's slope is the same from any day on; the figures of the series are not.
func TestTheDaysOfASeriesCountFromItsFirstSet(t *testing.T) {
	drop := func(at, drop float64) Set { return Set{StartedAt: hoursOn(at), SystolicDrop: &drop} }
	days, drops := series([]Set{drop(-6, 20), drop(6, 12), drop(42, 5)})
	if !slices.Equal(days, []float64{0, 0.5, 2}) || !slices.Equal(drops, []float64{20, 12, 5}) {
		t.Errorf("days %v, drops %v", days, drops)
	}
	if days, drops = series(nil); len(days) != 0 || len(drops) != 0 {
		t.Errorf("without sets: days %v, drops %v", days, drops)
	}
}

func TestWhatAStayStillLacksToBeCleared(t *testing.T) {
	needs := func(c *chart) string {
		n, ok := ClearingNeeds(c.digest(), c.policy)
		if !ok {
			return "nothing"
		}
		out := fmt.Sprintf("%d more", n.Negatives)
		if n.NotBefore != nil {
			out += fmt.Sprintf(" not before %g", n.NotBefore.Sub(noon).Hours())
		}
		if n.Passed > 0 {
			out += fmt.Sprintf(", %d passed", n.Passed)
		}
		if n.After != nil {
			out += ", after " + n.After.Drug
		}
		return out
	}
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"no positive set":        {newChart(t).readings(negativeAt(1)), "nothing"},
		"positive":               {newChart(t).readings(droppingAt(0, 30)), "2 more"},
		"one negative":           {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3))), "1 more not before 11"},
		"one not readable since": {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3), "300 lying 140/80 up=3; 303 standing 138/80 up=3")), "1 more not before 11"},
		"two, too near":          {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3), negativeAt(10))), "1 more not before 11"},
		"two, far enough":        {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3), negativeAt(11))), "nothing"},
		"before a raise":         {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3))).order("o", "furosemide", 40, 1, 5), "2 more, 1 passed, after furosemide"},
		"positive in between":    {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3), droppingAt(6, 30), negativeAt(9))), "1 more not before 17"},
		"after the raise only":   {newChart(t).readings(all(droppingAt(0, 30), negativeAt(3), negativeAt(6))).order("o", "furosemide", 40, 1, 5), "1 more not before 14, 1 passed, after furosemide"},
	} {
		if got := needs(tc.chart); got != tc.want {
			t.Errorf("%s: %s, want %s", name, got, tc.want)
		}
	}
}
