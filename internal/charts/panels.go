package charts

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// findingKeys explain the marks of findings; the marks stand at the standing end.
var findingKeys = []Key{
	{"positive", text.Findings[trends.Positive]},
	{"symptoms_only", text.Findings[trends.SymptomsOnly]},
	{"negative", text.Findings[trends.Negative]},
	{"inconclusive", text.Findings[trends.Inconclusive]},
	{"filled", text.Say("charts.key-filled")},
	{"hollow", text.Say("charts.key-hollow")},
}

// mark draws a finding: its shape by the finding, filled by the quality. A negative set that
// was overtaken is grey and small.
func (b *builder) mark(p point, s trends.Set) point {
	switch s.Finding {
	case trends.Positive:
		p.Symbol, p.Size = shapeDown, []int{13, 12}
	case trends.SymptomsOnly:
		p.Symbol, p.Size = "diamond", 13
	case trends.Negative:
		p.Symbol, p.Size = "circle", 9
	default:
		p.Symbol, p.Size = shapeCross, 10
		p.Style = map[string]any{"color": "@soft", "borderWidth": 0}
		return p
	}
	fill := "@paper"
	if s.Quality == trends.Complete {
		fill = "@" + s.Finding
	}
	p.Style = map[string]any{"color": fill, "borderColor": "@" + s.Finding, "borderWidth": 2}
	if b.digest.Overtaken(s) != nil {
		p.Size, p.Style = 6, map[string]any{"color": "@paper", "borderColor": "@soft", "borderWidth": 1}
	}
	return p
}

// round finds round ends and steps for a value axis that holds the values, with
// a little room around them; it ends at 0 where no value lies beyond.
func round(values []float64, lines int) axes {
	low, high := slices.Min(values), slices.Max(values)
	room := math.Max(high-low, 1) / 20
	step := niceStep((high - low + 2*room) / float64(lines))
	if low != 0 {
		low -= room
	}
	if high != 0 {
		high += room
	}
	return axes{min: tidy(math.Floor(low/step) * step), max: tidy(math.Ceil(high/step) * step), step: step}
}

// tidy takes off what binary fractions leave behind.
func tidy(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// niceStep is the smallest of 1, 2 and 5, times a power of ten, not under v.
func niceStep(v float64) float64 {
	unit := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*unit >= v {
			return m * unit
		}
	}
	return 10 * unit
}

