package charts

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// UnitCharts is the charts of a unit over time.
type UnitCharts struct {
	Panels []UnitPanel
	Data   UnitData // for the script
}

// UnitPanel is one chart of a unit with its table, and what the run rules mark in it.
type UnitPanel struct {
	Panel
	Signals []Signal
	More    []Table // further tables, each under its own words
	Good    string  // which way is better; empty where neither is
}

// fewSignals are shown at once; of more the list is folded.
const fewSignals = 3

// FewSignals reports whether the marks fit beside their chart.
func (p UnitPanel) FewSignals() bool { return len(p.Signals) <= fewSignals }

// oneSheet is how many rows stand beside a chart on paper.
const oneSheet = 40

// Long reports whether the table needs more than a page of paper beside the chart.
func (p UnitPanel) Long() bool { return len(p.Table.Rows) > oneSheet }

// Signal is a point that a run rule marks.
type Signal struct {
	N    int    // the number beside the point
	Text string // which period, its figure, which rule and what that means
}

// UnitData is what the script draws: for each panel its options, and what a pointer
// at a place reads off it.
type UnitData struct {
	Panels map[string]UnitDrawing `json:"panels"`
}

// UnitDrawing is one panel: Reads has the lines for each place of its axis.
type UnitDrawing struct {
	Option map[string]any `json:"option"`
	Reads  [][]string     `json:"reads"`
}

// UnitSeries is what the charts of a unit are drawn from.
type UnitSeries struct {
	Figures trends.UnitFigures
	By      string
	Policy  clinical.Policy
	// Episodes holds the counts of each period, all kinds together first. Nil: no
	// episode is kept by this program.
	Episodes [][]episodes.Count
	// Intervals has rates drawn with their intervals in place of the limits: both in one chart are taken for one
	// another.
	Intervals bool
	Changes   []UnitChange // by day; Figures are in their phases already
}

// UnitChange is what was changed on a unit, from the beginning of a day. Where it begins a phase the centre is
// another from there.
type UnitChange struct {
	Sign string // by which the charts name it
	From time.Time
	Anew bool
}

type unitBuilder struct {
	text.Catalogue
	UnitSeries
	charts UnitCharts
}

// OfUnit builds the charts of a unit.
func OfUnit(s UnitSeries, c text.Catalogue) UnitCharts {
	b := &unitBuilder{Catalogue: c, UnitSeries: s}
	b.charts.Data.Panels = map[string]UnitDrawing{}
	b.falls()
	b.harm()
	b.between()
	b.rechecks()
	b.positives()
	b.quality()
	b.zeros()
	b.digits()
	b.precautions()
	b.episodes()
	for n := range b.charts.Panels {
		b.charts.Panels[n].Good = better(b.charts.Panels[n].ID)
	}
	return b.charts
}

// better is which way is good, by the panel. More positive sets are neither: more patients may have been found.
func better(panel string) string {
	switch panel {
	case "falls", "harm", "precautions":
		return text.Say("overtime.good-down")
	case "between", "rechecks", "quality":
		return text.Say("overtime.good-up")
	case "zeros":
		return text.Say("overtime.good-tenth")
	case "positives":
		return text.Say("overtime.good-neither")
	}
	return ""
}

// unitPanels are the ids of all panels.
var unitPanels = []string{
	"falls", "harm", "between", "rechecks", "positives", "quality", "zeros", "digits", "precautions", "episodes",
}

// IsUnitPanel reports whether a panel of a unit over time has this id.
func IsUnitPanel(id string) bool { return slices.Contains(unitPanels, id) }

// Only leaves one panel.
func (c UnitCharts) Only(id string) UnitCharts {
	only := UnitData{Panels: map[string]UnitDrawing{}}
	if drawn, ok := c.Data.Panels[id]; ok {
		only.Panels[id] = drawn
	}
	panels := slices.DeleteFunc(slices.Clone(c.Panels), func(p UnitPanel) bool { return p.ID != id })
	return UnitCharts{Panels: panels, Data: only}
}

