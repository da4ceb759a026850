package charts

import (
	"encoding/json"
	"slices"
	"time"

	"github.com/go-echarts/go-echarts/v2/charts"
	"github.com/go-echarts/go-echarts/v2/opts"

	"plumbline/internal/text"
)

// point is a data point with marks of its own.
type point struct {
	Value  [2]any         `json:"value"`
	Name   string         `json:"name,omitempty"`
	Symbol string         `json:"symbol,omitempty"`
	Size   any            `json:"symbolSize,omitempty"`
	Style  map[string]any `json:"itemStyle,omitempty"`
	Label  map[string]any `json:"label,omitempty"`
	Turn   int            `json:"symbolRotate,omitempty"`
}

func at(t time.Time, v any) point { return point{Value: [2]any{ms(t), v}} }

// gap parts the pieces of a line.
func gap(t time.Time) point { return at(t, nil) }

// Shapes of the marks. They are ours, and each has its words in the legend.
const (
	shapeDown  = "path://M0 0H10L5 9Z"
	shapeUp    = "path://M0 9H10L5 0Z"
	shapeCross = "path://M1 0L5 4L9 0L10 1L6 5L10 9L9 10L5 6L1 10L0 9L4 5L0 1Z"
	shapeSwap  = "path://M0 2H7V0L11 3.5L7 7V5H0ZM11 9H4V7L0 10.5L4 14V12H11Z"
)

// axes are the options that all panels share.
type axes struct {
	min, max, step float64 // of the value axis
	slider         bool
}

// base makes a chart on the shared time axis.
func (b *builder) base(a axes, describe string) *charts.Line {
	c := charts.NewLine()
	zoom := []opts.DataZoom{{Type: "inside", XAxisIndex: 0, FilterMode: "none"}}
	if a.slider {
		zoom = append(zoom, opts.DataZoom{Type: "slider", XAxisIndex: 0, FilterMode: "none", LabelFormatter: "@moment"})
	}
	c.SetGlobalOptions(
		charts.WithAnimation(false),
		charts.WithLegendOpts(opts.Legend{Show: opts.Bool(false)}),
		charts.WithTooltipOpts(opts.Tooltip{Show: opts.Bool(true), Trigger: "axis", Formatter: "@readout"}),
		charts.WithXAxisOpts(opts.XAxis{
			Type: "time", Min: ms(b.from), Max: ms(b.to),
			AxisLabel: &opts.AxisLabel{Formatter: "@clock", HideOverlap: opts.Bool(true), Color: "@soft", FontSize: 12},
			SplitLine: &opts.SplitLine{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: "@grid"}},
			AxisLine:  &opts.AxisLine{LineStyle: &opts.LineStyle{Color: "@soft"}},
		}),
		charts.WithYAxisOpts(opts.YAxis{
			Type: "value", Min: a.min, Max: a.max,
			AxisLabel: &opts.AxisLabel{Color: "@soft", FontSize: 12},
			SplitLine: &opts.SplitLine{Show: opts.Bool(true), LineStyle: &opts.LineStyle{Color: "@grid"}},
		}),
		charts.WithDataZoomOpts(zoom...),
		charts.WithAriaOpts(&opts.Aria{
			Enabled: opts.Bool(true), Label: &opts.AriaLabel{Description: describe}, Decal: &opts.AriaDecal{Show: opts.Bool(true)},
		}),
	)
	return c
}

// hidden is a second value axis from 0 to 1, for marks that have no value.
func hidden() opts.YAxis {
	return opts.YAxis{Type: "value", Min: 0, Max: 1, Show: opts.Bool(false)}
}

