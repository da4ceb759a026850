package parts

import (
	"cmp"
	"html/template"

	"plumbline/internal/drawing"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Drawn is a set as its figure, with the drops of the stay beside it.
type Drawn struct {
	Set   template.HTML
	Strip template.HTML // "" where the stay has one set alone
}

// DrawnOf draws a set of a stay, and the drops of the stay up to it.
func DrawnOf(d trends.Digest, set trends.Set) Drawn {
	past := func(s trends.Set) bool { return d.Overtaken(s) != nil }
	out := Drawn{Set: figure(drawing.Set(set, past(set), text.SetLine(d, set)))}
	var until []trends.Set
	for _, s := range d.Sets {
		if !s.StartedAt.After(set.StartedAt) {
			until = append(until, s)
		}
	}
	if len(until) > 1 {
		until = until[max(0, len(until)-drawing.MaxSets):]
		out.Strip = figure(drawing.Strip(until, past, text.Strip(until)))
	}
	return out
}

// figure is a drawing as it stands in a page: package drawing escapes the words in it.
func figure(svg string) template.HTML { return template.HTML(svg) }

// Found is a set in the line of a patient: its figure, its drops and its finding.
type Found struct {
	Drawn
	*SetLine
	Short   SetLine // the same, that tells what has overtaken the set without its time
	Figures string  // "36/12", mmHg; "" where no drop can be told
	Lasted  string  // when the drop came and whether it stayed
	Clock   string
}

// FoundOf is a set of a stay in the line of a patient.
func FoundOf(t frame.Times, d trends.Digest, set trends.Set) *Found {
	f := &Found{SetLine: SetLineOf(t, d, set), Clock: t.Short(set.StartedAt), Lasted: text.Lasted(set)}
	f.Drawn, f.SetLine.Drawn = f.SetLine.Drawn, Drawn{} // a row draws it once
	f.Short = *f.SetLine
	f.Short.Before = text.Overtaken(d, set)
	if why := cmp.Or(set.NoBaseline, set.NoUpright()); f.Lasted == "" && why != "" {
		f.Lasted = text.Word(string(why))
	}
	if set.SystolicDrop != nil || set.DiastolicDrop != nil {
		f.Figures = text.DropFigures(set)
	}
	return f
}
