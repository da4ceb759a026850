package app

import (
	"context"
	"flag"
	"fmt"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// unitAsked is what `dashboard unit` was asked.
type unitAsked struct {
	unit, from, to, by, format string
}

// unitOverTime tells the figures of a unit over months or weeks.
func unitOverTime(ctx context.Context, p process, args []string) error {
	var q unitAsked
	s, rest, err := p.parse("unit", args, func(fs *flag.FlagSet) {
		fs.StringVar(&q.unit, "unit", "", "")
		fs.StringVar(&q.from, "from", "", "")
		fs.StringVar(&q.to, "to", "", "")
		fs.StringVar(&q.by, "by", trends.ByMonth, "")
		fs.StringVar(&q.format, "format", "table", "")
	})
	if err != nil {
		return err
	}
	now := p.clock()
	from, to, err := q.check(rest, s.zone, now)
	if err != nil {
		return err
	}
	site, err := p.open(ctx, s)
	if err != nil {
		return err
	}
	defer site.close()
	figures, err := site.service.Unit(ctx, q.unit, from, to, q.by, now)
	if err != nil {
		return err
	}
	if q.format == "json" {
		return writeJSON(p.stdout, report.UnitOf(q.unit, figures))
	}
	return p.unitTable(q, figures, s)
}

// maxPeriods bounds what one question may ask for: 20 years of weeks.
const maxPeriods = 1050

func (q unitAsked) check(rest []string, zone *time.Location, now time.Time) (from, to time.Time, err error) {
	switch {
	case q.unit == "":
		return from, to, usagef("unit needs --unit")
	case q.from == "" || q.to == "":
		return from, to, usagef("unit needs --from and --to, such as --from 2026-01-01 --to 2026-07-01")
	case len(rest) > 0:
		return from, to, usagef("unit takes no argument %q", rest[0])
	case q.by != trends.ByMonth && q.by != trends.ByWeek:
		return from, to, usagef("--by is month or week, not %q", q.by)
	}
	if err := checkFormat(q.format); err != nil {
		return from, to, err
	}
	if from, err = dayOrMoment("--from", q.from, zone); err != nil {
		return from, to, err
	}
	if to, err = dayOrMoment("--to", q.to, zone); err != nil {
		return from, to, err
	}
	if !from.Before(to) {
		return from, to, usagef("--from %s is not before --to %s", q.from, q.to)
	}
	if n := to.Sub(from).Hours() / (24 * 7); n > maxPeriods {
		return from, to, usagef("--from %s to --to %s is over 20 years; ask for less at a time", q.from, q.to)
	}
	return from, to, nil
}

// dayOrMoment reads a time, or a day as its first moment in the site's zone.
func dayOrMoment(name, s string, zone *time.Location) (time.Time, error) {
	if day, err := time.Parse(time.DateOnly, s); err == nil {
		return clinical.DayStart(day.Year(), day.Month(), day.Day(), zone), nil
	}
	t, ok := parseTime(s, zone)
	if !ok {
		return t, usagef("%s %q is not a time; write it as 2026-11-25T07:00:00Z or 2026-11-25", name, s)
	}
	return t, nil
}

func (p process) unitTable(q unitAsked, f trends.UnitFigures, s settings) error {
	var rows []string
	for _, u := range f.Periods {
		var marks []string
		for _, r := range u.RunRules {
			marks = append(marks, string(r))
		}
		for _, r := range u.PRunRules {
			marks = append(marks, text.Say("commands.of-rechecks", r))
		}
		rows = append(rows, row(
			u.From.In(s.zone).Format(time.DateOnly), text.Figure(u.PatientDays),
			fmt.Sprintf("%d (%d)", u.Falls, u.WithInjury), rateWithInterval(u), withLimits(u.U, 1),
			fmt.Sprint(u.Sets), fmt.Sprintf("%d/%d/%d", u.Grades[trends.Complete], u.Grades[trends.Usable], u.Grades[trends.Unusable]),
			fixed(u.PositivePer100(), 1), fmt.Sprintf("%d of %d (%d)", u.RechecksInTime, u.RechecksDue, u.RechecksAnswered), withLimits(u.P, 100),
			percent(u.EndIn0), strings.Join(marks, "; ")))
	}
	if err := table(p.stdout, text.Say("commands.over-time-head"), rows); err != nil {
		return err
	}
	between := "-"
	if len(f.DaysBetween) > 0 {
		between = strings.Trim(fmt.Sprint(f.DaysBetween), "[]")
	}
	return p.say("commands.over-time-end",
		between, fixed(f.GCenter, 1), fixed(f.GUpper, 1), q.unit, q.by, s.zone, text.Caution)
}

func rateWithInterval(u trends.UnitPeriod) string {
	if u.Rate == nil {
		return "-"
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", *u.Rate, *u.RateLow, *u.RateHigh)
}

// withLimits writes the centre and limits of a chart's point, times scale.
func withLimits(c trends.ControlPoint, scale float64) string {
	if c.Center == nil {
		return "-"
	}
	if c.Lower == nil || c.Upper == nil {
		return fmt.Sprintf("%.2f", scale**c.Center)
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", scale**c.Center, scale**c.Lower, scale**c.Upper)
}

func fixed(v *float64, decimals int) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.*f", decimals, *v)
}

func percent(v *float64) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf("%.0f %%", 100**v)
}