// pressures draws each set as a segment from lying to standing.
func (b *builder) pressures() Panel {
	p := Panel{
		ID: "pressure", Title: text.Say("charts.pressure"), Tall: "tall",
		Says: text.Say("charts.pressure-says"),
		Legend: append([]Key{
			{"lying", text.Say("charts.key-lying")}, {"lying-dia", text.Say("charts.key-lying-dia")},
		}, append(findingKeys, Key{"fall", text.Say("charts.fall")},
			Key{"change", text.Say("charts.key-change")})...),
		Table: Table{
			Head: []string{
				text.Say("charts.head-set"), text.Say("charts.head-lying"), text.Say("charts.head-standing"),
				text.Say("charts.head-minutes"), text.Say("charts.head-finding"),
				text.Say("charts.head-quality"),
			},
		},
	}
	var sysLine, diaLine, lyingSys, lyingDia, upright, uprightDia []point
	var values []float64
	for _, s := range b.digest.Sets {
		u := s.Decisive()
		row := []string{
			b.Time(s.StartedAt), text.Say("charts.not-charted"), text.Say("charts.not-charted"), "–",
			text.Found(b.digest, s), text.Grades[s.Quality],
		}
		if s.Baseline != nil {
			row[1] = text.PressureOr(s.Baseline.WhyNone, s.Baseline.Systolic, s.Baseline.Diastolic)
			if s.Baseline.Position != clinical.Lying {
				row[1] += " (" + string(s.Baseline.Position) + ")"
			}
		} else if s.NoBaseline != "" {
			row[1] = text.Word(string(s.NoBaseline))
		}
		if felt := text.AtRest(s); felt != "" {
			row[1] += "; " + felt
		}
		if why := s.NoUpright(); why != "" {
			row[2] = text.Word(string(why))
		}
		if u != nil {
			row[2] = text.Pressure(u.Systolic, u.Diastolic)
			if u.Position != clinical.Standing {
				row[2] += " (" + string(u.Position) + ")"
			}
			if u.Minutes != nil {
				row[3] = text.Figure(*u.Minutes)
			}
		}
		p.Table.Rows = append(p.Table.Rows, row)

		add := func(line *[]point, t time.Time, v *float64) {
			if v != nil {
				*line = append(*line, at(t, *v))
				values = append(values, *v)
			}
		}
		if base := s.Baseline; base != nil {
			add(&sysLine, base.TakenAt, base.Systolic)
			add(&diaLine, base.TakenAt, base.Diastolic)
			add(&lyingSys, base.TakenAt, base.Systolic)
			add(&lyingDia, base.TakenAt, base.Diastolic)
		}
		for n := range s.Upright {
			one := s.Upright[n]
			add(&sysLine, one.TakenAt, one.Systolic)
			add(&diaLine, one.TakenAt, one.Diastolic)
			add(&uprightDia, one.TakenAt, one.Diastolic)
		}
		if u != nil {
			upright = append(upright, b.mark(at(u.TakenAt, *u.Systolic), s))
		}
		end := s.StartedAt.Add(time.Hour)
		sysLine, diaLine = append(sysLine, gap(end)), append(diaLine, gap(end))
	}
	if len(values) == 0 {
		p.Empty = text.Say("charts.pressure-none")
		return p
	}
	a := round(values, 5)
	a.slider = true
	c := b.base(a, text.Say("charts.alt-sets", p.Title, len(b.digest.Sets)))
	segment := func(name, color string, width float32, data []point) charts.SingleSeries {
		return charts.SingleSeries{
			Name: name, Type: "line", Data: data, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: color, Width: width},
		}
	}
	dots := func(name, symbol, color string, size any, data []point) charts.SingleSeries {
		return charts.SingleSeries{
			Name: name, Type: "scatter", Data: data, Symbol: symbol, SymbolSize: size, ItemStyle: &opts.ItemStyle{Color: color},
		}
	}
	sys := segment("systolic", "@systolic", 2.5, sysLine)
	sys.MarkLines = b.verticals(true)
	c.MultiSeries = append(c.MultiSeries,
		sys, segment("diastolic", "@diastolic", 1.5, diaLine),
		dots("lying systolic", "rect", "@systolic", []int{14, 4}, lyingSys),
		dots("lying diastolic", "rect", "@diastolic", []int{10, 3}, lyingDia),
		dots("standing diastolic", "circle", "@diastolic", 6, uprightDia),
		dots("standing systolic", "circle", "@systolic", 9, upright),
	)
	b.finish(p.ID, c, a)
	return p
}

// dropLine is the systolic drop, in mmHg, that the published definition sets for
// lying to standing (F-SYS); for sitting to standing it is 15.
const dropLine = 20.0

