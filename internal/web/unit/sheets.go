package unit

import (
	"bytes"
	"math"
	"strings"
	"time"

	"plumbline/internal/charts"
	"plumbline/internal/export"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// overTimeCSV is the table of periods, one row each, for a program to read: names
// that stay, numbers without words, missing left empty.
func (s *service) overTimeCSV(c *frame.Request) (frame.Page, error) {
	q, series, err := s.overTime(c)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := export.CSV(&b, periodSheet(series, s.Zone)); err != nil {
		return nil, err
	}
	return frame.Download(c, fileName(q, "csv"), export.CSVType, b.Bytes())
}

// overTimeXLSX is the same with the tables that have rows of their own.
func (s *service) overTimeXLSX(c *frame.Request) (frame.Page, error) {
	q, series, err := s.overTime(c)
	if err != nil {
		return nil, err
	}
	t := s.Catalogue(q.when.At)
	sheets := []export.Sheet{
		periodSheet(series, s.Zone), betweenSheet(series.Figures, s.Zone), digitSheet(series.Figures),
		episodeSheet(series, s.Zone), signalSheet(charts.OfUnit(series, t)), s.aboutFigures(q, series),
	}
	var b bytes.Buffer
	if err := export.XLSX(&b, sheets...); err != nil {
		return nil, err
	}
	return frame.Download(c, fileName(q, "xlsx"), export.XLSXType, b.Bytes())
}

// fileName names the unit as far as letters and digits go, and the last day.
func fileName(q overTimeAsked, ending string) string {
	safe := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' {
			return r
		}
		return '-'
	}, q.unit)
	return "unit-" + safe + "-over-time-by-" + q.by + "." + ending
}

// column is one column of the table of periods.
type column struct {
	name string
	of   func(trends.UnitPeriod) any
}

