// Package charts builds the charts of a stay: their options in Go, a table of
// the same figures for each, and what the static script needs to draw them. All
// panels share one time axis.
//
// Options are data, so what JSON cannot carry is named in them and resolved by
// the script: "@ink" is a colour of the style sheet, "@clock" a formatter.
package charts

import (
	"slices"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// StayCharts is the charts of one stay.
type StayCharts struct {
	Panels []Panel
	Data   Data // for the script
}

// Panel is one chart with its words and its table.
type Panel struct {
	ID     string
	Title  string
	Says   string // what it shows, also for those who do not see it
	Empty  string // said in place of the chart where there is nothing to draw
	Tall   string // height class
	Legend []Key
	Notes  []string
	Table  Table
}

// Key explains one mark of a panel.
type Key struct{ Mark, Words string }

// Table holds the figures of a panel.
type Table struct {
	Head []string
	Rows [][]string
}

// Data is what the script draws. Times are milliseconds since 1970.
type Data struct {
	Zone      string         `json:"zone"`
	Midnights []int64        `json:"midnights"` // of the site's zone, around the axis
	From      int64          `json:"from"`
	To        int64          `json:"to"`
	AsOf      int64          `json:"asOf"`
	Panels    map[string]any `json:"panels"`
	Readout   Readout        `json:"readout"`

	Words map[string]string `json:"words"` // that the script writes

	// Points are the sentences of the points of a panel that has its own, by panel.
	Points map[string][]At `json:"points"`

	// Stops are the moments of each panel at which the arrow keys stop, in order.
	Stops map[string][]int64 `json:"stops"`
}

// Readout is what a pointer at a moment reads off all panels: each sentence
// tells its own time.
type Readout struct {
	Sets    []At    `json:"sets"`    // the nearest counts
	Weights []At    `json:"weights"` // the latest counts
	Doses   []At    `json:"doses"`   // the latest counts: the dose in force
	Shifts  []Until `json:"shifts"`  // the one around the pointer counts
	Marks   []At    `json:"marks"`   // falls and drug changes; the nearest counts
	Spans   []Until `json:"spans"`   // falls precautions; all that hold count
}

// At is a sentence for a moment.
type At struct {
	T    int64  `json:"t"`
	Text string `json:"text"`
}

// Until is a sentence for a time.
type Until struct {
	From int64  `json:"from"`
	To   int64  `json:"to"`
	Text string `json:"text"`
}

// builder holds what every panel draws on.
type builder struct {
	text.Catalogue
	chart    clinical.Chart
	digest   trends.Digest
	missing  []string // falls precautions asked for and not in place
	policy   clinical.Policy
	from, to time.Time // the shared axis
	bounds   []time.Time
	data     Data
}

// Of builds the charts of a stay.
func Of(view assess.StayView, p clinical.Policy, c text.Catalogue) StayCharts {
	b := builderOf(view, p, c)
	panels := []Panel{b.pressures(), b.drops(), b.doses()}
	return b.done(append(append(panels, b.lanes()...), b.fluids(), b.weights(), b.precautions()))
}

// OfDoses builds the charts that stand beside a review of doses: the drops, under them each
// dose on the same time axis, and the laboratory values.
func OfDoses(view assess.StayView, p clinical.Policy, c text.Catalogue) StayCharts {
	b := builderOf(view, p, c)
	return b.done(slices.Concat([]Panel{b.drops()}, b.lanes(), b.labs()))
}

func builderOf(view assess.StayView, p clinical.Policy, c text.Catalogue) *builder {
	b := &builder{Catalogue: c, chart: view.Chart, digest: view.Assessment.Digest, policy: p}
	if !view.Assessment.Died() {
		b.missing = view.Assessment.Precautions.Missing
	}
	b.layAxis()
	b.data = Data{
		Zone: c.Zone.String(), From: ms(b.from), To: ms(b.to), AsOf: ms(c.At), Panels: map[string]any{},
		Points: map[string][]At{}, Stops: map[string][]int64{}, Words: scriptWords(),
		Readout: Readout{Sets: []At{}, Weights: []At{}, Doses: []At{}, Shifts: []Until{}, Marks: []At{}, Spans: []Until{}},
	}
	b.data.Midnights = midnights(b.from, b.to, c.Zone)
	b.readSets()
	b.readMarks()
	return b
}

// done is the charts, once every panel of them is built.
func (b *builder) done(panels []Panel) StayCharts {
	b.layStops()
	b.data.holdTexts()
	return StayCharts{Panels: panels, Data: b.data}
}

// margin is what the axis leaves free at either end.
const margin = time.Hour

// layAxis spans the axis from the shift of admission, or of a set before it, to the
// end of the shift in force.
func (b *builder) layAxis() {
	b.from, b.to = b.chart.Stay.AdmittedAt, b.At
	for _, s := range b.digest.Sets {
		if s.StartedAt.Before(b.from) {
			b.from = s.StartedAt
		}
	}
	b.bounds = trends.Shifts(b.from, b.to, b.policy.Unit, b.Zone)
	if n := len(b.bounds); n > 0 { // whole shifts, so that the bars of both ends stand within
		b.from, b.to = earlier(b.from, b.bounds[0]), later(b.to, b.bounds[n-1])
	}
	b.from, b.to = b.from.Add(-margin), b.to.Add(margin)
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func midnights(from, to time.Time, zone *time.Location) []int64 {
	out := []int64{}
	local := from.In(zone)
	for day := 0; ; day++ {
		at := clinical.DayStart(local.Year(), local.Month(), local.Day()+day, zone)
		out = append(out, ms(at))
		if at.After(to) {
			return out
		}
	}
}

func ms(t time.Time) int64 { return t.UnixMilli() }

func (b *builder) readSets() {
	for _, s := range b.digest.Sets {
		b.data.Readout.Sets = append(b.data.Readout.Sets, At{ms(s.StartedAt), text.SetLine(b.digest, s)})
	}
}

func (b *builder) readMarks() {
	for _, f := range b.digest.Falls {
		b.data.Readout.Marks = append(b.data.Readout.Marks, At{ms(f.At), text.Say("charts.read-fall", text.Injury(f.Injury))})
	}
	for _, c := range b.digest.Changes {
		b.data.Readout.Marks = append(b.data.Readout.Marks, At{ms(c.At), text.Change(c)})
	}
}

// layStops lists where the arrow keys stop in each panel that is drawn: at each of
// its own points, and at each fall.
func (b *builder) layStops() {
	r := b.data.Readout
	var sets, doses, shifts, weights, spans, changes, falls []int64
	for _, s := range r.Sets {
		sets = append(sets, s.T)
	}
	for _, d := range r.Doses {
		doses = append(doses, d.T)
	}
	for _, s := range r.Shifts {
		shifts = append(shifts, s.From+(s.To-s.From)/2)
	}
	for _, w := range r.Weights {
		weights = append(weights, w.T)
	}
	for _, s := range r.Spans {
		spans = append(spans, s.From, s.To)
	}
	for _, c := range b.digest.Changes {
		changes = append(changes, ms(c.At))
	}
	for _, f := range b.digest.Falls {
		falls = append(falls, ms(f.At))
	}
	stops := map[string][]int64{
		"pressure": slices.Concat(sets, changes), "drop": slices.Concat(sets, changes), "dose": slices.Concat(doses, changes),
		"fluid": shifts, "weight": weights, "precaution": spans,
	}
	for panel, points := range b.data.Points {
		for _, p := range points {
			stops[panel] = append(stops[panel], p.T)
		}
	}
	for panel, own := range stops {
		if _, drawn := b.data.Panels[panel]; drawn {
			b.data.Stops[panel] = within(slices.Concat(own, falls), b.data.From, b.data.To)
		}
	}
}

// scriptWords are the words of what a pointer or the arrow keys read.
func scriptWords() map[string]string {
	return map[string]string{
		"set": text.Say("stay.read-set"), "spans": text.Say("stay.read-spans"),
		"none": text.Say("stay.none-charted"), "place": text.Say("stay.read-place"),
	}
}

// within sorts moments, each once, and leaves out those beyond the axis.
func within(times []int64, from, to int64) []int64 {
	times = slices.DeleteFunc(times, func(t int64) bool { return t < from || t > to })
	slices.Sort(times)
	return slices.Compact(times)
}
