package feeds

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// allThereView is the page that lays what feeds bring of a unit a day beside the unit's habit.
type allThereView struct {
	frame.Layout
	Unit          string
	Day           string // 2026-11-25
	DayText       string
	Earlier       string // the address of the day before
	Later         string // of the day after it; "" for today
	Units         []unitLink
	Commissioning bool
	Behind        bool // stays wait to be counted
	Feeds         []feedPart
}

// unitLink is a unit that may be looked at, with how much of it falls short.
type unitLink struct {
	Unit, URL string
	Here      bool
	Short     string // "2 fall short"; "" for nothing
}

// feedPart is what one feed brings, or all together.
type feedPart struct {
	ID, Name string
	Measures []measureRow
	Days     []dayRow // the newest first
	Names    []string // of the measures, as heads of the columns of Days
}

// measureRow is a measure with the day's figure, the habit, and the days up to it.
type measureRow struct {
	Name, Value, Usual, State, Lost, Since string
	Fault                                  bool
	Bars                                   []bar
	Line                                   string // where the habit stands in the drawing; "" for none
	Drawn                                  string // what the drawing shows, in words
}

// bar is a day of a drawing; its edges are in the drawing's own units.
type bar struct {
	X, Y, Height string
	Low          bool
}

// dayRow is a day with each measure's figure.
type dayRow struct {
	Day   string
	Cells []dayCell
}

type dayCell struct {
	Value string
	State string // "" where the day is as usual, or nothing is said
}

func (s *service) allTherePage(c *frame.Request) (frame.Page, error) {
	if s.Watch == nil {
		return frame.NotFound()
	}
	ctx, today := c.Request.Context(), s.Watch.Today()
	day := today
	if asked := c.Query("day"); asked != "" {
		var ok bool
		if day, ok = s.Watch.Day(asked); !ok || day.After(today) || day.Before(today.AddDate(0, 0, -askedBack)) {
			return frame.Tell(http.StatusBadRequest, text.Say("allthere.heading"), text.Say("allthere.odd-day", askedBack))
		}
	}
	report, err := s.Watch.Report(ctx, day)
	if err != nil {
		return nil, err
	}
	report = s.inSight(frame.AccountOf(c), report)
	unit := cmp.Or(c.Query("unit"), firstShort(report))
	if unit != "" && !slices.ContainsFunc(report, func(r feedcheck.UnitReport) bool { return r.Unit == unit }) {
		return frame.NotFound()
	}
	units, err := s.UnitsFor(ctx, frame.AccountOf(c))
	if err != nil {
		return nil, err
	}
	t, minute := s.Times(s.Clock(), true), frame.Asked{At: s.Minute(), Live: true}
	v := allThereView{
		Layout: s.LayoutOfUnits(c, text.Say("allthere.heading"), units, minute).At("/feeds"), Unit: unit,
		Day: day.Format(time.DateOnly), DayText: day.Format("Mon 2 Jan 2006"), Units: unitLinks(report, unit, day),
		Earlier: allThereURL(unit, day.AddDate(0, 0, -1)),
	}
	if day.Before(today) {
		v.Later = allThereURL(unit, day.AddDate(0, 0, 1))
	}
	for _, r := range report {
		if r.Unit == unit {
			v.Feeds = append(v.Feeds, feedPartOf(t, r))
		}
	}
	if s.Unchecked != nil && unit != "" && !slices.Contains(units, unit) { // else the frame says so
		if v.Commissioning, err = s.Unchecked(ctx, unit); err != nil {
			return nil, err
		}
	}
	v.Behind, err = s.Watch.Behind(ctx)
	if err != nil {
		return nil, err
	}
	return frame.Show(http.StatusOK, "allthere", v)
}

// askedBack is how many days back can be asked for: stays are counted for so long, and a day needs
// its habit.
const askedBack = 60

func allThereURL(unit string, day time.Time) string {
	return "/feeds/all-there?" + url.Values{"unit": {unit}, "day": {day.Format(time.DateOnly)}}.Encode()
}

// inSight is the part of a report that an account may see: see unitLines.
func (s *service) inSight(a records.Account, report []feedcheck.UnitReport) (out []feedcheck.UnitReport) {
	for _, r := range report {
		if a.May(records.CheckUnits) || a.May(records.ViewList) && a.OnUnit(r.Unit) {
			out = append(out, r)
		}
	}
	return out
}

// firstShort is the first unit that falls short, else the first; "" where there is none.
func firstShort(report []feedcheck.UnitReport) string {
	if gaps := feedcheck.Gaps(report); len(gaps) > 0 {
		return gaps[0].Unit
	}
	if len(report) > 0 {
		return report[0].Unit
	}
	return ""
}

