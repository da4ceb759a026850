package charts

import (
	"fmt"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// on is a data point at a place of a category axis.
func on(n int, v any) point { return point{Value: [2]any{n, v}} }

// numberOr is a value, or null where there is none: a gap.
func numberOr(v *float64) any {
	if v == nil {
		return nil
	}
	return *v
}

// control draws a control chart: values, centre, limits or intervals and, numbered, what the run
// rules mark.
func (b *unitBuilder) control(p UnitPanel, places []place, numbers []int, a axes, withInterval bool) UnitDrawing {
	var value, spans, signals []point
	for n, at := range places {
		value = append(value, on(n, numberOr(at.value)))
		if withInterval && at.low != nil && at.high != nil {
			spans = append(spans, on(n, *at.low), on(n, *at.high), on(n, nil))
		}
		if numbers[n] > 0 {
			m, side := on(n, *at.value), "top"
			if withInterval { // beside it, not on it
				side = "left"
			}
			m.Label = map[string]any{
				"show": true, "formatter": fmt.Sprint(numbers[n]), "position": side, "distance": 3,
				"color": "@now", "fontWeight": "bold", "fontSize": 13, "backgroundColor": "@paper",
				"padding": 1,
			}
			signals = append(signals, m)
		}
	}
	c := b.base(p.Title, a)
	line := func(name, color, kind string, width float32, data []point) charts.SingleSeries {
		return charts.SingleSeries{
			Name: name, Type: "line", Data: data, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: color, Width: width, Type: kind}, ItemStyle: &opts.ItemStyle{Color: color},
		}
	}
	step := func(name string, data []point) charts.SingleSeries {
		s := line(name, "@soft", "dashed", 1.5, data)
		s.Step = "middle"
		return s
	}
	if len(spans) > 0 {
		c.MultiSeries = append(c.MultiSeries, line("interval", "@diastolic", "solid", 3, spans))
	}
	values := line("value", "@systolic", "solid", 2, value)
	values.ShowSymbol, values.Symbol, values.SymbolSize = opts.Bool(true), "circle", 7
	for _, phase := range b.phases(places) { // each its own line: none leads from one centre to the next
		if !withInterval {
			c.MultiSeries = append(c.MultiSeries, step("upper", phase.upper), step("lower", phase.lower))
		}
		c.MultiSeries = append(c.MultiSeries, line("centre", "@ink", "solid", 1, phase.centre))
	}
	c.MultiSeries = append(c.MultiSeries, values)
	if len(signals) > 0 {
		c.MultiSeries = append(c.MultiSeries, charts.SingleSeries{
			Name: "signal", Type: "scatter", Data: signals, Symbol: "circle", SymbolSize: 17,
			ItemStyle: &opts.ItemStyle{Color: "transparent", BorderColor: "@now", BorderWidth: 2},
		})
	}
	reads := make([][]string, len(places))
	for n, at := range places {
		reads[n] = read(at)
	}
	o := finishUnit(c, shorts(places), a)
	for _, one := range o["series"].([]any) {
		if s := one.(map[string]any); s["name"] == "value" {
			s["showAllSymbol"] = true // also where labels of the axis are left out
			if changes := b.changesAt(places); len(changes) > 0 {
				s["markLine"] = map[string]any{
					"symbol": "none", "silent": true, "data": changes,
					"label":     map[string]any{"formatter": "{b}", "color": "@ink", "fontWeight": "bold", "fontSize": 12},
					"lineStyle": map[string]any{"color": "@soft", "type": "dotted", "width": 1.5},
				}
			}
		}
	}
	return UnitDrawing{Option: o, Reads: reads}
}

// phase is the centre and the limits over the places of one phase.
type phase struct{ centre, upper, lower []point }

func (b *unitBuilder) phases(places []place) (out []phase) {
	begun := -1
	for n, at := range places {
		count := 0
		for _, c := range b.Changes {
			if c.Anew && !at.from.IsZero() && !c.From.After(at.from) {
				count++
			}
		}
		if count != begun || n == 0 {
			out, begun = append(out, phase{}), count
		}
		p := &out[len(out)-1]
		p.centre = append(p.centre, on(n, numberOr(at.point.Center)))
		p.upper = append(p.upper, on(n, numberOr(at.point.Upper)))
		p.lower = append(p.lower, on(n, numberOr(at.point.Lower)))
	}
	return out
}

// changesAt are the signs of what was changed, each at the period of its day. Of several in one period the signs
// stand together.
func (b *unitBuilder) changesAt(places []place) (out []any) {
	for n, at := range places {
		signs := ""
		for _, c := range b.Changes {
			if c.From.Before(at.to) && !c.From.Before(at.from) {
				signs += c.Sign
			}
		}
		if signs != "" {
			out = append(out, map[string]any{"xAxis": n, "name": signs})
		}
	}
	return out
}

func shorts(places []place) []string {
	out := make([]string, len(places))
	for n, p := range places {
		out[n] = p.short
	}
	return out
}

// read is what a pointer reads off a place.
func read(p place) []string {
	if p.value == nil {
		return []string{p.name, text.Say("overtime.missing")}
	}
	out := []string{p.name, p.says}
	if p.point.Center != nil && p.point.Upper != nil && p.point.Lower != nil {
		out = append(out, text.Say("overtime.read-limits", *p.point.Center, *p.point.Lower, *p.point.Upper))
	}
	return out
}