// PeriodName names a period for a table, with what is incomplete of it.
func (b *unitBuilder) periodName(p trends.Period) string {
	name := b.Period(p, b.By)
	if part := b.Part(p, b.By, b.Figures.Since); part != "" {
		name += "\n(" + part + ")" // on a line of its own
	}
	return name
}

// short is the name of a period under its point.
func (b *unitBuilder) short(p trends.Period) string {
	if b.By == trends.ByMonth {
		return p.From.In(b.Zone).Format("Jan 06")
	}
	return p.From.In(b.Zone).Format("2 Jan 06")
}

// place is one place of an axis: what stands there and what is said of it.
type place struct {
	name, short string
	value       *float64
	says        string // the value in words; "" where there is none
	low, high   *float64
	point       trends.ControlPoint // limits, in the same unit as value
	rules       []trends.RunRule
	thin        bool      // too little lies behind it for its limits to set the axis
	from, to    time.Time // of its period; zero of what is no period
}

// scaled is a control point in another unit.
func scaled(p trends.ControlPoint, by float64) trends.ControlPoint {
	times := func(v *float64) *float64 {
		if v == nil {
			return nil
		}
		w := *v * by
		return &w
	}
	return trends.ControlPoint{
		Value: times(p.Value), Center: times(p.Center), Lower: times(p.Lower), Upper: times(p.Upper),
		Sigma: times(p.Sigma),
	}
}

const (
	hundred = 100
	rates   = "%.1f"
	shares  = "%.0f"
)

// limits writes the limits of a point.
func limits(p trends.ControlPoint, form string) string {
	if p.Lower == nil || p.Upper == nil {
		return dash
	}
	return fmt.Sprintf(form+" to "+form, *p.Lower, *p.Upper)
}

const dash = "–"

// interval writes a rate with its interval.
func interval(v, low, high *float64) string {
	if v == nil || low == nil || high == nil {
		return dash
	}
	return fmt.Sprintf("%.1f (%.1f to %.1f)", *v, *low, *high)
}

func percent(v *float64) string {
	if v == nil {
		return dash
	}
	return fmt.Sprintf("%.0f %%", hundred**v)
}

// share writes some of all with the percentage.
func share(some, all int) string {
	if all == 0 {
		return strconv.Itoa(some)
	}
	return fmt.Sprintf("%d (%.0f %%)", some, hundred*float64(some)/float64(all))
}

// thinness marks the periods with less than a quarter of the usual size: the limits
// of a first week of two days would press all others flat.
func thinness(sizes []float64) []bool {
	var some []float64
	for _, v := range sizes {
		if v > 0 {
			some = append(some, v)
		}
	}
	slices.Sort(some)
	out := make([]bool, len(sizes))
	if len(some) == 0 {
		return out
	}
	usual := some[len(some)/2]
	for n, v := range sizes {
		out[n] = v < usual/4
	}
	return out
}

// marks numbers the points that run rules mark, and says what each is.
func marks(places []place) (numbers []int, signals []Signal) {
	numbers = make([]int, len(places))
	var before *float64
	for n, p := range places {
		if p.value == nil {
			continue
		}
		if len(p.rules) > 0 && p.point.Center != nil {
			s := Signal{N: len(signals) + 1, Text: p.name + ": " + p.says + "; "}
			for k, rule := range p.rules {
				if k > 0 {
					s.Text += "; "
				}
				s.Text += text.RunRuleSays(rule, *p.value > *p.point.Center, before != nil && *p.value > *before)
			}
			s.Text += "."
			signals = append(signals, s)
			numbers[n] = s.N
		}
		before = p.value
	}
	return numbers, signals
}

