package episodes

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// What is what an event did.
type What string

// What happens to an episode.
const (
	Opened       What = "opened"        // its condition holds for the first time
	Reopened     What = "reopened"      // it was done, and there is new evidence
	Resumed      What = "resumed"       // it was done by evidence, and the condition holds again without any
	Moved        What = "moved"         // the patient is on another unit, whose it is now
	DeferralOver What = "deferral_over" // the end of a deferral has come
	TakenOn      What = "taken"
	Released     What = "released"
	PutOff       What = "deferred"
	Closed       What = "closed" // done, by a person
	Ended        What = "ended"  // done, by evidence
)

// Event is one transition, kept for good.
type Event struct {
	EpisodeID string    `json:"episode_id"`
	N         int       `json:"n"` // from 1
	At        time.Time `json:"at"`
	Who       string    `json:"who"` // an account, or Program
	What      What      `json:"what"`
	From      State     `json:"from"` // "" of the first
	To        State     `json:"to"`
	Reason    string    `json:"reason"` // a person's words, one of Closings, or a reason of ending below
	Note      string    `json:"note"`   // of closing: a person's words
	Until     time.Time `json:"until"`

	Kind    Kind   `json:"kind"`
	StayID  string `json:"stay_id"`
	Trigger string `json:"trigger"`
	Unit    string `json:"unit"`

	Rule    string           `json:"rule"` // with Figures a sentence of internal/text; "" where there is none
	Figures clinical.Figures `json:"figures"`
	Facts   []Fact           `json:"facts"`   // what it rests on
	Learned []Fact           `json:"learned"` // what besides was on the chart when it was done: no new evidence later
	// Tells is true where people are to be told: once for an opening, once for
	// each reopening by new evidence, once for a unit that the patient comes to.
	Tells bool `json:"tells"`
}

// Reasons of an ending by evidence.
const (
	SetDone       = "set_done"             // a set that can be read was taken
	Guarded       = "precautions_in_place" // nothing is missing
	CannotBeDone  = "blocked"              // the recheck may not be done now
	LeftUnit      = "left_unit"            // the patient is no longer on the unit
	FeedBack      = "feed_back"            // the feed is read again
	NoLongerHolds = "no_longer_holds"      // corrected, cleared, or asked for otherwise
)

// Transition is one step of one episode: what happened, and how it stands after it.
type Transition struct {
	Episode Episode
	Event   Event
}

// Apply is the episode after an event.
func Apply(e Episode, v Event) Episode {
	if v.What == Opened {
		e = Episode{ID: v.EpisodeID, Kind: v.Kind, StayID: v.StayID, Trigger: v.Trigger, OpenedAt: v.At}
	}
	e.Unit, e.State, e.ChangedAt, e.Events = v.Unit, v.To, v.At, v.N
	e.Who, e.Reason, e.Note, e.Until, e.Ending = "", v.Reason, v.Note, v.Until, ""
	switch v.To {
	case Taken, Deferred:
		e.Who = v.Who
	case Done:
		e.Who, e.Ending = v.Who, ByEvidence
		if v.What == Closed {
			e.Ending = ByPerson
		}
	case Open:
		e.Reason = ""
	}
	if v.To != Done && v.Rule != "" {
		e.Rule, e.Figures, e.Facts = v.Rule, v.Figures, v.Facts
	}
	if v.What == Opened || v.What == Reopened {
		e.RaisedAt, e.Told = v.At, nil
	}
	if v.Tells {
		e.Told = append(slices.Clone(e.Told), v.Unit)
	}
	e.Known = union(e.Known, v.Facts, v.Learned)
	return e
}

// Replay is the state that events, in their order, give.
func Replay(events []Event) Episode {
	var e Episode
	for _, v := range events {
		e = Apply(e, v)
	}
	return e
}

// At is an episode as it stood at a moment; false where it had not opened yet.
func At(events []Event, moment time.Time) (Episode, bool) {
	n := 0
	for n < len(events) && !events[n].At.After(moment) {
		n++
	}
	return Replay(events[:n]), n > 0
}

// transition makes the next event of an episode. The times of a history never go
// back, whatever the clocks of several machines say.
func transition(e Episode, v Event, at time.Time) Transition {
	if at.Before(e.ChangedAt) {
		at = e.ChangedAt
	}
	v.EpisodeID, v.N, v.At, v.From = e.ID, e.Events+1, at, e.State
	v.Kind, v.StayID, v.Trigger = e.Kind, e.StayID, e.Trigger
	return Transition{Apply(e, v), v}
}