// drops draws the systolic drop of every set.
func (b *builder) drops() Panel {
	p := Panel{
		ID: "drop", Title: text.Say("charts.drop"), Tall: "mid",
		Says:   text.Say("charts.drop-says"),
		Legend: findingKeys,
		Table: Table{
			Head: []string{
				text.Say("charts.head-set"), text.Say("charts.head-kind"),
				text.Say("charts.head-systolic-drop"), text.Say("charts.head-diastolic-drop"),
				text.Say("charts.head-finding"), text.Say("charts.head-quality"),
			},
		},
	}
	var stems, marks []point
	values := []float64{0, dropLine + 5}
	number := func(v *float64) string {
		if v == nil {
			return "–"
		}
		return text.Figure(*v)
	}
	without := 0
	for _, s := range b.digest.Sets {
		p.Table.Rows = append(p.Table.Rows, []string{
			b.Time(s.StartedAt), text.Kinds[s.Kind], number(s.SystolicDrop), number(s.DiastolicDrop),
			text.Found(b.digest, s), text.Grades[s.Quality],
		})
		if s.SystolicDrop == nil {
			without++
			continue
		}
		values = append(values, *s.SystolicDrop)
		stems = append(stems, at(s.StartedAt, 0), at(s.StartedAt, *s.SystolicDrop), gap(s.StartedAt.Add(time.Minute)))
		marks = append(marks, b.mark(at(s.StartedAt, *s.SystolicDrop), s))
	}
	if len(marks) == 0 {
		p.Empty = text.Say("charts.drop-none")
		return p
	}
	if without > 0 {
		p.Notes = append(p.Notes, text.Say("charts.drop-without", without, len(b.digest.Sets)))
	}
	a := round(values, 4)
	c := b.base(a, text.Say("charts.alt-drawn", p.Title, len(marks)))
	lines := b.verticals(true)
	lines.Data = append(lines.Data, map[string]any{
		"yAxis": dropLine, "name": "threshold", "lineStyle": map[string]any{"color": "@ink", "type": "solid", "width": 1.5},
		"label": map[string]any{"show": true, "formatter": "20", "color": "@ink", "position": "insideStartTop"},
	})
	c.MultiSeries = append(c.MultiSeries,
		charts.SingleSeries{
			Name: "stems", Type: "line", Data: stems, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: "@soft", Width: 2}, MarkLines: lines,
		},
		charts.SingleSeries{Name: "systolic drop", Type: "scatter", Data: marks, SymbolSize: 10, ItemStyle: &opts.ItemStyle{Color: "@ink"}},
	)
	b.finish(p.ID, c, a)
	return p
}

// changeShapes are the marks of drug changes: up, down, off, by another route.
func changeShape(kind string) string {
	switch kind {
	case trends.Started, trends.Raised, trends.Resumed:
		return shapeUp
	case trends.Lowered:
		return shapeDown
	case trends.RouteChanged:
		return shapeSwap
	}
	return "rect"
}

// doses draws the ordered daily doses of each class, stacked.
func (b *builder) doses() Panel {
	p := Panel{
		ID: "dose", Title: text.Say("charts.dose"), Tall: "mid",
		Says: text.Say("charts.dose-says"),
		Legend: []Key{
			{"up", text.Say("charts.key-up")}, {"down", text.Say("charts.key-down")},
			{"off", text.Say("charts.key-off")}, {"swap", text.Say("charts.key-swap")},
		},
		Table: Table{Head: []string{text.Say("charts.head-from"), text.Say("charts.head-class"), text.Say("charts.head-ordered")}},
	}
	steps := trends.LoadSteps(b.chart, b.policy)
	if len(steps) == 0 {
		p.Empty = text.Say("charts.dose-none")
		return p
	}
	moments := b.doseMoments(steps)
	series := make([]charts.SingleSeries, 0, len(steps)+2)
	var unknown []point
	top := 1.0
	totals := map[int64]float64{}
	for n, g := range steps {
		data := make([]point, 0, len(moments))
		for _, t := range moments {
			v, _ := levelAt(g, t)
			data = append(data, at(t, v))
			totals[ms(t)] += v
			top = math.Max(top, totals[ms(t)])
		}
		unknown = append(unknown, b.unknownDoses(g, &p)...)
		p.Legend = append(p.Legend, Key{fmt.Sprintf("class%d", n%classColours), string(g.Group)})
		series = append(series, charts.SingleSeries{
			Name: string(g.Group), Type: "line", Data: data, Stack: "load", Step: "end", ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: fmt.Sprintf("@class%d", n%classColours), Width: 2},
			ItemStyle: &opts.ItemStyle{Color: fmt.Sprintf("@class%d", n%classColours)},
			AreaStyle: &opts.AreaStyle{Color: fmt.Sprintf("@class%d", n%classColours), Opacity: opts.Float(0.45)},
		})
		for _, pt := range g.Points {
			says := text.Say("charts.amount-unknown")
			if pt.DDD != nil {
				says = text.Figure(*pt.DDD)
				if *pt.DDD == 0 {
					says = text.Say("charts.off")
				}
			}
			p.Table.Rows = append(p.Table.Rows, []string{b.Time(pt.At), string(g.Group), says})
		}
	}
	b.readDoses(steps, moments)
	a := round([]float64{0, top * 1.4}, 4) // room above for the marks of changes
	if len(unknown) > 0 {
		p.Legend = append(p.Legend, Key{"unknown", text.Say("charts.on-unknown")})
		series = append(series, charts.SingleSeries{
			Name: text.Say("charts.on-unknown"), Type: "line", Data: unknown, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: "@ink", Width: 4, Type: "dotted"},
		})
	}
	c := b.base(a, text.Say("charts.alt", p.Title))
	c.ExtendYAxis(hidden())
	changes := b.changeMarks(&p)
	series[0].MarkLines = b.verticals(true)
	series = append(series, charts.SingleSeries{
		Name: "changes", Type: "scatter", YAxisIndex: 1, Data: changes, SymbolSize: 9, ItemStyle: &opts.ItemStyle{Color: "@drug"},
		LabelLayout: &opts.LabelLayout{HideOverlap: opts.Bool(true)},
	})
	c.MultiSeries = append(c.MultiSeries, series...)
	b.finish(p.ID, c, a)
	return p
}

