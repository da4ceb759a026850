package parts

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// Where an action leads back to: pages of this site alone, named by a word.
const (
	BackToUnit = "unit"
	BackToStay = "stay"
)

// EpisodeForms are the forms of what an account may do with an episode.
type EpisodeForms struct {
	URL, ID string
	About   string // what it is about, for those who hear the page
	Seen    int    // events that the page shows or rests on
	Back    string
	Take    string // the words of the button; "" where it cannot be taken
	Release bool
	Defer   *deferForm
	Close   *closeForm
}

type deferForm struct {
	Spans  []ChoiceView
	Reason string
	Open   bool
}

type closeForm struct {
	Reasons []ChoiceView
	Note    string
	Open    bool
}

type ChoiceView struct {
	Value, Text string
	On          bool
}

// spans are for how long something may be put off, in hours.
var Spans = []int{1, 2, 4, 8, 12, 24, 48, 72}

// formsOf are the forms that the state of an episode leaves to an account; nil for
// one that is done, or where the account may do nothing.
func formsOf(e records.Episode, a records.Account, back, about string) *EpisodeForms {
	if !e.Active() || !frame.MayAct(a, e, records.ActOnEpisodes) {
		return nil
	}
	f := &EpisodeForms{URL: "/episodes/" + e.ID, ID: e.ID, About: about, Seen: e.Events, Back: back}
	if e.State == episodes.Taken && e.Who != a.Name {
		f.Take = text.Say("episodes.take-over", e.Who)
		return f
	}
	if f.Release = e.State == episodes.Taken; !f.Release {
		f.Take = text.Say("episodes.take")
	}
	f.Defer = &deferForm{}
	for _, hours := range Spans {
		if span := time.Duration(hours) * time.Hour; span <= episodes.Longest[e.Kind] {
			f.Defer.Spans = append(f.Defer.Spans, ChoiceView{Value: strconv.Itoa(hours), Text: text.Span(span)})
		}
	}
	if frame.MayAct(a, e, records.CloseEpisodes) {
		f.Close = &closeForm{}
		for _, reason := range episodes.Closings[e.Kind] {
			f.Close.Reasons = append(f.Close.Reasons, ChoiceView{Value: reason, Text: text.ClosingReasons[reason]})
		}
	}
	return f
}

// Anchor is the id of an episode on every page that shows it.
func Anchor(id string) string { return "e-" + id }

// Episode is one episode, on whichever page.
type Episode struct {
	ID     string // for links to it
	Name   string // what it is about, as its heading
	Bed    *BedView
	Why    string
	Rule   *frame.RuleLink
	Facts  string
	State  string // as a word of the rules
	Says   string // where it stands
	Since  *frame.Moment
	Events []EventView // nil where the page shows none
	Review string      // the address of the dose review that it asks for; "" for none, or who may not review
	Forms  *EpisodeForms
}

// BedView names the patient of an episode on a page about several.
type BedView struct {
	Bed, Name, StayID, URL string
	Listed                 bool // the patient is on the unit's list
}

type EventView struct {
	At   *frame.Moment
	Says string
}

func EpisodeOf(t frame.Times, e records.Episode) Episode {
	v := Episode{
		ID: Anchor(e.ID), Name: text.EpisodeKinds[e.Kind], Why: t.EpisodeWhy(e.Rule, e.Figures),
		State: string(e.State), Says: t.EpisodeState(e), Since: t.Moment(e.RaisedAt),
	}
	if _, explained := t.Rules[e.Rule]; explained {
		rule := t.Rule(e.Rule)
		v.Rule = &rule
	}
	facts := make([]string, len(e.Facts))
	for n, f := range e.Facts {
		facts[n] = string(f.Kind) + " " + f.SourceID
	}
	v.Facts = strings.Join(facts, ", ")
	return v
}

// Offer puts on the episode what an account may do about it.
func (v *Episode) Offer(e records.Episode, a records.Account, back string) {
	about := v.Name
	if v.Bed != nil { // those who hear the page hear which of several it is
		about = text.Say("episodes.about", v.Name, cmp.Or(v.Bed.Bed, v.Bed.StayID))
	}
	v.Forms = formsOf(e, a, back, about)
	if e.Kind == episodes.DoseReview && e.Active() && a.May(records.ReviewDoses, records.ViewStay) && a.OnUnit(e.Unit) {
		v.Review = frame.ReviewURL(e.StayID)
	}
}

func EventsOf(t frame.Times, events []records.EpisodeEvent) []EventView {
	out := make([]EventView, len(events))
	for n, v := range events {
		out[n] = EventView{t.Moment(v.At), t.EpisodeEvent(v)}
	}
	return out
}

// Actable reports whether any of them has a form.
func Actable(list []Episode) bool {
	return slices.ContainsFunc(list, func(v Episode) bool { return v.Forms != nil })
}

// Fill puts what was typed back into its form, and returns what has no place there.
func (f *EpisodeForms) Fill(form url.Values, verb episodes.Verb) (left []string) {
	choose := func(list []ChoiceView, value string) {
		for n := range list {
			list[n].On = list[n].Value == value
		}
	}
	switch {
	case verb == episodes.Defer && f != nil && f.Defer != nil:
		f.Defer.Open, f.Defer.Reason = true, form.Get("reason")
		choose(f.Defer.Spans, form.Get("hours"))
	case verb == episodes.Close && f != nil && f.Close != nil:
		f.Close.Open, f.Close.Note = true, form.Get("note")
		choose(f.Close.Reasons, form.Get("reason"))
	default:
		reason := form.Get("reason")
		if said, known := text.ClosingReasons[reason]; known && verb == episodes.Close {
			reason = said
		}
		for _, typed := range []string{reason, form.Get("note")} {
			if typed != "" {
				left = append(left, typed)
			}
		}
	}
	return left
}
