package records

import (
	"time"

	"plumbline/internal/clinical"
)

// The words of an episode. Which there are, and what leads from one to another, stands
// in internal/episodes.
type (
	EpisodeKind   string // what it is about
	EpisodeState  string // where it stands
	EpisodeEnding string // how it came to be done
	EpisodeWhat   string // what an event did
)

// EpisodeDone is the state in which nothing is owed any more. In every other one the
// episode is owed.
const EpisodeDone EpisodeState = "done"

// FactName names a fact of the chart: a source_id is unique within its kind alone.
type FactName struct {
	Kind     clinical.Kind `json:"kind"`
	SourceID string        `json:"source_id"`
}

// Episode is one thing owed, as it stands now: what its events, replayed, give.
type Episode struct {
	ID      string      `json:"id"`
	Kind    EpisodeKind `json:"kind"`
	StayID  string      `json:"stay_id"` // "" of a feed
	Trigger string      `json:"trigger"` // what of the stay it is about; with kind and stay its identity
	Unit    string      `json:"unit"`    // whose it is now; "" of a feed

	State    EpisodeState `json:"state"`
	OpenedAt time.Time    `json:"opened_at"` // the first time
	RaisedAt time.Time    `json:"raised_at"` // opened, or opened again by new evidence, in this program's record
	// Since is of the fall, set or hour by which it was raised; zero of one kept before December 2026.
	Since     time.Time     `json:"since,omitzero"`
	ChangedAt time.Time     `json:"changed_at"`          // the last event
	Who       string        `json:"who"`                 // whose it is, or who put it off, told it or closed it; "" where it is nobody's
	By        string        `json:"by,omitempty"`        // the account that gave it to Who
	Reason    string        `json:"reason"`              // of putting off or ending
	Note      string        `json:"note"`                // of closing
	Until     time.Time     `json:"until"`               // the end of a deferral, an assignment or an answer; zero in every other state
	ToldWhom  string        `json:"told_whom,omitempty"` // who was told, as it was typed
	ToldAt    time.Time     `json:"told_at,omitzero"`    // when, as it was typed
	Ending    EpisodeEnding `json:"ending"`              // "" until it is done

	Rule    string           `json:"rule"` // with Figures the sentence of its last opening
	Figures clinical.Figures `json:"figures"`
	Facts   []FactName       `json:"facts"` // the evidence of its last opening
	Known   []FactName       `json:"known"` // every fact that is no new evidence
	Told    []string         `json:"told"`  // units told since it was raised
	Events  int              `json:"events"`
}

// Active reports whether the episode is still owed.
func (e Episode) Active() bool { return e.State != EpisodeDone }

// OwedSince is since when the thing has been owed by the chart: since the fall, the set or the
// hour at which it was due. A program that starts later counts no less.
func (e Episode) OwedSince() time.Time {
	if e.Since.IsZero() {
		return e.RaisedAt
	}
	return e.Since
}

// OwedFor is for how long the thing has been owed at a moment, whoever has taken it; of one
// that is done, for how long it had been. Never negative.
func (e Episode) OwedFor(at time.Time) time.Duration {
	if !e.Active() {
		at = e.ChangedAt
	}
	return max(0, at.Sub(e.OwedSince()))
}

// Age is for how long the episode had stood in this program's record at a moment, whoever had
// taken it: what the tally counts. For one that is done it is how long it had stood.
func (e Episode) Age(at time.Time) time.Duration {
	if !e.Active() {
		at = e.ChangedAt
	}
	return max(0, at.Sub(e.RaisedAt))
}

// EpisodeEvent is one transition, kept for good.
type EpisodeEvent struct {
	EpisodeID string       `json:"episode_id"`
	N         int          `json:"n"` // from 1
	At        time.Time    `json:"at"`
	Who       string       `json:"who"` // an account, or Program
	What      EpisodeWhat  `json:"what"`
	From      EpisodeState `json:"from"` // "" of the first
	To        EpisodeState `json:"to"`
	Reason    string       `json:"reason"` // a person's words, or one of the reasons in internal/episodes
	Note      string       `json:"note"`   // of closing: a person's words
	Until     time.Time    `json:"until"`
	Name      string       `json:"name,omitempty"`   // to whom it was given, or who was told, as it was typed
	ToldAt    time.Time    `json:"told_at,omitzero"` // when that one was told

	Kind    EpisodeKind `json:"kind"`
	StayID  string      `json:"stay_id"`
	Trigger string      `json:"trigger"`
	Unit    string      `json:"unit"`

	Since   time.Time        `json:"since,omitzero"` // since when the chart says so; zero where the event says nothing of it
	Rule    string           `json:"rule"`           // with Figures a sentence of internal/text; "" where there is none
	Figures clinical.Figures `json:"figures"`
	Facts   []FactName       `json:"facts"`   // what it rests on
	Learned []FactName       `json:"learned"` // what besides was on the chart when it was done: no new evidence later
	// Tells is true where people are to be told: once for an opening (of what is not due
	// yet: once it is), once for each reopening by new evidence, once where the time of an
	// answer is over, once for a unit that the patient comes to.
	Tells bool `json:"tells"`
}

// EpisodeChange is one step of one episode: what happened, and how it stands after it.
type EpisodeChange struct {
	Episode Episode
	Event   EpisodeEvent
}

// EpisodeScope is what one step of the episodes looks at.
type EpisodeScope struct {
	Name string // two steps of one name take turns
	Unit string // whose episodes that are not done are looked at; "" for the feeds
	IDs  []string
}