// classColours is how many colours classes have; decals part them as well.
const classColours = 6

// doseMoments are the moments at which any class steps, from the start of the
// axis to the moment asked.
func (b *builder) doseMoments(steps []trends.GroupSteps) []time.Time {
	seen := map[int64]bool{}
	var out []time.Time
	add := func(t time.Time) {
		if t.Before(b.from) {
			t = b.from
		}
		if !seen[ms(t)] && !t.After(b.At) {
			seen[ms(t)] = true
			out = append(out, t)
		}
	}
	add(b.from)
	for _, g := range steps {
		for _, pt := range g.Points {
			add(pt.At)
		}
	}
	add(b.At)
	sortTimes(out)
	return out
}

// levelAt is the level of a class at t; an unknown amount is drawn apart.
func levelAt(g trends.GroupSteps, t time.Time) (ddd float64, known bool) {
	known = true
	for _, pt := range g.Points {
		if pt.At.After(t) {
			break
		}
		ddd, known = 0, pt.DDD != nil
		if known {
			ddd = *pt.DDD
		}
	}
	return ddd, known
}

// unknownDoses draws the times at which a class was on in an amount not known.
func (b *builder) unknownDoses(g trends.GroupSteps, p *Panel) []point {
	var out []point
	for n, pt := range g.Points {
		if pt.DDD != nil {
			continue
		}
		end := b.At
		if n+1 < len(g.Points) {
			end = g.Points[n+1].At
		}
		from := pt.At
		if from.Before(b.from) {
			from = b.from
		}
		out = append(out, at(from, 0.0), at(end, 0.0), gap(end.Add(time.Minute)))
		p.Notes = append(p.Notes, text.Say("charts.dose-unknown", g.Group, b.Time(pt.At), b.Time(end)))
	}
	return out
}

func (b *builder) readDoses(steps []trends.GroupSteps, moments []time.Time) {
	for _, t := range moments {
		var parts []string
		for _, g := range steps {
			ddd, known := levelAt(g, t)
			switch {
			case !known:
				parts = append(parts, text.Say("charts.class-unknown", g.Group))
			case ddd > 0:
				parts = append(parts, text.Say("charts.class-ddd", g.Group, text.Figure(ddd)))
			}
		}
		says := text.Say("charts.read-ordered", strings.Join(parts, ", "))
		if len(parts) == 0 {
			says = text.Say("charts.read-none-ordered")
		}
		b.data.Readout.Doses = append(b.data.Readout.Doses, At{ms(t), says})
	}
}

