package charts

import (
	"fmt"
	"slices"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// labs draws the courses of the laboratory values that stand beside doses, each code and
// unit in a panel of its own, as charted: no bounds are drawn, for no rule has any.
func (b *builder) labs() []Panel {
	var out []Panel
	for n, course := range trends.LabsOf(b.chart, b.At) {
		out = append(out, b.lab(fmt.Sprintf("lab-%d", n+1), course))
	}
	if len(out) == 0 {
		return []Panel{{ID: "lab", Title: text.Say("charts.labs"), Empty: text.Say("charts.labs-none")}}
	}
	return out
}

func (b *builder) lab(id string, course trends.LabCourse) Panel {
	unit := course.Unit
	if unit == "" {
		unit = text.Say("charts.no-unit")
	}
	p := Panel{
		ID: id, Title: text.Say("charts.lab", text.Labs[course.LOINC], unit), Tall: "low", Says: text.Say("charts.lab-says", course.LOINC),
		Table: Table{Head: []string{text.Say("charts.head-time"), text.Say("charts.head-value")}},
	}
	var points []point
	var values []float64
	for _, v := range course.Values {
		says := text.Exact(v.Value)
		if course.Unit != "" {
			says = text.Say("charts.amount", says, course.Unit)
		}
		p.Table.Rows = append(p.Table.Rows, []string{b.Time(v.At), says})
		if v.At.Before(b.from) {
			continue
		}
		points, values = append(points, at(v.At, v.Value)), append(values, v.Value)
		b.data.Points[id] = append(b.data.Points[id], At{ms(v.At), text.Say("charts.read-lab", text.Labs[course.LOINC], says)})
	}
	if len(points) == 0 {
		p.Notes = append(p.Notes, text.Say("charts.lab-before"))
		points, values = []point{}, []float64{course.Values[0].Value}
	}
	// A small change must not look like a mountain: the axis spans a fifth of the value at least.
	middle := (slices.Min(values) + slices.Max(values)) / 2
	a := round(append(values, middle*0.9, middle*1.1), 3)
	c := b.base(a, text.Say("charts.alt-values", p.Title, len(points)))
	c.MultiSeries = append(c.MultiSeries, charts.SingleSeries{
		Name: course.LOINC, Type: "line", Data: points, Symbol: "circle", SymbolSize: 7, ShowSymbol: opts.Bool(true),
		LineStyle: &opts.LineStyle{Color: "@weight", Width: 1.5, Type: "dashed"}, ItemStyle: &opts.ItemStyle{Color: "@weight"},
		MarkLines: b.verticals(true),
	})
	b.finish(p.ID, c, a)
	return p
}