func mark1(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

// add finishes a panel: its chart from the places, its marks, its drawing.
func (b *unitBuilder) add(p UnitPanel, places []place, a axes, withInterval bool) {
	numbers, signals := marks(places)
	p.Signals = signals
	for n := range p.Table.Rows {
		p.Table.Rows[n] = append(p.Table.Rows[n], mark1(numbers[n]))
	}
	p.Table.Head = append(p.Table.Head, text.Say("overtime.col-mark"))
	drawn := slices.ContainsFunc(places, func(p place) bool { return p.value != nil })
	if !drawn {
		if p.Empty == "" {
			p.Empty = text.Say("overtime.nothing")
		}
		b.charts.Panels = append(b.charts.Panels, p)
		return
	}
	if withInterval = withInterval && b.Intervals; withInterval {
		p.Says += " " + text.Say("overtime.bars")
	}
	if a.max == 0 {
		a = roomFor(places, withInterval)
	}
	p.Legend = legend(places, withInterval)
	b.charts.Data.Panels[p.ID] = b.control(p, places, numbers, a, withInterval)
	b.charts.Panels = append(b.charts.Panels, p)
}

func legend(places []place, withInterval bool) []Key {
	out := []Key{{"ot-value", text.Say("overtime.key-value")}, {"ot-centre", text.Say("overtime.key-centre")}}
	if withInterval {
		out = append(out, Key{"ot-interval", text.Say("overtime.key-interval")})
	} else {
		out = append(out, Key{"ot-limit", text.Say("overtime.key-limit")})
	}
	if slices.ContainsFunc(places, func(p place) bool { return p.value != nil && len(p.rules) > 0 }) {
		out = append(out, Key{"ot-signal", text.Say("overtime.key-signal")})
	}
	return out
}

// roomFor is a value axis from 0 that holds what is drawn, save for the limits and
// intervals of places with little behind them.
func roomFor(places []place, withInterval bool) axes {
	values := []float64{0}
	for _, p := range places {
		take := func(v *float64) {
			if v != nil && !math.IsInf(*v, 0) {
				values = append(values, *v)
			}
		}
		take(p.value)
		take(p.point.Center)
		if p.thin {
			continue
		}
		if withInterval {
			take(p.high)
		} else {
			take(p.point.Upper)
		}
	}
	if slices.Max(values) == 0 {
		values = append(values, 4) // an axis of its own steps, though all is 0
	}
	a := round(values, 4)
	a.min = 0
	return a
}

// beyondAxis is said where something reaches beyond the value axis.
func beyondAxis(places []place) []string {
	if slices.ContainsFunc(places, func(p place) bool { return p.thin && p.value != nil }) {
		return []string{text.Say("overtime.thin")}
	}
	return nil
}

func (b *unitBuilder) patientDays() []float64 {
	out := make([]float64, len(b.Figures.Periods))
	for n, p := range b.Figures.Periods {
		out[n] = p.PatientDays
	}
	return out
}

func (b *unitBuilder) falls() {
	p := UnitPanel{Panel: Panel{
		ID: "falls", Title: text.Say("overtime.falls"), Says: text.Say("overtime.falls-says", text.PatientDays(b.Policy.Unit)),
		Table: Table{
			Head: []string{
				b.by(), text.Say("overtime.col-days"), text.Say("overtime.col-falls"),
				text.Say("overtime.col-rate"), text.Say("overtime.col-limits"),
			},
		},
	}}
	places, thin := []place{}, thinness(b.patientDays())
	falls, days := 0, 0.0
	for n, u := range b.Figures.Periods {
		if u.PatientDays > 0 {
			falls, days = falls+u.Falls, days+u.PatientDays
		}
		at := place{
			name: b.Period(u.Period, b.By), short: b.short(u.Period), value: u.U.Value, low: u.RateLow,
			high: u.RateHigh, point: u.U, rules: u.RunRules, thin: thin[n], from: u.From, to: u.To,
		}
		if u.Rate != nil {
			at.says = text.Say("overtime.falls-one", countFalls(u.Falls),
				text.Figure(u.PatientDays), *u.Rate, *u.RateLow, *u.RateHigh)
		}
		places = append(places, at)
		p.Table.Rows = append(p.Table.Rows, []string{
			b.periodName(u.Period), text.Figure(u.PatientDays),
			b.count(u.Falls, u.PatientDays > 0 || u.Falls > 0), interval(u.Rate, u.RateLow, u.RateHigh),
			limits(u.U, rates),
		})
	}
	if days > 0 {
		p.Notes = append(p.Notes, b.centres(places,
			text.Say("overtime.centre-rate", 1000*float64(falls)/days, countFalls(falls),
				text.Figure(days))))
	}
	p.Notes = append(p.Notes, beyondAxis(places)...)
	b.add(p, places, axes{}, true)
}

// centres says the centre of each phase; of one alone as said.
func (b *unitBuilder) centres(places []place, said string) string {
	phases := b.phases(places)
	if len(phases) < 2 {
		return said
	}
	var each []string
	begin := 0
	for _, p := range phases {
		centre := dash
		for _, at := range places[begin : begin+len(p.centre)] {
			if at.point.Center != nil {
				centre = fmt.Sprintf(rates, *at.point.Center)
			}
		}
		each = append(each, text.Say("overtime.centre-from", b.begins(places[begin]), centre))
		begin += len(p.centre)
	}
	return text.Say("overtime.centre-phases", strings.Join(each, "; "))
}

// begins names the period with which a phase begins, the month in full: "Jan 26" reads as a day.
func (b *unitBuilder) begins(p place) string {
	if b.By == trends.ByMonth && !p.from.IsZero() {
		return p.from.In(b.Zone).Format("January 2006")
	}
	return p.name
}

// by heads the column of periods.
func (b *unitBuilder) by() string {
	if b.By == trends.ByWeek {
		return text.Say("overtime.week")
	}
	return text.Say("overtime.month")
}

// count writes a count where anything could have been counted, else a dash: missing
// is not zero.
func (b *unitBuilder) count(n int, known bool) string {
	if !known {
		return dash
	}
	return strconv.Itoa(n)
}

func (b *unitBuilder) harm() {
	p := UnitPanel{Panel: Panel{
		ID: "harm", Title: text.Say("overtime.harm"), Says: text.Say("overtime.harm-says"),
		Table: Table{
			Head: []string{
				b.by(), text.Say("overtime.col-harm"), text.Say("overtime.col-rate"),
				text.Say("overtime.col-limits"), text.Say("overtime.col-levels"),
			},
		},
	}}
	places, thin := []place{}, thinness(b.patientDays())
	for n, u := range b.Figures.Periods {
		at := place{
			name: b.Period(u.Period, b.By), short: b.short(u.Period), value: u.HarmU.Value, low: u.HarmLow,
			high: u.HarmHigh, point: u.HarmU, rules: u.HarmRules, thin: thin[n], from: u.From, to: u.To,
		}
		if u.HarmRate != nil {
			at.says = text.Say("overtime.harm-one",
				countInjured(u.WithInjury), *u.HarmRate, *u.HarmLow,
				*u.HarmHigh)
		}
		places = append(places, at)
		p.Table.Rows = append(p.Table.Rows, []string{
			b.periodName(u.Period), b.count(u.WithInjury, u.PatientDays > 0 || u.Falls > 0),
			interval(u.HarmRate, u.HarmLow, u.HarmHigh), limits(u.HarmU, rates), levels(u.Injuries),
		})
	}
	p.Notes = append(p.Notes, beyondAxis(places)...)
	b.add(p, places, axes{}, true)
}

// InjuryLevels are the levels of injury as charted, from none to death; "" where it
// was not charted.
var InjuryLevels = []string{"none", "minor", "moderate", "major", "death", ""}

// levels says how many falls had which injury.
func levels(injuries map[string]int) string {
	var parts []string
	for _, level := range InjuryLevels {
		if n := injuries[level]; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, cmp.Or(level, text.Say("overtime.not-charted"))))
		}
	}
	if len(parts) == 0 {
		return dash
	}
	return strings.Join(parts, ", ")
}