// plainOptions checks a chart and gives its options, without the parts that are not
// used and with what the library has no field for: the room around the panel, steps of
// the value axis, and the look of the tooltip.
func plainOptions(c *charts.Line, a axes, grid, pointer map[string]any, unused ...string) map[string]any {
	c.Validate()
	raw, err := json.Marshal(c.JSON())
	if err != nil {
		panic(err) // plain data of our own making
	}
	o := map[string]any{}
	if err := json.Unmarshal(raw, &o); err != nil {
		panic(err)
	}
	for _, name := range append(unused, "title", "toolbox", "color") { // the series name their own colours
		delete(o, name)
	}
	grid["outerBoundsMode"] = "none"
	o["grid"] = grid
	for _, axis := range []string{"xAxis", "yAxis"} {
		list, _ := o[axis].([]any)
		for _, one := range list {
			one.(map[string]any)["containShape"] = false // bars would shift their panel against the others
		}
	}
	if values, _ := o["yAxis"].([]any); len(values) > 0 {
		values[0].(map[string]any)["interval"] = a.step
	}
	pointer["type"], pointer["lineStyle"] = "line", map[string]any{"color": "@ink", "type": "dashed"}
	tooltip, _ := o["tooltip"].(map[string]any)
	tooltip["className"], tooltip["transitionDuration"], tooltip["confine"] = "readout", 0, true
	tooltip["backgroundColor"], tooltip["borderColor"] = "@paper", "@soft"
	tooltip["textStyle"] = map[string]any{"color": "@ink", "fontSize": 13}
	tooltip["axisPointer"] = pointer
	return o
}

// finish keeps the options of a panel of the stay for the script.
func (b *builder) finish(id string, c *charts.Line, a axes) {
	bottom := 26
	if a.slider {
		bottom = 64
	}
	// All panels keep the same width, whatever their labels.
	o := plainOptions(c, a, map[string]any{"left": 54, "right": 16, "top": 28, "bottom": bottom}, map[string]any{"snap": true})
	zooms, _ := o["dataZoom"].([]any)
	for _, one := range zooms {
		patchZoom(one.(map[string]any))
	}
	b.data.Panels[id] = o
}

// patchZoom leaves the wheel and the finger to the page: a chart must not catch
// someone who scrolls past it.
func patchZoom(z map[string]any) {
	if z["type"] == "inside" {
		z["zoomOnMouseWheel"], z["moveOnMouseMove"], z["moveOnMouseWheel"] = "ctrl", false, false
		z["preventDefaultMouseMove"] = false
		return
	}
	z["left"], z["right"], z["bottom"], z["height"] = 54, 16, 6, 22
	z["showDetail"], z["brushSelect"], z["showDataShadow"] = false, false, false
	z["borderColor"], z["fillerColor"] = "@soft", "@veil"
	z["handleStyle"] = map[string]any{"color": "@paper", "borderColor": "@ink"}
	z["moveHandleStyle"] = map[string]any{"color": "@soft"}
	z["moveHandleSize"] = 5
}

// verticals draws falls, drug changes and the moment itself across a panel.
func (b *builder) verticals(changes bool) *opts.MarkLines {
	m := &opts.MarkLines{Data: []any{map[string]any{
		"xAxis": ms(b.At), "name": "moment", "label": map[string]any{"show": false},
		"lineStyle": map[string]any{"color": "@soft", "type": "dotted", "width": 1},
	}}}
	m.Symbol = []string{"none", "none"}
	for _, f := range b.digest.Falls {
		m.Data = append(m.Data, map[string]any{
			"xAxis": ms(f.At), "name": "fall", "lineStyle": map[string]any{"color": "@ink", "type": "solid", "width": 2},
			"label": map[string]any{
				"show": true, "formatter": text.Say("charts.fall"), "color": "@ink", "fontWeight": "bold",
				"position": "end", "distance": 2,
			},
		})
	}
	for _, c := range b.digest.Changes {
		if changes && c.Lowering {
			m.Data = append(m.Data, map[string]any{
				"xAxis": ms(c.At), "name": "change", "label": map[string]any{"show": false},
				"lineStyle": map[string]any{"color": "@drug", "type": "dashed", "width": 1},
			})
		}
	}
	return m
}

func sortTimes(times []time.Time) { slices.SortFunc(times, time.Time.Compare) }
