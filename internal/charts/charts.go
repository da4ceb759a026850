// Package charts builds the charts of a stay: their options in Go, a table of
// the same figures for each, and what the static script needs to draw them. All
// panels share one time axis.
//
// Options are data, so what JSON cannot carry is named in them and resolved by
// the script: "@ink" is a colour of the style sheet, "@clock" a formatter.
package charts

import (
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// Board is the charts of one stay.
type Board struct {
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
}

// Readout is what a pointer at a moment reads off all panels: each sentence
// tells its own time.
type Readout struct {
	Sets    []At    `json:"sets"`    // the nearest counts
	Weights []At    `json:"weights"` // the latest counts
	Doses   []At    `json:"doses"`   // the latest counts: the dose in force
	Shifts  []Until `json:"shifts"`  // the one around the pointer counts
	Marks   []At    `json:"marks"`   // falls and drug changes; the nearest counts
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
	policy   clinical.Policy
	from, to time.Time // the shared axis
	bounds   []time.Time
	data     Data
}

// Of builds the charts of a stay.
func Of(view assess.StayView, p clinical.Policy, c text.Catalogue) Board {
	b := &builder{Catalogue: c, chart: view.Chart, digest: view.Assessment.Digest, policy: p}
	b.layAxis()
	b.data = Data{
		Zone: c.Zone.String(), From: ms(b.from), To: ms(b.to), AsOf: ms(c.At), Panels: map[string]any{},
		Readout: Readout{Sets: []At{}, Weights: []At{}, Doses: []At{}, Shifts: []Until{}, Marks: []At{}},
	}
	b.data.Midnights = midnights(b.from, b.to, c.Zone)
	b.readSets()
	b.readMarks()
	panels := []Panel{b.pressures(), b.drops(), b.doses(), b.fluids(), b.weights()}
	return Board{Panels: panels, Data: b.data}
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
		b.data.Readout.Sets = append(b.data.Readout.Sets, At{ms(s.StartedAt), text.SetLine(s)})
	}
}

func (b *builder) readMarks() {
	for _, f := range b.digest.Falls {
		b.data.Readout.Marks = append(b.data.Readout.Marks, At{ms(f.At), "fall, " + text.Injury(f.Injury)})
	}
	for _, c := range b.digest.Changes {
		b.data.Readout.Marks = append(b.data.Readout.Marks, At{ms(c.At), text.Change(c)})
	}
}
