package charts_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/charts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// monthsFrom counts stays of ten beds over months of 2026, with so many falls in each.
func monthsFrom(months int, falls []int, now time.Time) trends.UnitFigures {
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	tally := trends.NewUnitTally("4W", trends.Periods(from, from.AddDate(0, months, 0), trends.ByMonth, time.UTC), clinical.DefaultPolicy().Unit, time.UTC, now)
	for bed := range 10 {
		s := trends.UnitStay{Presences: []trends.Presence{{Unit: "4W", From: from.AddDate(0, 0, -3)}}}
		for month, n := range falls {
			for k := range n {
				if k%10 == bed {
					s.Falls = append(s.Falls, trends.FallFact{At: from.AddDate(0, month, 2+k).Add(time.Hour), Injury: "minor"})
				}
			}
		}
		tally.Add(s)
	}
	return tally.Figures()
}

func unitCharts(f trends.UnitFigures, counts [][]episodes.Count, now time.Time) charts.UnitCharts {
	return charts.OfUnit(charts.UnitSeries{Figures: f, By: trends.ByMonth, Policy: clinical.DefaultPolicy(), Episodes: counts}, text.Catalogue{Zone: time.UTC, At: now})
}

func unitPanel(t *testing.T, b charts.UnitCharts, id string) charts.UnitPanel {
	t.Helper()
	n := slices.IndexFunc(b.Panels, func(p charts.UnitPanel) bool { return p.ID == id })
	if n < 0 {
		t.Fatalf("no panel %s", id)
	}
	return b.Panels[n]
}

func cells(rows [][]string, column int) string {
	var out []string
	for _, r := range rows {
		out = append(out, r[column])
	}
	return strings.Join(out, " | ")
}

// 28 falls in May stand beyond the limit of a year with one in every other month: the
// centre is 39 in 3,650 patient-days, 10.7 per 1,000, sigma in May sqrt(10.7/0.31) =
// 5.9, the limit 28.3 (by hand).
func TestAPointBeyondTheLimitIsMarkedAndSaidInWords(t *testing.T) {
	now := time.Date(2027, 1, 5, 0, 0, 0, 0, time.UTC)
	b := unitCharts(monthsFrom(12, []int{1, 1, 1, 1, 28, 1, 1, 1, 1, 1, 1, 1}, now), nil, now)
	p := unitPanel(t, b, "falls")
	if len(p.Signals) != 1 {
		t.Fatalf("%d marks, want 1: %v", len(p.Signals), p.Signals)
	}
	if got := p.Signals[0].Text; !strings.Contains(got, "May 2026: 28 falls in 310 patient-days, 90.3 per 1,000") || !strings.Contains(got, "1 point above the upper limit") {
		t.Errorf("the mark says %q", got)
	}
	if got, want := cells(p.Table.Rows, 5), " |  |  |  | 1 |  |  |  |  |  |  | "; got != want {
		t.Errorf("marks in the table: %q, want %q", got, want)
	}
	reads := b.Data.Panels["falls"].Reads
	if len(reads) != 12 || reads[4][0] != "May 2026" || !strings.Contains(reads[4][2], "centre 10.7") {
		t.Errorf("a pointer at May reads %q", reads[4])
	}
}

// What was not counted is a dash in the table and a gap in the line, never a zero.
func TestMissingIsNotZero(t *testing.T) {
	now := time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)
	b := unitCharts(monthsFrom(5, []int{1, 0, 1}, now), nil, now)
	p := unitPanel(t, b, "falls")
	if got, want := cells(p.Table.Rows, 2), "1 | 0 | 1 | – | –"; got != want {
		t.Errorf("falls: %s, want %s", got, want)
	}
	if got := cells(p.Table.Rows, 0); !strings.Contains(got, "Mar 2026\n(until now)") {
		t.Errorf("the month that is not over: %s", got)
	}
	if got, want := cells(unitPanel(t, b, "rechecks").Table.Rows, 2), "– | – | – | – | –"; got != want {
		t.Errorf("rechecks in time without any due: %s, want %s", got, want)
	}
	for _, id := range []string{"rechecks", "positives", "quality", "zeros", "digits", "episodes"} {
		if p := unitPanel(t, b, id); p.Empty == "" {
			t.Errorf("%s: drawn without anything to count", id)
		}
		if _, drawn := b.Data.Panels[id]; drawn {
			t.Errorf("%s: has a drawing without anything to count", id)
		}
	}
	raw, err := json.Marshal(b.Data.Panels["falls"].Option)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(raw), `[3,null]`) {
		t.Error("April is no gap in the line")
	}
}

func TestDaysBetweenFallsNameTheLaterFall(t *testing.T) {
	now := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	p := unitPanel(t, unitCharts(monthsFrom(3, []int{1, 0, 1}, now), nil, now), "between")
	if len(p.Table.Rows) != 1 || p.Table.Rows[0][0] != "3 Mar 2026 01:00" || p.Table.Rows[0][1] != "59" {
		t.Errorf("%v, want the 59 days to 3 March", p.Table.Rows)
	}
	if p := unitPanel(t, unitCharts(monthsFrom(3, []int{1}, now), nil, now), "between"); p.Empty == "" || !strings.Contains(strings.Join(p.Notes, " "), "Last fall counted: 3 Jan 2026") {
		t.Errorf("one fall: empty %q, notes %q", p.Empty, p.Notes)
	}
}

