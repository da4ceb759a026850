package charts

import (
	"maps"
	"slices"

	"plumbline/internal/text"
)

// longReadout is how many characters of a sentence the box of a pointer shows.
const longReadout = 300

// holdTexts isolates what is written from right to left in everything that the script
// draws or writes, for no element of the page holds it, and bounds what a pointer reads off.
func (d *Data) holdTexts() {
	for id, options := range d.Panels {
		d.Panels[id] = held(options)
	}
	r := &d.Readout
	for _, list := range slices.AppendSeq([][]At{r.Sets, r.Weights, r.Doses, r.Marks}, maps.Values(d.Points)) {
		for n := range list {
			list[n].Text = readout(list[n].Text)
		}
	}
	for _, list := range [][]Until{r.Shifts, r.Spans} {
		for n := range list {
			list[n].Text = readout(list[n].Text)
		}
	}
}

func readout(sentence string) string { return text.Plain(text.Clip(sentence, longReadout)) }

// held is text.Plain for every text of some options, as JSON has them.
func held(v any) any {
	switch v := v.(type) {
	case string:
		return text.Plain(v)
	case []string:
		for n, s := range v {
			v[n] = text.Plain(s)
		}
	case []any:
		for n, e := range v {
			v[n] = held(e)
		}
	case map[string]any:
		for key, e := range v {
			v[key] = held(e)
		}
	}
	return v
}