// periodColumns are the columns of the table of periods. Rates and their limits are
// per 1,000 patient-days; shares and their limits are of 1.
func periodColumns() []column {
	out := []column{
		{"from", func(p trends.UnitPeriod) any { return p.From }},
		{"to", func(p trends.UnitPeriod) any { return p.To }},
		{"patient_days", func(p trends.UnitPeriod) any { return p.PatientDays }},
		{"falls", func(p trends.UnitPeriod) any { return ifAny(p.Falls, p.PatientDays > 0 || p.Falls > 0) }},
		{"fall_rate", func(p trends.UnitPeriod) any { return p.Rate }},
		{"fall_rate_low", func(p trends.UnitPeriod) any { return p.RateLow }},
		{"fall_rate_high", func(p trends.UnitPeriod) any { return p.RateHigh }},
	}
	out = append(out, chartColumns(
		"fall_rate", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) { return p.U, p.RunRules },
	)...)
	out = append(out, column{
		"falls_with_injury", func(p trends.UnitPeriod) any { return ifAny(p.WithInjury, p.PatientDays > 0 || p.Falls > 0) },
	})
	for _, level := range charts.InjuryLevels {
		name := "falls_injury_" + level
		if level == "" {
			name = "falls_injury_not_charted"
		}
		out = append(
			out,
			column{name, func(p trends.UnitPeriod) any { return ifAny(p.Injuries[level], p.PatientDays > 0 || p.Falls > 0) }},
		)
	}
	out = append(out,
		column{"injury_rate", func(p trends.UnitPeriod) any { return p.HarmRate }},
		column{"injury_rate_low", func(p trends.UnitPeriod) any { return p.HarmLow }},
		column{"injury_rate_high", func(p trends.UnitPeriod) any { return p.HarmHigh }})
	out = append(out, chartColumns(
		"injury_rate", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) { return p.HarmU, p.HarmRules },
	)...)
	out = append(out,
		column{"rechecks_due", func(p trends.UnitPeriod) any { return ifAny(p.RechecksDue, p.PatientDays > 0) }},
		column{"rechecks_in_time", func(p trends.UnitPeriod) any { return ifAny(p.RechecksInTime, p.RechecksDue > 0) }},
		column{"rechecks_answered", func(p trends.UnitPeriod) any { return ifAny(p.RechecksAnswered, p.RechecksDue > 0) }},
		column{"rechecks_share", func(p trends.UnitPeriod) any { return p.P.Value }})
	out = append(out, chartColumns(
		"rechecks_share", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) { return p.P, p.PRunRules },
	)...)
	out = append(out,
		column{"sets", func(p trends.UnitPeriod) any { return ifAny(p.Sets, p.PatientDays > 0 || p.Sets > 0) }},
		column{"positive", func(p trends.UnitPeriod) any { return ifAny(p.Positive, p.Sets > 0) }},
		column{"positive_per_100_sets", func(p trends.UnitPeriod) any { return p.PositivePer100() }},
		column{"positive_share", func(p trends.UnitPeriod) any { return p.PositiveP.Value }})
	out = append(out, chartColumns("positive_share", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) {
		return p.PositiveP, p.PositiveRules
	})...)
	for _, grade := range []string{trends.Complete, trends.Usable, trends.Unusable} {
		out = append(
			out, column{"sets_" + grade, func(p trends.UnitPeriod) any { return ifAny(p.Grades[grade], p.Sets > 0) }},
		)
	}
	out = append(out, column{"complete_share", func(p trends.UnitPeriod) any { return p.CompleteP.Value }})
	out = append(out, chartColumns("complete_share", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) {
		return p.CompleteP, p.CompleteRules
	})...)
	out = append(out,
		column{
			"systolic_pressures",
			func(p trends.UnitPeriod) any { return ifAny(p.Measured, p.PatientDays > 0 || p.Measured > 0) },
		},
		column{"systolic_ending_0", func(p trends.UnitPeriod) any { return ifAny(p.Digits[0], p.Measured > 0) }},
		column{"ending_0_share", func(p trends.UnitPeriod) any { return p.EndIn0 }})
	out = append(out, chartColumns(
		"ending_0_share", func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) { return p.ZeroP, p.ZeroRules },
	)...)
	out = append(out,
		column{"digits_p", func(p trends.UnitPeriod) any { return p.ChiP }},
		column{"precautions_looked_at", func(p trends.UnitPeriod) any { return p.LookedAt }},
		column{"patients_then", func(p trends.UnitPeriod) any { return ifAny(p.Present, p.PatientDays > 0) }},
		column{"precautions_asked_for", func(p trends.UnitPeriod) any { return ifAny(p.Asked, p.Present > 0) }},
		column{"precautions_lacking", func(p trends.UnitPeriod) any { return ifAny(p.Lacking, p.Asked > 0) }},
		column{"lacking_share", func(p trends.UnitPeriod) any { return p.LackingP.Value }})
	return append(out, chartColumns(
		"lacking_share",
		func(p trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule) { return p.LackingP, p.LackingRules },
	)...)
}

// tidy rounds a number to six decimals: counts of a unit support no more.
func tidy(v any) any {
	round := func(f float64) float64 { return math.Round(f*1e6) / 1e6 }
	switch v := v.(type) {
	case float64:
		return round(v)
	case *float64:
		if v == nil {
			return nil
		}
		return round(*v)
	}
	return v
}

// ifAny is a count where anything could be counted, else an empty cell.
func ifAny(n int, known bool) any {
	if !known {
		return nil
	}
	return n
}

func chartColumns(name string, of func(trends.UnitPeriod) (trends.ControlPoint, []trends.RunRule)) []column {
	return []column{
		{name + "_centre", func(p trends.UnitPeriod) any { point, _ := of(p); return point.Center }},
		{name + "_lower", func(p trends.UnitPeriod) any { point, _ := of(p); return point.Lower }},
		{name + "_upper", func(p trends.UnitPeriod) any { point, _ := of(p); return point.Upper }},
		{name + "_marks", func(p trends.UnitPeriod) any { _, rules := of(p); return joinRules(rules) }},
	}
}