// between draws the days from each fall to the next.
func (b *unitBuilder) between() {
	f := b.Figures
	p := UnitPanel{Panel: Panel{
		ID: "between", Title: text.Say("overtime.between"), Says: text.Say("overtime.between-says"),
		Table: Table{Head: []string{text.Say("overtime.col-fall"), text.Say("overtime.col-between")}},
		Empty: text.Say("overtime.between-few"),
	}}
	var places []place
	for n, gap := range f.DaysBetween {
		v := float64(gap)
		zero := 0.0
		at := place{
			name: b.Day(f.Falls[n+1]), short: f.Falls[n+1].In(b.Zone).Format("2 Jan 06"), value: &v,
			says:  text.Say("overtime.between-one", countDays(gap)),
			point: trends.ControlPoint{Value: &v, Center: f.GCenter, Lower: &zero, Upper: f.GUpper},
		}
		if f.GUpper != nil && trends.Above(v, *f.GUpper) {
			at.rules = []trends.RunRule{trends.RunBeyond}
		}
		places = append(places, at)
		p.Table.Rows = append(p.Table.Rows, []string{b.when(f.Falls[n+1]), strconv.Itoa(gap)})
	}
	if len(places) > 0 {
		p.Empty = ""
		p.Notes = append(p.Notes, text.Say("overtime.between-centre", *f.GCenter, *f.GUpper))
	}
	if n := len(f.Falls); n > 0 {
		p.Notes = append(p.Notes, text.Say("overtime.since-last", b.when(f.Falls[n-1]), b.Ago(f.Falls[n-1])))
	}
	b.add(p, places, axes{}, false)
}