// base makes a chart over places.
func (b *unitBuilder) base(title string, a axes) *charts.Line {
	c := charts.NewLine()
	c.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(false)}),
		charts.WithTooltipOpts(opts.Tooltip{Show: opts.Bool(true), Trigger: "axis", Formatter: "@read"}),
		charts.WithXAxisOpts(opts.XAxis{
			Type:      "category",
			AxisLabel: &opts.AxisLabel{HideOverlap: opts.Bool(true), Color: "@soft", FontSize: 12},
			AxisLine:  &opts.AxisLine{LineStyle: &opts.LineStyle{Color: "@soft"}},
		}),
		charts.WithYAxisOpts(opts.YAxis{
			Type: "value", Min: a.min, Max: a.max,
			AxisLabel: &opts.AxisLabel{Color: "@soft", FontSize: 12},
			SplitLine: &opts.SplitLine{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: "@grid"}},
		}),
		charts.WithAriaOpts(&opts.Aria{
			Enabled: opts.Bool(true), Label: &opts.AriaLabel{Description: text.Say("overtime.aria", title)},
			Decal: &opts.AriaDecal{Show: opts.Bool(true)},
		}),
	)
	return c
}

// finishUnit gives the options of a panel of the unit: periods in place of times.
func finishUnit(c *charts.Line, labels []string, a axes) map[string]any {
	o := plainOptions(c, a, map[string]any{"left": 40, "right": 12, "top": 22, "bottom": 26}, map[string]any{}, "dataZoom")
	if x, _ := o["xAxis"].([]any); len(x) > 0 {
		x[0].(map[string]any)["data"] = labels
		x[0].(map[string]any)["axisTick"] = map[string]any{"alignWithLabel": true, "lineStyle": map[string]any{"color": "@soft"}}
	}
	return o
}

// hatch and dots are the patterns of bars, so that no colour is needed.
var (
	plainBar = map[string]any{"symbol": "none"}
	hatchBar = map[string]any{"symbol": "rect", "color": "@ink", "dashArrayX": []int{1, 0}, "dashArrayY": []int{2, 5}, "rotation": -0.785}
)

// stackGrades puts the shares of the grades under the chart of quality, as bars from
// complete at the bottom to unusable at the top.
func (b *unitBuilder) stackGrades() {
	d, ok := b.charts.Data.Panels["quality"]
	if !ok {
		return
	}
	bars := func(grade, color string, decal map[string]any) map[string]any {
		data := []any{}
		for _, u := range b.Figures.Periods {
			if u.Sets == 0 {
				data = append(data, nil)
				continue
			}
			data = append(data, hundred*float64(u.Grades[grade])/float64(u.Sets))
		}
		return map[string]any{
			"name": grade, "type": "bar", "stack": "grades", "data": data, "barWidth": "60%", "silent": true, "z": 1,
			"itemStyle": map[string]any{"color": color, "borderColor": "@soft", "borderWidth": 1, "decal": decal},
		}
	}
	series, _ := d.Option["series"].([]any)
	d.Option["series"] = append([]any{
		bars(trends.Complete, "@veil", plainBar), bars(trends.Usable, "@paper", hatchBar), bars(trends.Unusable, "@paper", plainBar),
	}, series...)
	last := &b.charts.Panels[len(b.charts.Panels)-1]
	last.Legend = append(last.Legend, Key{"ot-complete", text.Say("overtime.key-complete")},
		Key{"ot-usable", text.Say("overtime.key-usable")}, Key{"ot-unusable", text.Say("overtime.key-unusable")})
}

// digits draws how often each last digit of the systolic pressures was charted.
func (b *unitBuilder) digits() {
	f := b.Figures
	p := UnitPanel{Panel: Panel{
		ID: "digits", Title: text.Say("overtime.digits"), Says: text.Say("overtime.digits-says"),
		Table: Table{Head: []string{text.Say("overtime.col-digit"), text.Say("overtime.col-pressures"), text.Say("overtime.col-share")}},
	}}
	total := 0
	for _, n := range f.Digits {
		total += n
	}
	if total == 0 {
		p.Empty = text.Say("overtime.nothing")
		b.charts.Panels = append(b.charts.Panels, p)
		return
	}
	bars, labels, reads := []any{}, []string{}, [][]string{}
	values := []float64{0, 20}
	for digit, n := range f.Digits {
		percent := hundred * float64(n) / float64(total)
		values = append(values, percent)
		bars = append(bars, percent)
		labels = append(labels, fmt.Sprint(digit))
		reads = append(reads, []string{text.Say("overtime.digits-one", digit), fmt.Sprintf("%d of %d, %.1f %%", n, total, percent)})
		p.Table.Rows = append(p.Table.Rows, []string{fmt.Sprint(digit), fmt.Sprint(n), fmt.Sprintf("%.1f %%", percent)})
	}
	if f.ChiP != nil {
		p.Notes = append(p.Notes, text.Say("overtime.digits-test", text.P(*f.ChiP)))
	}
	p.Legend = []Key{{"ot-bar", text.Say("overtime.key-digit")}, {"ot-limit", text.Say("overtime.key-expected")}}
	a := round(values, 4)
	a.min = 0
	c := b.base(p.Title, a)
	o := finishUnit(c, labels, a)
	o["series"] = []any{map[string]any{
		"name": "share", "type": "bar", "data": bars, "barWidth": "60%",
		"itemStyle": map[string]any{"color": "@shift", "decal": plainBar},
		"markLine": map[string]any{
			"symbol": "none", "silent": true, "label": map[string]any{"show": false},
			"lineStyle": map[string]any{"color": "@ink", "type": "dashed", "width": 1.5},
			"data":      []any{map[string]any{"yAxis": 10}},
		},
	}}
	b.charts.Data.Panels[p.ID] = UnitDrawing{Option: o, Reads: reads}
	b.charts.Panels = append(b.charts.Panels, p)
}