func joinRules(rules []trends.RunRule) string {
	words := make([]string, len(rules))
	for n, r := range rules {
		words[n] = text.RunRuleNames[r]
	}
	return strings.Join(words, "; ")
}

func periodSheet(series charts.UnitSeries, zone *time.Location) export.Sheet {
	out := export.Sheet{Name: "periods", Zone: zone}
	columns := periodColumns()
	for _, c := range columns {
		out.Head = append(out.Head, c.name)
	}
	for _, p := range series.Figures.Periods {
		row := make([]any, len(columns))
		for n, c := range columns {
			row[n] = tidy(c.of(p))
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func betweenSheet(f trends.UnitFigures, zone *time.Location) export.Sheet {
	out := export.Sheet{
		Name: "days between falls", Head: []string{"fell_at", "days_since_the_fall_before", "centre", "upper"}, Zone: zone,
	}
	for n, at := range f.Falls {
		row := []any{at, nil, f.GCenter, f.GUpper}
		if n > 0 {
			row[1] = f.DaysBetween[n-1]
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func digitSheet(f trends.UnitFigures) export.Sheet {
	out := export.Sheet{Name: "last digits", Head: []string{"last_digit", "systolic_pressures"}}
	for digit, n := range f.Digits {
		out.Rows = append(out.Rows, []any{digit, n})
	}
	return out
}

// episodeSheet lists the counts of each period: all kinds, then each kind.
func episodeSheet(series charts.UnitSeries, zone *time.Location) export.Sheet {
	out := export.Sheet{Name: "episodes", Zone: zone, Head: []string{
		"from", "kind", "opened", "opened_again", "came_with_a_patient", "per_100_patient_days", "ended_by_evidence",
		"closed_by_a_person", "open_at_the_end", "median_hours_to_taking", "median_hours_to_ending",
	}}
	for n, counts := range series.Episodes {
		for _, c := range counts {
			name := text.EpisodeKinds[c.Kind]
			if c.Kind == "" {
				name = text.Say("overtime.all-kinds")
			}
			byEvidence, byPerson := c.Ended()
			out.Rows = append(out.Rows, []any{
				series.Figures.Periods[n].From, name, c.Opened, c.Reopened, c.Arrived, c.Per100, byEvidence, byPerson, c.StillOpen,
				inHours(c.AtTaking), inHours(c.AtEnding),
			})
		}
	}
	return out
}

func inHours(d *time.Duration) any {
	if d == nil {
		return nil
	}
	return d.Hours()
}

func signalSheet(b charts.UnitCharts) export.Sheet {
	out := export.Sheet{Name: "marks", Head: []string{"chart", "mark", "what"}}
	for _, p := range b.Panels {
		for _, s := range p.Signals {
			out.Rows = append(out.Rows, []any{p.Title, s.N, s.Text})
		}
	}
	return out
}

// aboutFigures says what the tables are.
func (s *service) aboutFigures(q overTimeAsked, series charts.UnitSeries) export.Sheet {
	day := func(t time.Time) string { return t.In(s.Zone).Format(time.DateOnly) }
	rows := [][]any{
		{"unit", q.unit}, {"by", q.by}, {"from", day(q.from)}, {"to", day(q.to.Add(-time.Nanosecond))},
		{"times in", s.Zone.String()},
		{"as known", q.when.At}, {"figures start", series.Figures.Since},
		{"patient-days", text.PatientDays(series.Policy.Unit)},
		{"rates", text.Say("overtime.how-rates")}, {"shares", text.Say("overtime.how-shares")},
		{"centres and limits", text.Say("overtime.how-centre") + " " + text.Say("overtime.how-limits")},
		{"marks", text.Say("overtime.signals-mean")}, {"empty cells", text.Say("overtime.how-missing")},
		{"sources", text.Say("overtime.how-sources")}, {"caution", text.Caution},
	}
	return export.Sheet{Name: "about", Head: []string{"what", "says"}, Rows: rows, Zone: s.Zone}
}
