package unit

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/charts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// What rates are drawn with.
const (
	withLimits    = "limits"
	withIntervals = "intervals"
)

const (
	yearMonths  = 12  // periods shown where no time is asked for
	yearWeeks   = 52  //
	mostPeriods = 260 // five years of weeks
)

// overTimeAsked is the time that the page was asked for: [from, to), cut at periods.
type overTimeAsked struct {
	unit     string
	by       string
	from, to time.Time
	when     frame.Asked
	with     string               // what rates are drawn with: limits or intervals
	slide    string               // the panel that is shown alone; empty: all
	given    url.Values           // the query that asks for the same again
	changes  []records.UnitChange // what was changed on the unit, as known then
}

// overTimeView is the unit over months or weeks. No patient is named on it.
type overTimeView struct {
	frame.Layout
	Moment *frame.Moment
	AsOf   bool
	Self   string
	Unit   frame.Link
	Others []frame.Link
	Tally  string
	Falls  string // the address of the unit's falls

	By, From, To string // of the form
	With         string // likewise
	Slide        bool   // one panel alone, to be put on a wall or a slide
	All          string // the address of all panels
	Alone        string // that of one alone, up to its id
	Range        string
	Notes        []string
	CSV, XLSX    string
	Nobody       bool
	Totals       []totalView
	Signals      []signalView
	Charts       charts.UnitCharts
	Changes      []changeView
	Change       string // where a change is sent; empty where the reader may write none
	Today        string
	HasScript    bool
	Rules        string
}

type totalView struct{ Name, Figure, Says string }

type signalView struct {
	ID, Chart string // of the panel
	Many      string
	Latest    string
}

func (s *service) overTimePage(c *frame.Request) (frame.Page, error) {
	q, series, err := s.overTime(c)
	if err != nil {
		return nil, err
	}
	v := s.overTimeView(c, q, series)
	v.Changes = s.changesView(q)
	if q.when.Live && frame.AccountOf(c).May(records.ActOnEpisodes) {
		v.Change, v.Today = frame.OverTimeURL(q.unit)+"/change", q.when.At.In(s.Zone).Format(time.DateOnly)
	}
	return frame.Show(http.StatusOK, "overtime", v)
}

// overTime reads what is asked for and works it out.
func (s *service) overTime(c *frame.Request) (q overTimeAsked, series charts.UnitSeries, err error) {
	when, err := s.AsOf(c)
	if err != nil {
		return q, series, err
	}
	q, trouble := readOverTime(c.Param("unit"), c.Request.URL.Query(), when, s.Zone)
	if trouble != "" {
		return q, series, frame.Told(http.StatusBadRequest, text.Say("overtime.bad-range"), trouble)
	}
	if q.slide != "" && !charts.IsUnitPanel(q.slide) {
		return q, series, frame.Told(http.StatusNotFound, text.Say("overtime.bad-range"), text.Say("overtime.bad-slide", q.slide))
	}
	if q.changes, err = s.changesOf(c.Request.Context(), q); err != nil {
		return q, series, err
	}
	series, err = s.unitSeries(c.Request.Context(), q)
	return q, series, err
}

// readOverTime reads the query: by month or week, the first and the last day. Without
// them it is the last twelve months, with the one that is not over. trouble says what
// is wrong.
func readOverTime(
	unit string, query url.Values, when frame.Asked, zone *time.Location,
) (q overTimeAsked, trouble string) {
	q = overTimeAsked{unit: unit, when: when, by: cmp.Or(query.Get("by"), trends.ByMonth), given: url.Values{}}
	if q.with = cmp.Or(query.Get("with"), withLimits); q.with != withLimits && q.with != withIntervals {
		return q, text.Say("overtime.bad-with")
	}
	q.slide = query.Get("slide")
	if q.by != trends.ByMonth && q.by != trends.ByWeek {
		return q, text.Say("overtime.bad-by")
	}
	current := trends.PeriodAround(when.At, q.by, zone)
	q.to, q.from = current.To, yearBefore(current.From, q.by, zone)
	first, hasFirst, ok := day(query.Get("from"), zone)
	last, hasLast, ok2 := day(query.Get("to"), zone)
	if !ok || !ok2 {
		return q, text.Say("overtime.bad-day")
	}
	if hasLast {
		y, m, d := last.In(zone).Date()
		if q.to = clinical.DayStart(y, m, d+1, zone); q.to.After(current.To) {
			q.to = current.To // what lies ahead has no figures
		}
		q.from = yearBefore(trends.PeriodAround(last, q.by, zone).From, q.by, zone)
	}
	if hasFirst {
		q.from = first
	}
	switch {
	case q.from.After(when.At):
		return q, text.Say("overtime.bad-future", q.firstDay(zone))
	case !q.from.Before(q.to):
		return q, text.Say("overtime.bad-order", q.firstDay(zone), last.In(zone).Format(time.DateOnly))
	case q.periodsAtMost() > mostPeriods:
		return q, text.Say("overtime.bad-long", mostPeriods)
	}
	for _, name := range []string{"by", "from", "to", "as_of", "with"} {
		if v := query.Get(name); v != "" {
			q.given.Set(name, v)
		}
	}
	return q, ""
}