// Periods before the first episode are missing: none may have been kept then.
func TestEpisodesBeginWithTheFirst(t *testing.T) {
	now := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	counts := [][]episodes.Count{
		{{}}, {{Opened: 3, Reopened: 1, Evidence: map[string]int{episodes.SetDone: 2}, Person: map[string]int{"asked": 1}, StillOpen: 1},
			{Kind: episodes.RecheckOverdue, Opened: 3, Reopened: 1, Evidence: map[string]int{episodes.SetDone: 2}, Person: map[string]int{"asked": 1}}}, {{Evidence: map[string]int{}}},
	}
	b := unitCharts(monthsFrom(3, []int{1}, now), counts, now)
	p := unitPanel(t, b, "episodes")
	if got, want := cells(p.Table.Rows, 1), "– | 4 (1 again) | 0"; got != want {
		t.Errorf("opened: %s, want %s", got, want)
	}
	if got := strings.Join(p.Notes, " "); !strings.Contains(got, "Feb 2026") {
		t.Errorf("the first one is not named: %s", got)
	}
	if len(p.More) != 1 || len(p.More[0].Rows) != 1 || p.More[0].Rows[0][2] != "2: a set that can be read was taken; 1: closed by a person with a reason" {
		t.Errorf("endings: %v", p.More)
	}
}

func TestPrecautionsThatNoFeedCarriesAreNotKnown(t *testing.T) {
	now := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	policy := clinical.DefaultPolicy()
	policy.Precautions.InFeed = false
	b := charts.OfUnit(charts.UnitSeries{Figures: monthsFrom(3, nil, now), By: trends.ByMonth, Policy: policy}, text.Catalogue{Zone: time.UTC, At: now})
	if p := unitPanel(t, b, "precautions"); !strings.Contains(p.Empty, "not known") || len(p.Table.Rows) > 0 {
		t.Errorf("%q with %d rows", p.Empty, len(p.Table.Rows))
	}
}

func TestUnitOptionsKeepTheirTraps(t *testing.T) {
	now := time.Date(2027, 1, 5, 0, 0, 0, 0, time.UTC)
	b := unitCharts(monthsFrom(12, []int{1, 1, 1, 1, 28, 1, 1, 1, 1, 1, 1, 1}, now), nil, now)
	for id, d := range b.Data.Panels {
		for _, axis := range []string{"xAxis", "yAxis"} {
			for _, one := range d.Option[axis].([]any) {
				if one.(map[string]any)["containShape"] != false {
					t.Errorf("%s: containShape is on", id)
				}
			}
		}
		raw, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		for _, banned := range []string{"function", "<", "style="} {
			if strings.Contains(string(raw), banned) {
				t.Errorf("%s: options hold %q", id, banned)
			}
		}
	}
}

// A phase has lines of its own, and what was changed its letter at the period of the day.
func TestPhasesAreDrawnApart(t *testing.T) {
	now := time.Date(2027, 1, 5, 0, 0, 0, 0, time.UTC)
	may := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	s := charts.UnitSeries{
		Figures: monthsFrom(8, []int{4, 4, 4, 4, 1, 1, 1, 1}, now).InPhases([]time.Time{may}), By: trends.ByMonth,
		Policy: clinical.DefaultPolicy(), Changes: []charts.UnitChange{{Sign: "A", From: may.AddDate(0, 0, -20)}, {Sign: "B", From: may, Anew: true}},
	}
	all := charts.OfUnit(s, text.Catalogue{Zone: time.UTC, At: now})
	lines, marked := map[string]int{}, ""
	for _, one := range all.Data.Panels["falls"].Option["series"].([]any) {
		series := one.(map[string]any)
		lines[series["name"].(string)]++
		if m, ok := series["markLine"].(map[string]any); ok {
			marked = fmt.Sprint(m["data"])
		}
	}
	if lines["centre"] != 2 || lines["upper"] != 2 || lines["lower"] != 2 || lines["value"] != 1 {
		t.Errorf("lines: %v", lines)
	}
	if notes := strings.Join(unitPanel(t, all, "falls").Notes, " "); !strings.Contains(notes, "Centre of each phase, from January 2026: 13.3; from May 2026: 3.3.") {
		t.Errorf("the notes say %s", notes)
	}
	if marked != "[map[name:A xAxis:3] map[name:B xAxis:4]]" {
		t.Errorf("marked are %s", marked)
	}
}

// Rates are drawn with limits or with intervals, never both: the one is what chance scatters around the
// centre, the other what the true rate of one period may be. Every panel can be shown alone.
func TestRatesAreDrawnWithLimitsOrIntervals(t *testing.T) {
	now := time.Date(2027, 1, 5, 0, 0, 0, 0, time.UTC)
	s := charts.UnitSeries{
		Figures: monthsFrom(6, []int{1, 1, 1, 2, 1, 1}, now), By: trends.ByMonth, Policy: clinical.DefaultPolicy(),
	}
	for _, intervals := range []bool{false, true} {
		s.Intervals = intervals
		all := charts.OfUnit(s, text.Catalogue{Zone: time.UTC, At: now})
		for _, id := range []string{"falls", "harm"} {
			drawn := map[string]bool{}
			for _, one := range all.Data.Panels[id].Option["series"].([]any) {
				drawn[one.(map[string]any)["name"].(string)] = true
			}
			if drawn["interval"] != intervals || drawn["upper"] == intervals || drawn["lower"] == intervals || !drawn["centre"] {
				t.Errorf("%s, intervals %v: drawn are %v", id, intervals, drawn)
			}
		}
		for _, p := range all.Panels {
			one := all.Only(p.ID)
			if !charts.IsUnitPanel(p.ID) || len(one.Panels) != 1 || one.Panels[0].ID != p.ID || len(one.Data.Panels) > 1 {
				t.Errorf("%s alone: %d panels, %d drawings", p.ID, len(one.Panels), len(one.Data.Panels))
			}
			if p.Good == "" && p.ID != "digits" && p.ID != "episodes" {
				t.Errorf("%s does not say which way is better", p.ID)
			}
		}
	}
}
