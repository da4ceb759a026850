package text

import (
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Day writes a calendar day of the site's zone.
func (c Catalogue) Day(t time.Time) string { return t.In(c.Zone).Format("2 Jan 2006") }

// Period names a month or week, or the part of one that was asked for.
func (c Catalogue) Period(p trends.Period, by string) string {
	whole := trends.PeriodAround(p.From, by, c.Zone)
	if by == trends.ByMonth && whole.From.Equal(p.From) && whole.To.Equal(p.To) {
		return p.From.In(c.Zone).Format("Jan 2006")
	}
	first, last := p.From.In(c.Zone), p.To.Add(-time.Nanosecond).In(c.Zone)
	switch {
	case first.YearDay() == last.YearDay() && first.Year() == last.Year():
		return c.Day(first)
	case first.Year() != last.Year():
		return c.Day(first) + " to " + c.Day(last)
	case first.Month() != last.Month():
		return first.Format("2 Jan") + " to " + c.Day(last)
	}
	return strconv.Itoa(first.Day()) + " to " + c.Day(last)
}

// Part says in which way a period is incomplete: begun after the first patient,
// cut by the question, or not over; "" where it is whole. since is when the first
// patient came to the unit.
func (c Catalogue) Part(p trends.Period, by string, since time.Time) string {
	whole := trends.PeriodAround(p.From, by, c.Zone)
	var parts []string
	switch {
	case since.After(p.From) && since.Before(p.To):
		parts = append(parts, sayFiguresFrom(c, since))
	case whole.From.Before(p.From):
		parts = append(parts, sayPartFrom(c, p.From))
	}
	switch {
	case p.To.After(c.At):
		parts = append(parts, sayPartUntil(c, none{}))
	case whole.To.After(p.To):
		parts = append(parts, sayPartTo(c, p.To.Add(-time.Nanosecond)))
	}
	return strings.Join(parts, ", ")
}

// RunRuleNames are the run rules as people read them.
var RunRuleNames = named[trends.RunRule]("run-rules")

// RunRuleSays says which run rule a point completes and what that means. above: the
// point stands above the centre; rising: above the point before it.
func RunRuleSays(r trends.RunRule, above, rising bool) string {
	return sayRuns[r](Catalogue{}, pointFigures{above, rising})
}

// pointFigures tell where a point of a chart stands.
type pointFigures struct{ Above, Rising bool }

// PatientDays says how patient-days are counted.
func PatientDays(p clinical.UnitPolicy) string {
	if p.PatientDays == clinical.ByHours {
		return sayDaysByHours(Catalogue{}, none{})
	}
	return sayDaysByCensus(Catalogue{}, none{})
}