// when is a moment with its year.
func (b *unitBuilder) when(t time.Time) string { return t.In(b.Zone).Format("2 Jan 2006 15:04") }

// shareOf lays out a p-chart of shares told as a percentage.
type shareOf struct {
	id, title, says string
	some, all       func(trends.UnitPeriod) int
	point           func(trends.UnitPeriod) trends.ControlPoint
	rules           func(trends.UnitPeriod) []trends.RunRule
	one             func(trends.UnitPeriod) string // a value in words
	head            []string                       // between the period and the limits
	row             func(trends.UnitPeriod) []string
	centre          func(center float64, some, all int) string
	full            bool // the axis ends at 100 %
}

func (b *unitBuilder) shares(s shareOf) (UnitPanel, []place) {
	p := UnitPanel{Panel: Panel{ID: s.id, Title: s.title, Says: s.says}}
	p.Table.Head = append(append([]string{b.by()}, s.head...), text.Say("overtime.col-limits-percent"))
	sizes := make([]float64, len(b.Figures.Periods))
	some, all := 0, 0
	for n, u := range b.Figures.Periods {
		sizes[n] = float64(s.all(u))
		some, all = some+s.some(u), all+s.all(u)
	}
	thin := thinness(sizes)
	var places []place
	for n, u := range b.Figures.Periods {
		point := scaled(s.point(u), hundred)
		at := place{
			name: b.Period(u.Period, b.By), short: b.short(u.Period), value: point.Value, point: point, rules: s.rules(u), thin: thin[n],
			from: u.From, to: u.To,
		}
		if at.value != nil {
			at.says = s.one(u)
		}
		places = append(places, at)
		p.Table.Rows = append(p.Table.Rows, append(append([]string{b.periodName(u.Period)}, s.row(u)...), limits(point, shares)))
	}
	if all > 0 {
		p.Notes = append(p.Notes, b.centres(places, s.centre(hundred*float64(some)/float64(all), some, all)))
	}
	return p, places
}