func unitLinks(report []feedcheck.UnitReport, here string, day time.Time) (out []unitLink) {
	gaps := feedcheck.Gaps(report)
	for _, r := range report {
		if r.Feed != "" {
			continue
		}
		n := 0
		for _, g := range gaps {
			if g.Unit == r.Unit {
				n++
			}
		}
		l := unitLink{Unit: r.Unit, URL: allThereURL(r.Unit, day), Here: r.Unit == here}
		if n > 0 {
			l.Short = text.Plural(n, text.Say("allthere.falls-short"), text.Say("allthere.fall-short"))
		}
		out = append(out, l)
	}
	return out
}

func feedPartOf(t frame.Times, r feedcheck.UnitReport) feedPart {
	p := feedPart{ID: "f-" + r.Feed, Name: r.Feed}
	switch {
	case r.Feed != "":
		p.Name = text.Say("allthere.feed", r.Feed)
	case len(r.Feeds) == 1:
		p.Name = text.Say("allthere.feed", r.Feeds[0])
	default:
		p.Name = text.Say("allthere.all-feeds")
	}
	for _, h := range r.Habits {
		p.Measures = append(p.Measures, measureRowOf(t, h))
		p.Names = append(p.Names, text.MeasureNames[h.Measure])
	}
	last := len(r.Habits[0].Days) - 1
	for n := last; n > last-shownDays; n-- {
		row := dayRow{Day: r.Habits[0].Days[n].Date.In(t.Zone).Format("Mon 2 Jan")}
		for _, h := range r.Habits {
			d := h.Days[n]
			cell := dayCell{Value: dayValue(h.Measure, d)}
			if d.State.Fault() {
				cell.State = text.HabitStates[d.State]
			}
			row.Cells = append(row.Cells, cell)
		}
		p.Days = append(p.Days, row)
	}
	return p
}

// shownDays are the days of a drawing and of a table, the one asked for among them.
const shownDays = feedcheck.HabitDays + 1

// dayValue writes a day: of a share also of how many.
func dayValue(m feedcheck.Measure, d feedcheck.DayState) string {
	value := text.MeasureValue(m, d.Value(m))
	if m.IsShare() && d.Of > 0 {
		return text.Say("allthere.of", value, d.Of)
	}
	return value
}

func measureRowOf(t frame.Times, h feedcheck.Habit) measureRow {
	last := len(h.Days) - 1
	row := measureRow{
		Name: text.MeasureNames[h.Measure], Value: dayValue(h.Measure, h.Days[last]), Usual: "–",
		State: text.HabitStates[h.State], Since: t.Weekday(h), Fault: h.Told(),
	}
	if h.Latest >= 0 {
		row.Usual = text.MeasureValue(h.Measure, h.Days[h.Latest].Expected)
		if h.Latest < last && h.State != "" {
			row.State = text.Say("allthere.as-of", row.State, h.Days[h.Latest].Date.In(t.Zone).Format("Mon 2 Jan"))
		}
	} else {
		row.State = text.Say("allthere.no-state")
	}
	if row.Fault {
		row.Lost = text.MeasureLost[h.Measure]
	}
	row.draw(h)
	return row
}

// The drawing of a measure, in its own units.
const (
	barStep, barHeight = 8, 30
)

// draw draws the days as bars, the tallest as high as the drawing, of a share as high as all.
func (r *measureRow) draw(h feedcheck.Habit) {
	days := h.Days[len(h.Days)-shownDays:]
	top, low, least := 1.0, 0, 0.0
	if !h.Measure.IsShare() {
		top = 0
	}
	first := true
	for _, d := range days {
		if v := d.Value(h.Measure); v != nil {
			top = max(top, *v)
			if first || *v < least {
				least, first = *v, false
			}
		}
		low += one(d.State.Fault())
	}
	for n, d := range days {
		v := d.Value(h.Measure)
		if v == nil || top == 0 {
			continue
		}
		height := max(1, *v/top*barHeight)
		r.Bars = append(r.Bars, bar{
			X: strconv.Itoa(n * barStep), Y: text.Figure(barHeight - height), Height: text.Figure(height), Low: d.State.Fault(),
		})
	}
	if h.Latest >= 0 && h.Days[h.Latest].Expected != nil && top > 0 {
		r.Line = text.Figure(barHeight - min(1, *h.Days[h.Latest].Expected/top)*barHeight)
	}
	value := func(v float64) string { return text.MeasureValue(h.Measure, &v) }
	r.Drawn = text.Say("allthere.drawn", r.Name, shownDays, value(least), value(top), low)
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}