func yearBefore(current time.Time, by string, zone *time.Location) time.Time {
	y, m, d := current.In(zone).Date()
	if by == trends.ByWeek {
		return clinical.DayStart(y, m, d-7*(yearWeeks-1), zone)
	}
	return clinical.DayStart(y, m-(yearMonths-1), 1, zone)
}

// day reads a calendar day; given is false where there is none.
func day(s string, zone *time.Location) (at time.Time, given, ok bool) {
	if s == "" {
		return time.Time{}, false, true
	}
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return time.Time{}, true, false
	}
	return clinical.DayStart(d.Year(), d.Month(), d.Day(), zone), true, true
}

func (q overTimeAsked) firstDay(zone *time.Location) string {
	return q.from.In(zone).Format(time.DateOnly)
}

func (q overTimeAsked) lastDay(zone *time.Location) string {
	return q.to.Add(-time.Nanosecond).In(zone).Format(time.DateOnly)
}

func (q overTimeAsked) periodsAtMost() int {
	days := q.to.Sub(q.from).Hours() / 24
	if q.by == trends.ByWeek {
		return int(days / 7)
	}
	return int(days / 31)
}

// address is that of the page or of a download with the same question.
func (q overTimeAsked) address(ending string) string {
	to := frame.UnitURL(q.unit) + "/over-time" + ending
	if len(q.given) > 0 {
		to += "?" + q.given.Encode()
	}
	return to
}

// unitSeries works out the figures of a unit. Periods before its first patient are
// left out: nothing is known of them.
func (s *service) unitSeries(ctx context.Context, q overTimeAsked) (charts.UnitSeries, error) {
	f, err := s.Figures.Unit(ctx, q.unit, q.from, q.to, q.by, q.when.At)
	if err != nil {
		return charts.UnitSeries{}, err
	}
	for len(f.Periods) > 0 && !f.Periods[0].To.After(f.Since) {
		f.Periods = f.Periods[1:]
	}
	series := charts.UnitSeries{
		Figures: f, By: q.by, Policy: s.PolicyFor(ctx).Policy, Intervals: q.with == withIntervals, Changes: onCharts(q.changes, s.Zone),
	}
	series.Figures = f.InPhases(starts(series.Changes))
	if s.Episodes == nil || f.Since.IsZero() {
		return series, nil
	}
	series.Episodes = make([][]episodes.Count, len(f.Periods))
	for n, p := range f.Periods {
		to := p.To
		if to.After(q.when.At) {
			to = q.when.At
		}
		if series.Episodes[n], err = s.Episodes.Tally(ctx, q.unit, p.From, to, p.PatientDays); err != nil {
			return series, err
		}
	}
	return series, nil
}

