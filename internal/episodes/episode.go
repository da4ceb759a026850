package episodes

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Kind is what an episode is about.
type Kind string

// The kinds of episodes.
const (
	RecheckOverdue     Kind = "recheck_overdue"
	PrecautionsMissing Kind = "precautions_missing"
	DoseReview         Kind = "dose_review"
	TellProvider       Kind = "tell_provider"
	FallWithoutSet     Kind = "fall_without_set"
	FeedStale          Kind = "feed_stale"
	DataContradiction  Kind = "data_contradiction"
)

// Kinds lists every kind, most pressing first: the order of a unit's list.
var Kinds = []Kind{
	FallWithoutSet, TellProvider, RecheckOverdue, PrecautionsMissing, DoseReview, DataContradiction, FeedStale,
}

// State is where an episode stands.
type State string

// The states. An episode that is taken or put off is still owed.
const (
	Open     State = "open"
	Taken    State = "taken"
	Deferred State = "deferred"
	Done     State = "done"
)

// Ending is how an episode came to be done.
type Ending string

// The two ways of ending; an episode never ends by silence.
const (
	ByEvidence Ending = "evidence"
	ByPerson   Ending = "person"
)

// Program stands in place of an account's name where the program itself acted.
const Program = "program"

// Fact names a fact of the chart: a source_id is unique within its kind alone.
type Fact struct {
	Kind     clinical.Kind `json:"kind"`
	SourceID string        `json:"source_id"`
}

func factsOf(kind clinical.Kind, sourceIDs []string) []Fact {
	out := make([]Fact, len(sourceIDs))
	for n, id := range sourceIDs {
		out[n] = Fact{kind, id}
	}
	return out
}

func compareFacts(a, b Fact) int {
	if c := strings.Compare(string(a.Kind), string(b.Kind)); c != 0 {
		return c
	}
	return strings.Compare(a.SourceID, b.SourceID)
}

// union is every fact of the lists, once, in one order; nil where there is none.
func union(lists ...[]Fact) []Fact {
	out := slices.Concat(lists...)
	slices.SortFunc(out, compareFacts)
	out = slices.Compact(out)
	if len(out) == 0 {
		return nil
	}
	return slices.Clip(out)
}

// without is what of facts is not among known, in one order.
func without(facts, known []Fact) []Fact {
	held := make(map[Fact]bool, len(known))
	for _, f := range known {
		held[f] = true
	}
	var out []Fact
	for _, f := range facts {
		if !held[f] {
			out = append(out, f)
		}
	}
	return union(out)
}

// Episode is one thing owed, as it stands now: what its events, replayed, give.
type Episode struct {
	ID      string `json:"id"`
	Kind    Kind   `json:"kind"`
	StayID  string `json:"stay_id"` // "" of a feed
	Trigger string `json:"trigger"` // what of the stay it is about; with kind and stay its identity
	Unit    string `json:"unit"`    // whose it is now; "" of a feed

	State     State     `json:"state"`
	OpenedAt  time.Time `json:"opened_at"`  // the first time
	RaisedAt  time.Time `json:"raised_at"`  // opened, or opened again by new evidence: its age counts from here
	ChangedAt time.Time `json:"changed_at"` // the last event
	Who       string    `json:"who"`        // who took it, put it off or closed it; "" where it is open
	Reason    string    `json:"reason"`     // of putting off or ending
	Note      string    `json:"note"`       // of closing
	Until     time.Time `json:"until"`      // the end of a deferral; zero in every other state
	Ending    Ending    `json:"ending"`     // "" until it is done

	Rule    string           `json:"rule"` // with Figures the sentence of its last opening
	Figures clinical.Figures `json:"figures"`
	Facts   []Fact           `json:"facts"` // the evidence of its last opening
	Known   []Fact           `json:"known"` // every fact that is no new evidence
	Told    []string         `json:"told"`  // units told since it was raised
	Events  int              `json:"events"`
}

// Active reports whether the episode is still owed.
func (e Episode) Active() bool { return e.State != Done }

// Age is for how long the episode has been owed at a moment, whoever has taken it.
// For one that is done it is how long it had been owed.
func (e Episode) Age(at time.Time) time.Duration {
	if !e.Active() {
		at = e.ChangedAt
	}
	return max(0, at.Sub(e.RaisedAt))
}

// IDOf is the identity of an episode, the same on every machine: kind, stay and
// trigger. It tells whoever holds it nothing, and is no permission to look.
func IDOf(kind Kind, stayID, trigger string) string {
	sum := sha256.Sum256([]byte(string(kind) + "\x00" + stayID + "\x00" + trigger))
	return hex.EncodeToString(sum[:16])
}
