package parts

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// Where an action leads back to: pages of this site alone, named by a word. After
// BackToList stands what was chosen to see of it, as a query.
const (
	BackToUnit = "unit"
	BackToStay = "stay"
	BackToAsk  = "asked"
	BackToList = "list?"
)

// AtOnce in place of a clock means the moment at which a form arrives.
const AtOnce = "now"

// EpisodeForms are the forms of what an account may do with a thing that is owed: the same
// on every page.
type EpisodeForms struct {
	URL, ID string
	About   string // what it is about, for those who hear the page
	Seen    string // of each of its episodes the events that the page shows or rests on
	Back    string
	Take    string // the words of the button; "" where it cannot be taken
	Release bool
	Give    *giveForm
	Tell    *tellForm
	Clear   *clearForm
	Place   *PlaceForm
	Defer   *deferForm
	Close   *closeForm
}

// giveForm gives it to somebody by a name; People is true where the page lists whom.
type giveForm struct {
	Name   string
	People bool
	Open   bool
}

// tellForm says that the provider was told.
type tellForm struct {
	Name, At string
	Open     bool
}

// clearForm says that a provider has cleared the patient to stand.
type clearForm struct {
	By, At string
	Open   bool
}

// PlaceForm charts precautions that are in place now.
type PlaceForm struct {
	URL, ID, About, Back string
	Missing              []string
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

// FormsOf are the forms that the state of a thing leaves to an account; nil for one that
// is done or has no episode yet, or where the account may do nothing.
func FormsOf(t frame.Times, e episodes.Thing, a records.Account, back, about string) *EpisodeForms {
	if !e.Active() || len(e.Members) == 0 || !frame.MayAct(a, e.Episode, records.ActOnEpisodes) {
		return nil
	}
	f := &EpisodeForms{URL: "/episodes/" + e.ID, ID: e.Key, About: about, Seen: SeenOf(e), Back: back}
	if e.StayID != "" {
		f.Give = &giveForm{People: strings.HasPrefix(back, BackToList)}
		if e.State == episodes.Assigned {
			f.Give.Name = e.Who
		}
	}
	clock := text.Catalogue{Zone: t.Zone}.ClockTime(t.At)
	if episodes.Tellable(e.Kind) {
		f.Tell = &tellForm{At: clock}
	}
	if e.Kind == episodes.ClearanceOwed {
		f.Clear = &clearForm{At: clock}
	}
	if e.Kind == episodes.PrecautionsMissing {
		f.Place = placeFormOf(e, back, about)
	}
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
	if frame.MayAct(a, e.Episode, records.CloseEpisodes) && len(episodes.Closings[e.Kind]) > 0 {
		f.Close = &closeForm{}
		for _, reason := range episodes.Closings[e.Kind] {
			f.Close.Reasons = append(f.Close.Reasons, ChoiceView{Value: reason, Text: text.ClosingReasons[reason]})
		}
	}
	return f
}

// placeFormOf offers what is missing, as far as the page knows it.
func placeFormOf(e episodes.Thing, back, about string) *PlaceForm {
	figures := e.Figures
	if e.Due != nil {
		figures = e.Due.Figures
	}
	missing, _ := figures.(alerts.MissingFigures)
	return &PlaceForm{URL: frame.StayURL(e.StayID) + "/precautions", ID: e.Key, About: about, Back: back, Missing: missing.Missing}
}

// SeenOf writes what a page shows of a thing: of each of its episodes the number of events.
func SeenOf(t episodes.Thing) string {
	out := make([]string, len(t.Members))
	for n, e := range t.Members {
		out[n] = e.ID + ":" + strconv.Itoa(e.Events)
	}
	return strings.Join(out, " ")
}

// ReadSeen reads what SeenOf wrote; never nil: what cannot be read was not seen.
func ReadSeen(s string) map[string]int {
	out := map[string]int{}
	for _, one := range strings.Fields(s) {
		id, events, _ := strings.Cut(one, ":")
		if n, err := strconv.Atoi(events); err == nil {
			out[id] = n
		}
	}
	return out
}

// Anchor is the id of an episode on every page that shows it.
func Anchor(id string) string { return "e-" + id }

// Episode is one episode, on whichever page.
type Episode struct {
	ID     string // for links to it
	Name   string // what it is about, as its heading
	Bed    *BedView
	Why    string
	Also   []string // what else one set answers
	Rule   *frame.RuleLink
	Facts  string
	State  string        // as a word of the rules
	Says   string        // where it stands
	Since  *frame.Moment // nil of what is not overdue yet
	Events []EventView   // nil where the page shows none
	Review string        // the address of the dose review that it asks for; "" for none, or who may not review
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

// ThingOf is one thing that is owed.
func ThingOf(t frame.Times, e episodes.Thing) Episode {
	v := EpisodeOf(t, e.Episode)
	v.ID = Anchor(e.Key)
	for _, m := range e.Members {
		if why := t.EpisodeWhy(m.Rule, m.Figures); why != t.EpisodeWhy(e.Rule, e.Figures) && !slices.Contains(v.Also, why) {
			v.Also = append(v.Also, why)
		}
	}
	return v
}

// EpisodeOf is one episode by itself.
func EpisodeOf(t frame.Times, e records.Episode) Episode {
	v := Episode{
		ID: Anchor(e.ID), Name: text.EpisodeKinds[e.Kind], Why: t.EpisodeWhy(e.Rule, e.Figures),
		State: string(e.State), Says: t.EpisodeState(e),
	}
	if !e.Active() || len(e.Told) > 0 { // what is not overdue yet is owed later
		v.Since = t.Moment(e.OwedSince())
	}
	if !e.Active() && v.Why != "" {
		v.Why = text.Say("episodes.was-owed", v.Why)
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

// Offer puts on a thing what an account may do about it.
func (v *Episode) Offer(t frame.Times, e episodes.Thing, a records.Account, back string) {
	about := v.Name
	if v.Bed != nil { // those who hear the page hear which of several it is
		about = text.Say("episodes.about", v.Name, cmp.Or(v.Bed.Bed, v.Bed.StayID))
	}
	v.Forms = FormsOf(t, e, a, back, about)
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
	case (verb == episodes.Close || verb == episodes.Answer) && f != nil && f.Close != nil:
		f.Close.Open, f.Close.Note = true, form.Get("note")
		choose(f.Close.Reasons, form.Get("reason"))
	case verb == episodes.Give && f != nil && f.Give != nil:
		f.Give.Open, f.Give.Name = true, form.Get("name")
	case verb == episodes.Tell && f != nil && f.Tell != nil:
		f.Tell.Open, f.Tell.Name, f.Tell.At = true, form.Get("name"), form.Get("at")
	case form.Has("by") && f != nil && f.Clear != nil:
		f.Clear.Open, f.Clear.By, f.Clear.At = true, form.Get("by"), form.Get("at")
	default:
		reason := form.Get("reason")
		if said, known := text.ClosingReasons[reason]; known && verb != episodes.Defer {
			reason = said
		}
		for _, typed := range []string{form.Get("name"), reason, form.Get("note")} {
			if typed != "" {
				left = append(left, typed)
			}
		}
	}
	return left
}
