package charts

import (
	"fmt"
	"strings"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// lanesID is the panel of the doses; further panels, where a stay has many drugs, add a number.
const lanesID = "lanes"

// lanesPerPanel is how many drugs one panel holds: more would not fit a screen, nor a sheet.
const lanesPerPanel = 8

// Marks of dose records. A hollow one was not given.
const (
	doseMark     = "circle"
	asNeededMark = "diamond"
	patchMark    = "rect"
)

const patchRoute = string(clinical.Transdermal)

// lanes draws each dose record of the drugs that lower the pressure or contribute, a row
// for each drug, on the time axis of the sets.
func (b *builder) lanes() []Panel {
	all := trends.LanesOf(b.chart, b.At)
	if len(all) == 0 {
		return []Panel{{ID: lanesID, Title: text.Say("charts.lanes"), Empty: text.Say("charts.lanes-none")}}
	}
	var out []Panel
	for n := 0; n < len(all); n += lanesPerPanel {
		part := all[n:min(n+lanesPerPanel, len(all))]
		p := Panel{ID: lanesID, Title: text.Say("charts.lanes")}
		if len(all) > lanesPerPanel {
			p.Title = text.Say("charts.lanes-part", n+1, n+len(part), len(all))
		}
		if n > 0 {
			p.ID = fmt.Sprintf("%s-%d", lanesID, n/lanesPerPanel+1)
		}
		out = append(out, b.lanePanel(p, part))
	}
	return out
}

// laneMarks are the data of one panel of lanes.
type laneMarks struct {
	points []point // of dose records
	worn   []point // lines of patches
	patch  bool
	held   bool
	needed bool
}

func (b *builder) lanePanel(p Panel, lanes []trends.Lane) Panel {
	p.Tall, p.Says = fmt.Sprintf("lanes rows-%d", len(lanes)), text.Say("charts.lanes-says")
	p.Table.Head = []string{
		text.Say("charts.head-drug"), text.Say("charts.head-time"), text.Say("charts.head-amount"),
		text.Say("charts.head-record"),
	}
	var m laneMarks
	names := make([]string, 0, len(lanes))
	for n, l := range lanes {
		names = append(names, b.laneName(l))
		b.lane(&m, &p, l, n)
	}
	p.Legend = laneKeys(m)
	if m.patch {
		p.Notes = append(p.Notes, text.Say("charts.patch-note"))
	}
	a := axes{min: 0, max: float64(len(lanes) - 1), step: 1}
	c := b.base(a, text.Say("charts.alt-rows", p.Title, len(lanes)))
	lines := b.verticals(false)
	lines.Data = append(lines.Data, b.positives()...)
	c.MultiSeries = append(c.MultiSeries,
		charts.SingleSeries{
			Name: "worn", Type: "line", Data: m.worn, ShowSymbol: opts.Bool(false), Symbol: "none",
			LineStyle: &opts.LineStyle{Color: "@drug", Width: 5}, MarkLines: lines,
		},
		charts.SingleSeries{Name: "doses", Type: "scatter", Data: m.points, SymbolSize: 9, ItemStyle: &opts.ItemStyle{Color: "@drug"}},
	)
	b.finish(p.ID, c, a)
	b.nameRows(p.ID, names)
	return p
}

// laneName is the drug, and under it how its sets after a dose compare with the others
// (T-DOSE), where it lowers the pressure.
func (b *builder) laneName(l trends.Lane) string {
	name := text.Clip(text.Say("charts.lane-drug", l.Name, text.DrugClass(l.Substance)), laneLabel)
	if len(l.Doses) == 0 {
		return name + "\n" + text.Say("charts.lane-empty")
	}
	for _, d := range b.digest.Serial.Doses {
		hours := text.Figure(b.policy.Drugs.DoseEffectHours)
		switch {
		case !l.Lowering() || d.Drug != l.Name:
		case d.SetsAfter == 0:
			return name + "\n" + text.Say("charts.lane-no-set", hours, d.PositiveOtherwise, d.SetsOtherwise)
		default:
			return name + "\n" + text.Say(
				"charts.lane-sets", d.PositiveAfter, d.SetsAfter, hours, d.PositiveOtherwise, d.SetsOtherwise,
			)
		}
	}
	return name
}

// laneLabel is how many characters of a drug and its class a row has room for on a phone.
const laneLabel = 50

// lane draws the dose records of one drug on row n.
func (b *builder) lane(m *laneMarks, p *Panel, l trends.Lane, n int) {
	if len(l.Doses) == 0 {
		p.Table.Rows = append(p.Table.Rows, []string{l.Name, "–", "–", text.Say("charts.lane-empty")})
	}
	for _, d := range l.Doses {
		says := laneSays(d)
		if d.Worn != nil {
			m.patch = true
			if !d.Worn.Before(b.from) {
				m.worn = append(m.worn, at(later(d.At, b.from), n), at(*d.Worn, n), gap(*d.Worn))
			}
			says = append(says, text.Say("charts.worn", b.Time(*d.Worn)))
		}
		m.held, m.needed = m.held || !d.Given, m.needed || d.AsNeeded
		record := strings.Join(says, "; ")
		p.Table.Rows = append(p.Table.Rows, []string{l.Name, b.Time(d.At), text.DoseAmount(d), record})
		if d.At.Before(b.from) {
			continue
		}
		mark := at(d.At, n)
		mark.Symbol = doseMark
		switch {
		case d.Route == patchRoute:
			mark.Symbol = patchMark
		case d.AsNeeded:
			mark.Symbol, mark.Size = asNeededMark, 11
		}
		fill := "@drug"
		if !d.Given {
			fill = "@paper"
		}
		mark.Style = map[string]any{"color": fill, "borderColor": "@drug", "borderWidth": 2}
		m.points = append(m.points, mark)
		b.data.Points[p.ID] = append(b.data.Points[p.ID], At{
			ms(d.At), text.Say("charts.read-dose", l.Name, text.DoseAmount(d), record),
		})
	}
}

// laneSays says of a dose record whether it was given, and whether it was as-needed.
func laneSays(d trends.LaneDose) []string {
	out := []string{text.Say("charts.given")}
	if !d.Given {
		out[0] = text.Say("charts.not-given")
	}
	if d.AsNeeded {
		out = append(out, text.Say("charts.as-needed"))
	}
	return out
}

// laneKeys explain the marks that a panel has.
func laneKeys(m laneMarks) []Key {
	keys := []Key{{"dose-given", text.Say("charts.given")}}
	if m.held {
		keys = append(keys, Key{"dose-held", text.Say("charts.not-given")})
	}
	if m.needed {
		keys = append(keys, Key{"dose-needed", text.Say("charts.as-needed")})
	}
	if m.patch {
		keys = append(keys, Key{"dose-worn", text.Say("charts.key-worn")})
	}
	return append(keys, Key{"set-positive", text.Say("charts.key-positive")}, Key{"fall", text.Say("charts.fall")})
}

// positives are lines at the positive sets, through all rows.
func (b *builder) positives() []any {
	var out []any
	for _, s := range b.digest.Sets {
		if s.Finding == trends.Positive {
			out = append(out, map[string]any{
				"xAxis": ms(s.StartedAt), "name": "positive", "label": map[string]any{"show": false},
				"lineStyle": map[string]any{"color": "@positive", "type": []int{2, 3}, "width": 1.5},
			})
		}
	}
	return out
}
