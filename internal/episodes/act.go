package episodes

import (
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Verb is what a person does with an episode.
type Verb string

// The verbs.
const (
	Take     Verb = "take"
	TakeOver Verb = "take_over" // from somebody else who has taken it
	Release  Verb = "release"
	Defer    Verb = "defer"
	Close    Verb = "close"
	Give     Verb = "give"   // to somebody by a name, or with an empty one to nobody
	Answer   Verb = "answer" // close by an answer that was charted
	Tell     Verb = "tell"   // say that the provider was told
)

// Action is what a person asks.
type Action struct {
	Do     Verb
	Who    string             // the account's name
	Seen   int                // how many events the person had before them; 0: the asker shows none
	Saw    map[string]int     // likewise of each episode of a thing, by id; nil: the asker shows none
	Reason string             // of Defer in words, of Close one of Closings; a word with Release is welcome
	Note   string             // of Close: what there is to say besides
	Until  time.Time          // of Defer; of Give when it is over by itself: see HoldsUntil
	Name   string             // of Give, to whom; of Tell, who was told
	ToldAt time.Time          // of Tell
	Chart  []records.FactName // of Close: all that is on the stay's chart; none of it is new evidence later
}

// SawAll reports whether an action rests on the members of a thing as they are.
func (a Action) SawAll(members []records.Episode) bool {
	if a.Saw == nil {
		return true
	}
	for _, e := range members {
		if a.Saw[e.ID] != e.Events {
			return false
		}
	}
	return len(a.Saw) == len(members)
}

// MaxReason is how long a reason or a note may be, in characters: it is read on a line.
const MaxReason = 500

// Reasons for which a person closes an episode. They are few, so that they can be
// counted; what else there is to say stands in the note.
const (
	DoneUncharted  = "done_uncharted"  // done, and not charted where the feeds reach
	ProviderTold   = "provider_told"   //
	Reviewed       = "reviewed"        // looked at; nothing is to be changed
	Declined       = "declined"        // by the patient
	NotSuitable    = "not_suitable"    // for this patient now
	ChartedWrongly = "charted_wrongly" // to be corrected at its source
	KnownOutage    = "known_outage"    // of a feed
	OtherReason    = "other"           // needs a note
)

// Closings are the reasons for which an episode of a kind may be closed, in the
// order in which people are shown them. A clearance has none: nobody but the provider can
// say that the patient may stand, and until then it is owed (T-CLEARANCE).
var Closings = map[records.EpisodeKind][]string{
	FallWithoutSet:     {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	TellProvider:       {NotSuitable, ChartedWrongly, OtherReason},
	RecheckOverdue:     {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	PrecautionsMissing: {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	DoseReview:         {Reviewed, ProviderTold, NotSuitable, ChartedWrongly, OtherReason},
	DataContradiction:  {Reviewed, ChartedWrongly, OtherReason},
	FeedStale:          {KnownOutage, Reviewed, OtherReason},
}

// AnswerOf is the word of clinical.Answers that a reason of closing charts; "" where none
// does: what is said of a set that is owed is on the chart, and counts there (R-ANSWER).
func AnswerOf(kind records.EpisodeKind, reason string) string {
	if !ofSet(kind) {
		return ""
	}
	return map[string]string{Declined: "declined", NotSuitable: "not possible", DoneUncharted: "done elsewhere"}[reason]
}

// Tellable reports whether it can be said of what is owed that the provider was told. Of
// TellProvider nothing more is owed then.
func Tellable(kind records.EpisodeKind) bool {
	return ofSet(kind) || kind == TellProvider || kind == ClearanceOwed
}

// Longest is for how long an episode of a kind may be put off at once. No
// published source gives a figure: the first is the time in which the rules ask
// for a set after a fall, the second one shift, the last one over a weekend.
var Longest = map[records.EpisodeKind]time.Duration{
	FallWithoutSet:     4 * time.Hour,
	TellProvider:       4 * time.Hour,
	ClearanceOwed:      4 * time.Hour,
	RecheckOverdue:     12 * time.Hour,
	PrecautionsMissing: 12 * time.Hour,
	DoseReview:         72 * time.Hour,
	DataContradiction:  72 * time.Hour,
	FeedStale:          72 * time.Hour,
}

// Act is what a person's action does to an episode. The error is
// clinical.Invalid for an action that lacks something and clinical.Conflict for
// one that the episode's state does not allow; its sentence says what to do.
func Act(e records.Episode, a Action, at time.Time) (records.EpisodeChange, error) {
	if a.Seen != 0 && a.Seen != e.Events {
		return records.EpisodeChange{}, Changed()
	}
	done, err := ActOn([]records.Episode{e}, a, at)
	if err != nil {
		return records.EpisodeChange{}, err
	}
	return done[0], nil
}

// Changed is the conflict of an action that rests on what is not so any more.
func Changed() error {
	return clinical.Errorf(clinical.Conflict, "this has changed since you saw it; look at what happened, and decide again")
}

// ActOn is what an action does to one thing that is owed: the same to each of its
// episodes. The errors are those of Act.
func ActOn(members []records.Episode, a Action, at time.Time) ([]records.EpisodeChange, error) {
	a.Who, a.Reason, a.Note = strings.TrimSpace(a.Who), strings.TrimSpace(a.Reason), strings.TrimSpace(a.Note)
	a.Name = strings.Join(strings.Fields(a.Name), " ")
	thing := lead(members)
	if err := a.complete(thing, at); err != nil {
		return nil, err
	}
	if err := allowed(thing, a); err != nil {
		return nil, err
	}
	out := make([]records.EpisodeChange, len(members))
	for n, e := range members {
		out[n] = transition(e, eventOf(e, a), at)
	}
	return out, nil
}

// eventOf is what an action that may be done does to an episode.
func eventOf(e records.Episode, a Action) records.EpisodeEvent {
	v := records.EpisodeEvent{Who: a.Who, Unit: e.Unit, Reason: a.Reason}
	switch a.Do {
	case Take, TakeOver:
		v.What, v.To = TakenOn, Taken
	case Release:
		v.What, v.To = Released, Open
	case Defer:
		v.What, v.To, v.Until = PutOff, Deferred, a.Until
	case Close:
		v.What, v.To, v.Note, v.Learned = Closed, Done, a.Note, without(a.Chart, e.Known)
	case Give:
		v.What, v.To, v.Name, v.Until = Given, Assigned, a.Name, a.Until
		if a.Name == "" {
			v.What, v.To, v.Until = Released, Open, time.Time{}
		}
	case Answer:
		v.What, v.To, v.Note = AnswerGiven, Open, a.Note
		if e.State == Answered || e.State == Done { // the answer was on the chart first
			v.To, v.Until = e.State, e.Until
		}
	case Tell:
		v.What, v.To, v.Name, v.ToldAt, v.Note = ToldOf, Told, a.Name, a.ToldAt, a.Note
		if e.Kind == TellProvider {
			v.To, v.Reason, v.Learned = Done, ProviderTold, without(a.Chart, e.Known)
		}
	}
	return v
}

// complete says what an action lacks.
func (a Action) complete(thing records.Episode, at time.Time) error {
	kind := thing.Kind
	switch {
	case a.Who == "" || a.Who == records.Program:
		return clinical.Errorf(clinical.Invalid, "nobody is named; sign in and try again")
	case utf8.RuneCountInString(a.Reason) > MaxReason:
		return clinical.Errorf(clinical.Invalid, "the reason is longer than %d characters; shorten it", MaxReason)
	case utf8.RuneCountInString(a.Note) > MaxReason:
		return clinical.Errorf(clinical.Invalid, "the note is longer than %d characters; shorten it", MaxReason)
	case utf8.RuneCountInString(a.Name) > MaxName:
		return clinical.Errorf(clinical.Invalid, "the name is longer than %d characters; shorten it", MaxName)
	case strings.ContainsFunc(a.Name, unseen):
		return clinical.Errorf(clinical.Invalid, "the name holds characters that cannot be seen; type it anew")
	case a.Name != "" && !clinical.NamesSomebody(a.Name):
		return clinical.Errorf(clinical.Invalid, "a name has at least one letter or digit; correct it")
	}
	switch a.Do {
	case Take, TakeOver, Release, Give:
		return nil
	case Close:
		return a.closable(kind)
	case Answer:
		if AnswerOf(kind, a.Reason) == "" {
			return clinical.Errorf(clinical.Invalid, "this is not closed by an answer; close it with one of its reasons")
		}
		return nil
	case Tell:
		return a.tellable(thing, at)
	case Defer:
		return a.deferrable(kind, at)
	}
	return clinical.Errorf(clinical.Invalid,
		"there is no action %q; use take, take_over, release, give, defer, tell, answer or close", a.Do)
}

// MaxName is how long the name of somebody may be, in characters.
const MaxName = 64

// unseen reports whether a character of a name cannot be seen, or turns the line around.
func unseen(r rune) bool { return !unicode.IsPrint(r) }

// tellable says what is lacking to say that the provider was told.
func (a Action) tellable(thing records.Episode, at time.Time) error {
	switch {
	case !Tellable(thing.Kind):
		return clinical.Errorf(clinical.Invalid, "nobody is to be told of this; close it with one of its reasons")
	case a.Name == "":
		return clinical.Errorf(clinical.Invalid, "nobody is named; say who was told")
	case a.ToldAt.IsZero():
		return clinical.Errorf(clinical.Invalid, "no time is given; say when it was told")
	case a.ToldAt.After(at.Add(5 * time.Minute)):
		return clinical.Errorf(clinical.Invalid, "the time lies ahead; say when it was told")
	case at.Sub(a.ToldAt) > 24*time.Hour:
		return clinical.Errorf(clinical.Invalid, "the time is more than a day ago; say when it was told")
	case a.ToldAt.Before(About(thing).Truncate(time.Minute)): // people type whole minutes
		return clinical.Errorf(clinical.Invalid,
			"the time lies ahead, or before the fall or the set that it is about; say when it was told, between that and now")
	}
	return nil
}

// About is when the fall, or the set, was that an episode is about: nobody was told of it
// before. It is the zero time of what is about neither.
func About(e records.Episode) time.Time {
	switch f := e.Figures.(type) {
	case alerts.FellFigures:
		return f.FellAt
	case alerts.SetFigures:
		return f.SetAt
	}
	return time.Time{}
}

func (a Action) closable(kind records.EpisodeKind) error {
	switch {
	case len(Closings[kind]) == 0:
		return clinical.Errorf(clinical.Invalid, "this is not closed by hand: it ends when the provider clears the patient, "+
			"or when the injury is corrected at its source; chart the clearance, or say who was told")
	case a.Reason == "":
		return clinical.Errorf(clinical.Invalid, "closing needs a reason; choose what was done or decided")
	case !slices.Contains(Closings[kind], a.Reason):
		return clinical.Errorf(clinical.Invalid, "closing this needs one of its reasons; choose one, and say the rest in the note")
	case a.Reason == OtherReason && a.Note == "":
		return clinical.Errorf(clinical.Invalid, "another reason needs a note; say what was done or decided")
	}
	return nil
}

func (a Action) deferrable(kind records.EpisodeKind, at time.Time) error {
	longest := Longest[kind]
	switch {
	case a.Reason == "":
		return clinical.Errorf(clinical.Invalid, "putting off needs a reason; say what it waits for")
	case a.Until.IsZero():
		return clinical.Errorf(clinical.Invalid, "putting off needs an end; say until when")
	case !a.Until.After(at):
		return clinical.Errorf(clinical.Invalid, "the end of putting off has passed; give a later time")
	case a.Until.Sub(at) > longest:
		return clinical.Errorf(clinical.Invalid, "this can be put off for %d h at most; give an earlier end", int(longest.Hours()))
	}
	return nil
}

// allowed says whether the state of a thing lets the action be done. What somebody has
// taken can be given to another: at a huddle the work is shared out.
func allowed(e records.Episode, a Action) error {
	mine := e.State == Taken && e.Who == a.Who
	others := e.State == Taken && e.Who != a.Who
	switch {
	case a.Do == Answer && e.State == Done && e.Reason == PutOffByAnswer:
		return nil // the answer was on the chart first, and says for itself what it does
	case e.State == Done:
		return clinical.Errorf(clinical.Conflict,
			"this is done already; it opens again by new evidence only. Reload the page to see how it ended")
	case a.Do == Give && a.Name == "" && e.State == Open:
		return clinical.Errorf(clinical.Conflict, "this is nobody's already; say to whom it is given")
	case a.Do == Give || a.Do == Tell || a.Do == Answer:
		return nil // what was said or found is so, whoever has it
	case a.Do == TakeOver && !others:
		return clinical.Errorf(clinical.Conflict, "nobody else has taken this; take it")
	case a.Do == Take && mine:
		return clinical.Errorf(clinical.Conflict, "you have taken this already")
	case a.Do == Release && !mine:
		return clinical.Errorf(clinical.Conflict, "only who has taken this can give it back; take it over where that person has handed it on")
	case a.Do != TakeOver && others:
		return clinical.Errorf(clinical.Conflict, "%s has taken this; speak with them, or take it over", e.Who)
	}
	return nil
}

// TakeReviewBack makes a dose review owed again whose closing was the last that happened to it,
// because the review that closed it was taken back: its age counts on, and nobody is told anew.
// Where nothing asks for a review any more, the next step ends it by evidence.
func TakeReviewBack(e records.Episode, who, why string, at time.Time) records.EpisodeChange {
	v := records.EpisodeEvent{What: ReviewBack, To: Open, Who: who, Unit: e.Unit, Note: why}
	return transition(e, v, at)
}