func (b *unitBuilder) addShares(s shareOf, notes ...string) {
	p, places := b.shares(s)
	p.Notes = append(p.Notes, notes...)
	a := axes{}
	if s.full {
		a = percentAxis
	} else {
		p.Notes = append(p.Notes, beyondAxis(places)...)
	}
	b.add(p, places, a, false)
}

var percentAxis = axes{min: 0, max: hundred, step: 25}

func (b *unitBuilder) rechecks() {
	b.addShares(shareOf{
		id: "rechecks", title: text.Say("overtime.rechecks"), says: text.Say("overtime.rechecks-says"), full: true,
		some:  func(u trends.UnitPeriod) int { return u.RechecksInTime },
		all:   func(u trends.UnitPeriod) int { return u.RechecksDue },
		point: func(u trends.UnitPeriod) trends.ControlPoint { return u.P },
		rules: func(u trends.UnitPeriod) []trends.RunRule { return u.PRunRules },
		one: func(u trends.UnitPeriod) string {
			return text.Say("overtime.rechecks-one", u.RechecksInTime, u.RechecksDue, percent(u.P.Value))
		},
		head: []string{text.Say("overtime.col-due"), text.Say("overtime.col-in-time"), text.Say("overtime.col-answered")},
		row: func(u trends.UnitPeriod) []string {
			return []string{
				b.count(u.RechecksDue, u.PatientDays > 0), b.shareOrDash(u.RechecksInTime, u.RechecksDue),
				b.count(u.RechecksAnswered, u.RechecksDue > 0),
			}
		},
		centre: func(center float64, some, all int) string {
			return text.Say("overtime.rechecks-centre", center, some, all)
		},
	})
}

func (b *unitBuilder) shareOrDash(some, all int) string {
	if all == 0 {
		return dash
	}
	return share(some, all)
}

func (b *unitBuilder) positives() {
	b.addShares(shareOf{
		id: "positives", title: text.Say("overtime.positives"), says: text.Say("overtime.positives-says"),
		some:  func(u trends.UnitPeriod) int { return u.Positive },
		all:   func(u trends.UnitPeriod) int { return u.Sets },
		point: func(u trends.UnitPeriod) trends.ControlPoint { return u.PositiveP },
		rules: func(u trends.UnitPeriod) []trends.RunRule { return u.PositiveRules },
		one: func(u trends.UnitPeriod) string {
			return text.Say("overtime.positives-one", u.Positive, countSets(u.Sets), *u.PositivePer100())
		},
		head: []string{text.Say("overtime.col-sets"), text.Say("overtime.col-positive"), text.Say("overtime.col-per100")},
		row: func(u trends.UnitPeriod) []string {
			per := dash
			if v := u.PositivePer100(); v != nil {
				per = fmt.Sprintf("%.1f", *v)
			}
			return []string{b.count(u.Sets, u.PatientDays > 0 || u.Sets > 0), b.count(u.Positive, u.Sets > 0), per}
		},
		centre: func(center float64, some, all int) string {
			return text.Say("overtime.positives-centre", center, some, all)
		},
	})
}

func (b *unitBuilder) quality() {
	s := shareOf{
		id: "quality", title: text.Say("overtime.quality"), says: text.Say("overtime.quality-says"),
		some:  func(u trends.UnitPeriod) int { return u.Grades[trends.Complete] },
		all:   func(u trends.UnitPeriod) int { return u.Sets },
		point: func(u trends.UnitPeriod) trends.ControlPoint { return u.CompleteP },
		rules: func(u trends.UnitPeriod) []trends.RunRule { return u.CompleteRules },
		one: func(u trends.UnitPeriod) string {
			return text.Say("overtime.quality-one", countSets(u.Sets),
				share(u.Grades[trends.Complete], u.Sets), share(u.Grades[trends.Usable], u.Sets),
				share(u.Grades[trends.Unusable], u.Sets))
		},
		head: []string{
			text.Say("overtime.col-sets"), text.Say("overtime.col-complete"), text.Say("overtime.col-usable"),
			text.Say("overtime.col-unusable"),
		},
		row: func(u trends.UnitPeriod) []string {
			return []string{
				b.count(u.Sets, u.PatientDays > 0 || u.Sets > 0), b.shareOrDash(u.Grades[trends.Complete], u.Sets),
				b.shareOrDash(u.Grades[trends.Usable], u.Sets), b.shareOrDash(u.Grades[trends.Unusable], u.Sets),
			}
		},
		centre: func(center float64, some, all int) string {
			return text.Say("overtime.quality-centre", center, some, all)
		},
	}
	p, places := b.shares(s)
	b.add(p, places, percentAxis, false)
	b.stackGrades()
}

