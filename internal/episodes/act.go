package episodes

import (
	"slices"
	"strings"
	"time"
	"unicode/utf8"

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
)

// Action is what a person asks.
type Action struct {
	Do     Verb
	Who    string             // the account's name
	Seen   int                // how many events the person had before them; 0: the asker shows none
	Reason string             // of Defer in words, of Close one of Closings; a word with Release is welcome
	Note   string             // of Close: what there is to say besides
	Until  time.Time          // of Defer
	Chart  []records.FactName // of Close: all that is on the stay's chart; none of it is new evidence later
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
// order in which people are shown them.
var Closings = map[records.EpisodeKind][]string{
	FallWithoutSet:     {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	TellProvider:       {ProviderTold, NotSuitable, ChartedWrongly, OtherReason},
	RecheckOverdue:     {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	PrecautionsMissing: {DoneUncharted, Declined, NotSuitable, ChartedWrongly, OtherReason},
	DoseReview:         {Reviewed, ProviderTold, NotSuitable, ChartedWrongly, OtherReason},
	DataContradiction:  {Reviewed, ChartedWrongly, OtherReason},
	FeedStale:          {KnownOutage, Reviewed, OtherReason},
}

// Longest is for how long an episode of a kind may be put off at once. No
// published source gives a figure: the first is the time in which the rules ask
// for a set after a fall, the second one shift, the last one over a weekend.
var Longest = map[records.EpisodeKind]time.Duration{
	FallWithoutSet:     4 * time.Hour,
	TellProvider:       4 * time.Hour,
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
	a.Who, a.Reason, a.Note = strings.TrimSpace(a.Who), strings.TrimSpace(a.Reason), strings.TrimSpace(a.Note)
	if a.Seen != 0 && a.Seen != e.Events {
		return records.EpisodeChange{}, clinical.Errorf(clinical.Conflict,
			"this has changed since you saw it; look at what happened, and decide again")
	}
	if err := a.complete(e.Kind, at); err != nil {
		return records.EpisodeChange{}, err
	}
	if err := allowed(e, a); err != nil {
		return records.EpisodeChange{}, err
	}
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
	}
	return transition(e, v, at), nil
}

// complete says what an action lacks.
func (a Action) complete(kind records.EpisodeKind, at time.Time) error {
	switch {
	case a.Who == "" || a.Who == records.Program:
		return clinical.Errorf(clinical.Invalid, "nobody is named; sign in and try again")
	case utf8.RuneCountInString(a.Reason) > MaxReason:
		return clinical.Errorf(clinical.Invalid, "the reason is longer than %d characters; shorten it", MaxReason)
	case utf8.RuneCountInString(a.Note) > MaxReason:
		return clinical.Errorf(clinical.Invalid, "the note is longer than %d characters; shorten it", MaxReason)
	}
	switch a.Do {
	case Take, TakeOver, Release:
		return nil
	case Close:
		return a.closable(kind)
	case Defer:
		return a.deferrable(kind, at)
	}
	return clinical.Errorf(clinical.Invalid, "there is no action %q; use take, take_over, release, defer or close", a.Do)
}

func (a Action) closable(kind records.EpisodeKind) error {
	switch {
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

// allowed says whether the state of the episode lets the action be done.
func allowed(e records.Episode, a Action) error {
	mine := e.State == Taken && e.Who == a.Who
	others := e.State == Taken && e.Who != a.Who
	switch {
	case e.State == Done:
		return clinical.Errorf(clinical.Conflict,
			"this is done already; it opens again by new evidence only. Reload the page to see how it ended")
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
