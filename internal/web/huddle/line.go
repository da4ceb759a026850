package huddle

import (
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/web/parts"
)

// thingView is one thing that is owed to a patient, in the line of the patient.
type thingView struct {
	Kind  string
	Text  string
	State string // overdue or due; "" where nothing tells a time
	Late  bool   // the hour of Clock is past; of a set after a fall it may be ahead though another was overdue before
	Clock string // when it is due
	Owner string // whose it is: a name, "somebody" where no names are shown, "" for nobody's
	Rest  string // what else is to be known: it waits, or a person has told it
}

// lineView is what the line of a patient tells beside who it is.
type lineView struct {
	Line   string // the deciding reason in a few words
	Fell   string // a recent fall of which the line does not tell, in a few words
	Marks  []markView
	Set    *parts.Found
	Things []thingView // what is owed, in a few words
}

// MoreThings is how many things that are owed have no room in the line on a phone.
func (v lineView) MoreThings() int { return max(0, len(v.Things)-2) }

func (l lister) lineView(a alerts.Assessment) lineView {
	d := a.Digest
	v := lineView{Line: l.lineOf(a), Fell: l.FellBeside(a), Marks: l.marks[d.StayID], Things: l.thingsOf(a)}
	if l.sees.names && len(l.given.notes[d.StayID]) > 0 {
		says := strings.Join(parts.NoteLines(l.Times, l.given.notes[d.StayID]), "; ")
		v.Marks = append(slices.Clone(v.Marks), markView{"note", text.Say("parts.note"), says})
	}
	if set := d.LatestSet(); set != nil {
		v.Set = parts.FoundOf(l.Times, d, *set)
	}
	return v
}

// lineOf is the deciding reason in a few words.
func (l lister) lineOf(a alerts.Assessment) string {
	switch {
	case len(a.Reasons) > 0:
		return l.LineOf(a.Digest, a.Reasons[0])
	case a.Recheck.State == alerts.Blocked:
		return text.Say("huddle.line-blocked")
	}
	return text.Say("huddle.line-nothing")
}

// thingsOf are the things that are owed to a patient.
func (l lister) thingsOf(a alerts.Assessment) []thingView {
	var out []thingView
	for _, t := range l.owedTo(a) {
		if t.Active() {
			out = append(out, l.thingOf(a, t))
		}
	}
	return out
}

func (l lister) thingOf(a alerts.Assessment, t episodes.Thing) thingView {
	v := thingView{Kind: string(t.Kind), Text: text.EpisodeKinds[t.Kind]}
	if d := t.Due; d != nil {
		v.Text = l.OwedLine(*d)
		if d.At != nil {
			at, _ := parts.SetDue(l.Times, a, *d)
			v.Clock, v.State = l.Short(at), parts.DueState(l.Times, *d.At)
			v.Late = parts.DueState(l.Times, at) == alerts.Overdue
			if before := parts.BeforeFall(l.Times, a, *d); before != "" {
				v.Text = text.Say("huddle.line-before", before, v.Text)
			}
		}
	}
	switch t.State {
	case episodes.Assigned, episodes.Taken:
		if v.Owner = text.Say("huddle.somebody"); l.sees.names {
			v.Owner = t.Owner()
		}
	case episodes.Deferred, episodes.Told, episodes.Answered:
		v.Rest = l.ThingBrief(t, l.sees.names)
	}
	return v
}

// anchorOf is the id of a patient's row; it names the stay only where names are in sight.
func (l lister) anchorOf(a alerts.Assessment) string {
	if l.sees.names {
		return "row-" + a.Digest.StayID
	}
	return "row-" + strconv.Itoa(a.Rank)
}
