package parts

import (
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

type Labelled struct{ Name, Text string }

type CauseView struct {
	Name, Evidence string
	Facts          string
}

// CausesOf are the possible causes of a drop with their evidence, in their order.
func CausesOf(causes []trends.Contributor) []CauseView {
	var out []CauseView
	for _, c := range causes {
		out = append(out, CauseView{
			Name: text.ContributorNames[c.Kind], Evidence: text.Evidence(c), Facts: strings.Join(c.Facts, ", "),
		})
	}
	return out
}

// Drugs is what the drugs of a stay say.
type Drugs struct {
	Lowering, Contributing, Pressor, Other []string
	Changes                                []ChangeView
	Last                                   []LastView
	LastFrom                               string // what the hours count to
	Load                                   string
	Groups                                 []Labelled
	LeftOut                                string
	Unrecognised                           []string
}

type ChangeView struct {
	At             *frame.Moment
	Drug, Change   string
	Before, After  string
	Route          string
	Lowering, Owes bool
}

type LastView struct {
	Drug  string
	At    *frame.Moment
	Hours string
}

func DrugsOf(t frame.Times, a alerts.Assessment) Drugs {
	d, e := a.Digest, a.Exposures
	v := Drugs{Load: text.Load(e), LeftOut: text.List(e.LoadLeftOut), Unrecognised: d.Unrecognised}
	for _, drug := range e.Active {
		name := drug.Name
		if g := drug.Group(); g != clinical.NoGroup {
			name += " (" + string(g) + ")"
		}
		switch {
		case drug.Lowering():
			v.Lowering = append(v.Lowering, name)
		case drug.Contributing():
			v.Contributing = append(v.Contributing, name)
		case drug.Pressor():
			v.Pressor = append(v.Pressor, name)
		default:
			v.Other = append(v.Other, name)
		}
	}
	for n := len(d.Changes) - 1; n >= 0; n-- {
		c := d.Changes[n]
		v.Changes = append(v.Changes, ChangeView{
			At: t.MomentAgo(c.At), Drug: c.Drug, Change: c.Change, Before: text.Daily(c.From, c.Unit),
			After: text.Daily(c.To, c.Unit),
			Route: c.Route, Lowering: c.Lowering, Owes: c.OwesRecheck,
		})
	}
	reference := a.At
	v.LastFrom = text.Say("stay.from-now")
	if set := d.LatestSet(); set != nil {
		reference, v.LastFrom = set.StartedAt, text.Say("stay.from-set")
	}
	for _, l := range d.LastDoses {
		v.Last = append(v.Last, LastView{
			l.Drug, t.Moment(l.GivenAt),
			text.Say("stay.before", text.Span(reference.Sub(l.GivenAt).Round(time.Minute)), v.LastFrom),
		})
	}
	for _, g := range clinical.Groups {
		if ddd, ok := e.LoadByGroup[string(g)]; ok {
			v.Groups = append(v.Groups, Labelled{string(g), text.Figure2(ddd) + " DDD"})
		}
	}
	return v
}