func (s *service) overTimeView(c *frame.Request, q overTimeAsked, series charts.UnitSeries) overTimeView {
	f := series.Figures
	t := s.Times(q.when.At, q.when.Live)
	v := overTimeView{
		Layout: s.Layout(c, text.Say("overtime.title", q.unit)).At(frame.OverTimeURL(q.unit)),
		Moment: t.Moment(q.when.At), AsOf: !q.when.Live, Self: frame.OverTimeURL(q.unit),
		Unit: frame.Link{Name: q.unit, URL: frame.UnitURL(q.unit)}, Tally: frame.EpisodesURL(q.unit) + "/tally",
		Falls: frame.FallsURL(q.unit),
		By:    q.by, From: q.firstDay(s.Zone), To: q.lastDay(s.Zone), CSV: q.address(".csv"), XLSX: q.address(".xlsx"),
		Nobody: f.Since.IsZero(), HasScript: s.AssetURL("vendor/echarts.min.js") != "",
	}
	units, err := s.UnitsFor(c.Request.Context(), frame.AccountOf(c))
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	for _, u := range units {
		if u != q.unit {
			v.Others = append(v.Others, frame.Link{Name: u, URL: frame.OverTimeURL(u)})
		}
	}
	by := text.Say("overtime.month")
	if q.by == trends.ByWeek {
		by = text.Say("overtime.week")
	}
	v.Range = text.Say("overtime.range", t.Day(q.from), t.Day(q.to.Add(-time.Nanosecond)), by)
	if v.Nobody {
		return v
	}
	v.Range = text.Say("overtime.range", t.Day(later(q.from, f.Periods[0].From)), t.Day(q.to.Add(-time.Nanosecond)), by)
	if f.Since.After(q.from) {
		note := text.Say("overtime.since", t.Day(f.Since))
		if f.Periods[0].From.After(q.from) {
			note += " " + text.Say("overtime.shorter")
		}
		v.Notes = append(v.Notes, note)
	}
	if q.to.After(q.when.At) {
		v.Notes = append(v.Notes, text.Say("overtime.incomplete", by))
	}
	v.Totals = totals(f)
	v.Charts = charts.OfUnit(series, t.Catalogue)
	if v.With, v.Slide = q.with, q.slide != ""; v.Slide {
		v.Charts = v.Charts.Only(q.slide)
	}
	v.All, v.Alone = q.address(""), frame.OverTimeURL(q.unit)+"?"+strings.TrimPrefix(q.given.Encode()+"&", "&")+"slide="
	v.Signals = signalsOf(v.Charts)
	var rules []string
	for _, r := range []trends.RunRule{trends.RunBeyond, trends.RunEight, trends.RunTwoOfThree, trends.RunSix} {
		rules = append(rules, text.RunRuleNames[r])
	}
	v.Rules = strings.Join(rules, "; ")
	return v
}

// signalsOf lists the charts with marks: how many, and what the latest of them says.
func signalsOf(b charts.UnitCharts) []signalView {
	var out []signalView
	for _, p := range b.Panels {
		if n := len(p.Signals); n > 0 {
			marks := text.Plural(n, text.Say("counts.mark"), text.Say("counts.marks"))
			out = append(out, signalView{p.ID, p.Title, text.Say("overtime.marks", marks), p.Signals[n-1].Text})
		}
	}
	return out
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// totals tells the figures of all periods together. Falls of periods without a
// patient-day are in no rate.
func totals(f trends.UnitFigures) []totalView {
	var days float64
	var falls, ratedFalls, harm, ratedHarm, due, inTime, sets, positive int
	for _, p := range f.Periods {
		falls, harm = falls+p.Falls, harm+p.WithInjury
		if p.PatientDays > 0 {
			days, ratedFalls, ratedHarm = days+p.PatientDays, ratedFalls+p.Falls, ratedHarm+p.WithInjury
		}
		due, inTime = due+p.RechecksDue, inTime+p.RechecksInTime
		sets, positive = sets+p.Sets, positive+p.Positive
	}
	rate := func(key func(...any) string, n int) string {
		if days == 0 {
			return text.Say("overtime.no-rate")
		}
		low, high := trends.PoissonInterval(n, 0.95)
		return key(1000*float64(n)/days, 1000*low/days, 1000*high/days)
	}
	share := func(some, all int, per float64, after string) string {
		if all == 0 {
			return parts.Dash
		}
		return strconv.FormatFloat(per*float64(some)/float64(all), 'f', 0, 64) + after
	}
	return []totalView{
		{text.Say("overtime.total-falls"), strconv.Itoa(falls), rate(
			func(a ...any) string { return text.Say("overtime.total-falls-say", a...) }, ratedFalls,
		) + " " + text.Say("overtime.total-days", text.Figure(days))},
		{text.Say("overtime.total-harm"), strconv.Itoa(harm), rate(
			func(a ...any) string { return text.Say("overtime.total-harm-say", a...) }, ratedHarm,
		)},
		{text.Say("overtime.total-rechecks"), share(inTime, due, 100, " %"), text.Say(
			"overtime.total-rechecks-say", inTime, due,
		)},
		{text.Say("overtime.total-positive"), share(positive, sets, 100, ""), text.Say(
			"overtime.total-positive-say", positive, sets,
		)},
	}
}