// longLabel is how many characters of a drug's name a drawing has room for.
const longLabel = 28

// changeRows is over how many rows the marks of changes are spread, so that
// their words stay apart.
const changeRows = 3

func (b *builder) changeMarks(p *Panel) []point {
	out := []point{}
	n := 0
	for _, c := range b.digest.Changes {
		if !c.Lowering {
			continue
		}
		side := "right"
		if b.to.Sub(c.At) < b.to.Sub(b.from)/3 {
			side = "left"
		}
		m := at(c.At, 0.95-0.11*float64(n%changeRows))
		m.Symbol, m.Size, m.Name = changeShape(c.Change), 9, text.Change(c)
		m.Style = map[string]any{"color": "@drug"}
		m.Label = map[string]any{
			"show": true, "formatter": text.Clip(c.Drug, longLabel) + " " + c.Change, "position": side, "color": "@ink",
			"fontSize": 12, "textBorderColor": "@paper", "textBorderWidth": 3,
		}
		out = append(out, m)
		n++
	}
	if n > 0 {
		p.Notes = append(p.Notes, text.Say("charts.dose-changes"))
	}
	return out
}

// fluids draws the net of each shift and the sum of them.
func (b *builder) fluids() Panel {
	p := Panel{
		ID: "fluid", Title: text.Say("charts.fluid"), Tall: "mid",
		Says:   text.Say("charts.fluid-says"),
		Legend: []Key{{"shift", text.Say("charts.key-shift")}, {"partial", text.Say("charts.key-partial")}, {"sum", text.Say("charts.head-sum")}},
		Table: Table{
			Head: []string{
				text.Say("charts.head-shift"), text.Say("charts.head-net"),
				text.Say("charts.head-both-charted"), text.Say("charts.head-sum"),
			},
		},
	}
	shifts := trends.ShiftBalances(b.chart, b.policy.Fluid, b.bounds)
	bars, sums := []point{}, []point{}
	total, partial, empty := 0.0, 0, 0
	values := []float64{0}
	for _, s := range shifts {
		row := []string{
			text.Say("charts.from-to", b.Time(s.From), b.Time(s.To)), text.Say("charts.not-charted"),
			text.Say("charts.hours-of", text.Figure(s.Hours), text.Figure(s.Window)), "–",
		}
		if s.NetML == nil {
			empty++
			p.Table.Rows = append(p.Table.Rows, row)
			b.data.Readout.Shifts = append(b.data.Readout.Shifts, Until{ms(s.From), ms(s.To), text.Say("charts.read-no-fluid")})
			continue
		}
		total += *s.NetML
		values = append(values, *s.NetML, total)
		row[1], row[3] = text.Say("charts.ml", text.Millilitres(*s.NetML)), text.Say("charts.ml", text.Millilitres(total))
		bar := at(b.middle(s), *s.NetML)
		bar.Style = map[string]any{"color": "@shift", "borderColor": "@shift", "borderWidth": 1, "decal": map[string]any{"symbol": "none"}}
		if !s.Usable {
			partial++
			row[1] = text.Say("charts.incomplete", row[1])
			bar.Style = map[string]any{
				"color": "@paper", "borderColor": "@shift", "borderWidth": 1.5, "borderType": "dashed",
				"decal": map[string]any{
					"symbol": "rect", "color": "@shift", "dashArrayX": []int{1, 0}, "dashArrayY": []int{2, 4},
					"rotation": -math.Pi / 4,
				},
			}
		}
		bars = append(bars, bar)
		sums = append(sums, at(s.To, total))
		p.Table.Rows = append(p.Table.Rows, row)
		b.data.Readout.Shifts = append(b.data.Readout.Shifts, Until{
			ms(s.From), ms(s.To),
			text.Say("charts.read-shift", b.Time(s.From), text.Balance(s.Balance), text.Signed(total)),
		})
	}
	if len(bars) == 0 {
		p.Empty = text.Say("charts.fluid-empty")
		return p
	}
	if partial > 0 {
		p.Notes = append(p.Notes, text.Say("charts.fluid-partial", partial, len(shifts)))
	}
	if empty > 0 {
		p.Notes = append(p.Notes, text.Say("charts.fluid-none", empty, len(shifts)))
	}
	a := round(values, 4)
	c := b.base(a, text.Say("charts.alt", p.Title))
	c.MultiSeries = append(c.MultiSeries,
		charts.SingleSeries{
			Name: "net", Type: "bar", Data: bars, BarCategoryGap: "25%", BarMaxWidth: "60", ItemStyle: &opts.ItemStyle{Color: "@shift"},
			MarkLines: b.verticals(false),
		},
		charts.SingleSeries{
			Name: "sum", Type: "line", Data: sums, Symbol: "diamond", SymbolSize: 6, ShowSymbol: opts.Bool(true),
			LineStyle: &opts.LineStyle{Color: "@ink", Width: 1.5}, ItemStyle: &opts.ItemStyle{Color: "@ink"},
		},
	)
	b.finish(p.ID, c, a)
	return p
}

