package episodes

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// What an episode is about.
const (
	RecheckOverdue     records.EpisodeKind = "recheck_overdue"
	PrecautionsMissing records.EpisodeKind = "precautions_missing"
	DoseReview         records.EpisodeKind = "dose_review"
	TellProvider       records.EpisodeKind = "tell_provider"
	FallWithoutSet     records.EpisodeKind = "fall_without_set"
	FeedStale          records.EpisodeKind = "feed_stale"
	DataContradiction  records.EpisodeKind = "data_contradiction"
	ClearanceOwed      records.EpisodeKind = "clearance_owed"
)

// Kinds lists every kind, most pressing first: the order of a unit's list.
var Kinds = []records.EpisodeKind{
	FallWithoutSet, TellProvider, ClearanceOwed, RecheckOverdue, PrecautionsMissing, DoseReview, DataContradiction, FeedStale,
}

// Where an episode stands. It is owed in every state but the last.
const (
	Open     records.EpisodeState = "open"     // nobody's
	Assigned records.EpisodeState = "assigned" // given to somebody by a name, until the huddle after it
	Taken    records.EpisodeState = "taken"    // an account's, which took it
	Deferred records.EpisodeState = "deferred" // put off, by a person
	Answered records.EpisodeState = "answered" // put off by an answer on the chart (R-ANSWER)
	Told     records.EpisodeState = "told"     // the provider was told, and it is still owed
	Done                          = records.EpisodeDone
)

// The two ways of ending; an episode never ends by silence.
const (
	ByEvidence records.EpisodeEnding = "evidence"
	ByPerson   records.EpisodeEnding = "person"
)

func factsOf(kind clinical.Kind, sourceIDs []string) []records.FactName {
	out := make([]records.FactName, len(sourceIDs))
	for n, id := range sourceIDs {
		out[n] = records.FactName{Kind: kind, SourceID: id}
	}
	return out
}

func compareFacts(a, b records.FactName) int {
	if c := strings.Compare(string(a.Kind), string(b.Kind)); c != 0 {
		return c
	}
	return strings.Compare(a.SourceID, b.SourceID)
}

// union is every fact of the lists, once, in one order; nil where there is none.
func union(lists ...[]records.FactName) []records.FactName {
	out := slices.Concat(lists...)
	slices.SortFunc(out, compareFacts)
	out = slices.Compact(out)
	if len(out) == 0 {
		return nil
	}
	return slices.Clip(out)
}

// without is what of facts is not among known, in one order.
func without(facts, known []records.FactName) []records.FactName {
	held := make(map[records.FactName]bool, len(known))
	for _, f := range known {
		held[f] = true
	}
	var out []records.FactName
	for _, f := range facts {
		if !held[f] {
			out = append(out, f)
		}
	}
	return union(out)
}

// IDOf is the identity of an episode, the same on every machine: kind, stay and
// trigger. It tells whoever holds it nothing, and is no permission to look.
func IDOf(kind records.EpisodeKind, stayID, trigger string) string {
	sum := sha256.Sum256([]byte(string(kind) + "\x00" + stayID + "\x00" + trigger))
	return hex.EncodeToString(sum[:16])
}