func (b *unitBuilder) zeros() {
	notes := []string{text.Say("overtime.zeros-even")}
	b.addShares(shareOf{
		id: "zeros", title: text.Say("overtime.zeros"), says: text.Say("overtime.zeros-says"),
		some:  func(u trends.UnitPeriod) int { return u.Digits[0] },
		all:   func(u trends.UnitPeriod) int { return u.Measured },
		point: func(u trends.UnitPeriod) trends.ControlPoint { return u.ZeroP },
		rules: func(u trends.UnitPeriod) []trends.RunRule { return u.ZeroRules },
		one: func(u trends.UnitPeriod) string {
			return text.Say("overtime.zeros-one", u.Digits[0], u.Measured, percent(u.EndIn0))
		},
		head: []string{text.Say("overtime.col-pressures"), text.Say("overtime.col-zero")},
		row: func(u trends.UnitPeriod) []string {
			return []string{b.count(u.Measured, u.PatientDays > 0 || u.Measured > 0), b.shareOrDash(u.Digits[0], u.Measured)}
		},
		centre: func(center float64, some, all int) string {
			return text.Say("overtime.zeros-centre", center, some, all)
		},
	}, notes...)
}

func (b *unitBuilder) precautions() {
	if !b.Policy.Precautions.InFeed {
		b.charts.Panels = append(b.charts.Panels, UnitPanel{
			Panel: Panel{ID: "precautions", Title: text.Say("overtime.precautions"), Empty: text.Say("overtime.precautions-none")},
		})
		return
	}
	b.addShares(shareOf{
		id: "precautions", title: text.Say("overtime.precautions"), says: text.Say("overtime.precautions-says"), full: true,
		some:  func(u trends.UnitPeriod) int { return u.Lacking },
		all:   func(u trends.UnitPeriod) int { return u.Asked },
		point: func(u trends.UnitPeriod) trends.ControlPoint { return u.LackingP },
		rules: func(u trends.UnitPeriod) []trends.RunRule { return u.LackingRules },
		one: func(u trends.UnitPeriod) string {
			return text.Say("overtime.precautions-one", b.when(u.LookedAt), u.Present, u.Asked, u.Lacking)
		},
		head: []string{
			text.Say("overtime.col-at"), text.Say("overtime.col-present"), text.Say("overtime.col-asked"),
			text.Say("overtime.col-lacking"),
		},
		row: func(u trends.UnitPeriod) []string {
			return []string{
				b.when(u.LookedAt), b.count(u.Present, u.PatientDays > 0), b.count(u.Asked, u.Present > 0),
				b.shareOrDash(u.Lacking, u.Asked),
			}
		},
		centre: func(center float64, some, all int) string {
			return text.Say("overtime.precautions-centre", center, some, all)
		},
	}, text.Say("overtime.precautions-twice"))
}

// Counts with their nouns.
func countFalls(n int) string {
	return text.Plural(n, text.Say("counts.fall"), text.Say("counts.falls"))
}
func countDays(n int) string { return text.Plural(n, text.Say("counts.day"), text.Say("counts.days")) }
func countSets(n int) string { return text.Plural(n, text.Say("counts.set"), text.Say("counts.sets")) }
func countInjured(n int) string {
	return text.Plural(n, text.Say("counts.fall-injured"), text.Say("counts.falls-injured"))
}
