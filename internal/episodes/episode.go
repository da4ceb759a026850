package episodes

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Kind is what an episode is about.
type Kind = records.EpisodeKind

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
type State = records.EpisodeState

// The states. An episode that is taken or put off is still owed.
const (
	Open     State = "open"
	Taken    State = "taken"
	Deferred State = "deferred"
	Done           = records.EpisodeDone
)

// Ending is how an episode came to be done.
type Ending = records.EpisodeEnding

// The two ways of ending; an episode never ends by silence.
const (
	ByEvidence Ending = "evidence"
	ByPerson   Ending = "person"
)

// Names that go with their last use.
type (
	Fact       = records.FactName
	Episode    = records.Episode
	Event      = records.EpisodeEvent
	Transition = records.EpisodeChange
)

// Program goes with its last use.
const Program = records.Program

func factsOf(kind clinical.Kind, sourceIDs []string) []Fact {
	out := make([]Fact, len(sourceIDs))
	for n, id := range sourceIDs {
		out[n] = Fact{Kind: kind, SourceID: id}
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

// IDOf is the identity of an episode, the same on every machine: kind, stay and
// trigger. It tells whoever holds it nothing, and is no permission to look.
func IDOf(kind Kind, stayID, trigger string) string {
	sum := sha256.Sum256([]byte(string(kind) + "\x00" + stayID + "\x00" + trigger))
	return hex.EncodeToString(sum[:16])
}