// middle is where the bar of a shift stands: the middle of the whole shift, also
// where the stay began or the moment came within it, so that bars keep apart.
func (b *builder) middle(s trends.ShiftBalance) time.Time {
	for n := 0; n+1 < len(b.bounds); n++ {
		if !s.From.Before(b.bounds[n]) && s.From.Before(b.bounds[n+1]) {
			return b.bounds[n].Add(b.bounds[n+1].Sub(b.bounds[n]) / 2)
		}
	}
	return s.From.Add(s.To.Sub(s.From) / 2)
}

// leastWeights is the least span of the axis of weights, in kg.
const leastWeights = 4.0

// weights draws the body weight.
func (b *builder) weights() Panel {
	p := Panel{
		ID: "weight", Title: text.Say("charts.weight"), Tall: "low", Says: text.Say("charts.weight-says"),
		Table: Table{Head: []string{text.Say("charts.head-time"), text.Say("charts.head-weight")}},
	}
	points := []point{}
	var values []float64
	for _, r := range b.chart.Records {
		w, ok := r.Body.(clinical.Weight)
		if !ok || w.MeasuredAt.After(b.At) || w.MeasuredAt.Before(b.from) {
			continue
		}
		points = append(points, at(w.MeasuredAt, w.KG))
		values = append(values, w.KG)
		p.Table.Rows = append(p.Table.Rows, []string{b.Time(w.MeasuredAt), text.Say("charts.kg", text.Figure(w.KG))})
		b.data.Readout.Weights = append(b.data.Readout.Weights, At{ms(w.MeasuredAt), text.Say("charts.read-weight", text.Figure(w.KG))})
	}
	if len(points) == 0 {
		p.Empty = text.Say("charts.weight-none")
		return p
	}
	// Half a kilogram up and down must not look like a mountain.
	middle := (slices.Min(values) + slices.Max(values)) / 2
	a := round(append(values, middle-leastWeights/2, middle+leastWeights/2), 3)
	c := b.base(a, text.Say("charts.alt-weights", p.Title, len(points)))
	c.MultiSeries = append(c.MultiSeries, charts.SingleSeries{
		Name: "weight", Type: "line", Data: points, Symbol: "rect", SymbolSize: 7, ShowSymbol: opts.Bool(true),
		LineStyle: &opts.LineStyle{Color: "@weight", Width: 1.5, Type: "dashed"}, ItemStyle: &opts.ItemStyle{Color: "@weight"},
		MarkLines: b.verticals(false),
	})
	b.finish(p.ID, c, a)
	return p
}
