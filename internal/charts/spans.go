package charts

import (
	"slices"
	"time"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// precautions draws each falls precaution as spans of the time in which it was in
// place, a row for each; one that is asked for and missing has its row too.
func (b *builder) precautions() Panel {
	p := Panel{
		ID: "precaution", Title: text.Say("charts.precaution"), Tall: "spans",
		Says:   text.Say("charts.precaution-says"),
		Legend: []Key{{"in-place", text.Say("charts.in-place")}, {"ended", text.Say("charts.ended")}, {"fall", text.Say("charts.fall")}},
		Table: Table{
			Head: []string{
				text.Say("charts.head-precaution"), text.Say("charts.head-from"), text.Say("charts.head-to"),
				text.Say("charts.head-in-place-for"),
			},
		},
	}
	if !b.policy.Precautions.InFeed {
		p.Empty = text.PrecautionsNotCarried
		return p
	}
	rows := b.spanRows()
	if len(rows) == 0 {
		p.Empty = text.Say("charts.precaution-none")
		return p
	}
	var bars, ends []point
	names := make([]string, 0, len(rows))
	for n, word := range rows {
		name := word
		if slices.Contains(b.missing, word) {
			name = text.Say("charts.row-missing", word)
			p.Table.Rows = append(p.Table.Rows, []string{word, "–", "–", text.Say("charts.missing-now")})
		}
		names = append(names, name)
		for _, f := range b.digest.Precautions {
			if f.What == word {
				b.span(f, n, &p, &bars, &ends)
			}
		}
	}
	if len(rows) > 6 {
		p.Tall += " many"
	}
	a := axes{min: 0, max: float64(len(rows) - 1), step: 1}
	c := b.base(a, text.Say("charts.alt-rows", p.Title, len(rows)))
	c.MultiSeries = append(c.MultiSeries,
		charts.SingleSeries{
			Name: "in place", Type: "line", Data: bars, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: "@shift", Width: 7}, MarkLines: b.verticals(false),
		},
		charts.SingleSeries{
			Name: "ended", Type: "scatter", Data: ends, Symbol: "rect", SymbolSize: []int{3, 15}, ItemStyle: &opts.ItemStyle{Color: "@shift"},
		},
	)
	b.finish(p.ID, c, a)
	b.nameRows(p.ID, names)
	return p
}

// spanRows are the precautions of the panel in the order of the rules: those ever in
// place, and those missing.
func (b *builder) spanRows() []string {
	return slices.DeleteFunc(slices.Clone(clinical.Precautions), func(word string) bool {
		return !slices.Contains(b.missing, word) &&
			!slices.ContainsFunc(b.digest.Precautions, func(f trends.PrecautionFact) bool { return f.What == word })
	})
}

// span draws one time in place on row n.
func (b *builder) span(f trends.PrecautionFact, n int, p *Panel, bars, ends *[]point) {
	from, to, until := later(f.From, b.from), b.At, text.Say("charts.still-in-place")
	if f.To != nil && !f.To.After(b.At) {
		to, until = *f.To, b.Time(*f.To)
		if !to.Before(from) {
			*ends = append(*ends, at(to, n))
		}
	}
	if !to.Before(from) {
		*bars = append(*bars, at(from, n), at(to, n), gap(to.Add(time.Minute)))
	}
	p.Table.Rows = append(p.Table.Rows, []string{f.What, b.Time(f.From), until, text.Span(to.Sub(f.From))})
	b.data.Readout.Spans = append(b.data.Readout.Spans, Until{ms(f.From), ms(to), f.What})
}

// nameRows writes the names of the rows into the panel, above their bars: beside it
// they would take room that no other panel has.
func (b *builder) nameRows(id string, names []string) {
	axis := b.data.Panels[id].(map[string]any)["yAxis"].([]any)[0].(map[string]any)
	delete(axis, "min")
	delete(axis, "max")
	delete(axis, "interval")
	axis["type"], axis["data"], axis["inverse"] = "category", names, true
	axis["axisTick"], axis["axisLine"] = map[string]any{"show": false}, map[string]any{"show": false}
	axis["splitLine"] = map[string]any{"show": false}
	axis["z"] = 10
	axis["axisLabel"] = map[string]any{
		"inside": true, "align": "left", "verticalAlign": "bottom", "margin": 4, "color": "@ink", "fontSize": 12, "interval": 0,
		"lineHeight": 14, "padding": []int{0, 0, 8, 0}, "textBorderColor": "@paper", "textBorderWidth": 3,
	}
}
