package text

import (
	"fmt"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
)

// EpisodeKinds are the names of the kinds of episodes as people read them.
var EpisodeKinds = map[episodes.Kind]string{
	episodes.RecheckOverdue:     "Recheck overdue",
	episodes.PrecautionsMissing: "Precautions missing",
	episodes.DoseReview:         "Dose review due",
	episodes.TellProvider:       "Tell the provider",
	episodes.FallWithoutSet:     "Fall without a set after it",
	episodes.FeedStale:          "Feed not read",
	episodes.DataContradiction:  "Data that contradicts itself",
}

// EndingReasons say by what evidence an episode ended.
var EndingReasons = map[string]string{
	episodes.SetDone:       "a set that can be read was taken",
	episodes.Guarded:       "the precautions are in place",
	episodes.CannotBeDone:  "the recheck may not be done now",
	episodes.LeftUnit:      "the patient left the unit",
	episodes.FeedBack:      "the feed is read again",
	episodes.NoLongerHolds: "it is no longer asked for: cleared, corrected, or another demand stands in its place",
}

// ClosingReasons say for what reason a person closed an episode.
var ClosingReasons = map[string]string{
	episodes.DoneUncharted:  "done, but not charted where the feeds reach",
	episodes.ProviderTold:   "the provider was told",
	episodes.Reviewed:       "looked at; nothing is to be changed",
	episodes.Declined:       "the patient declined",
	episodes.NotSuitable:    "not suitable for this patient now",
	episodes.ChartedWrongly: "charted wrongly; it is corrected at its source",
	episodes.KnownOutage:    "a known interruption",
	episodes.OtherReason:    "another reason",
}

// Ending is a reason of ending, by evidence or by a person, as people read it.
func Ending(reason string) string {
	if said, known := EndingReasons[reason]; known {
		return said
	}
	return closing(reason, "")
}

// Owed says how many episodes are owed, and how many of them are in somebody's hands.
func Owed(list []episodes.Episode) string {
	count := map[episodes.State]int{}
	for _, e := range list {
		count[e.State]++
	}
	if len(list) == 0 {
		return "No episode is owed."
	}
	return fmt.Sprintf("%s owed: %d open, %d taken, %d put off.", Plural(len(list), "episode", "episodes"), count[episodes.Open], count[episodes.Taken], count[episodes.Deferred])
}

// closing is the reason of a closing with its note.
func closing(reason, note string) string {
	if said, known := ClosingReasons[reason]; known {
		reason = said
	}
	if note != "" {
		reason += " (" + strings.TrimSuffix(note, ".") + ")"
	}
	return reason
}

// EpisodeWhy says why an episode was opened: its rule with its figures.
func (c Catalogue) EpisodeWhy(rule string, f clinical.Figures) string {
	return c.rule(rule, ".says", f)
}

// EpisodeEvent says what an event did, without its time: "taken by mb".
func (c Catalogue) EpisodeEvent(v episodes.Event) string {
	switch v.What {
	case episodes.Opened:
		return "Opened. " + c.EpisodeWhy(v.Rule, v.Figures)
	case episodes.Reopened:
		return "Opened again by new evidence. " + c.EpisodeWhy(v.Rule, v.Figures)
	case episodes.Resumed:
		return "Open again: it holds after all, without new evidence."
	case episodes.Moved:
		return "Handed on with the patient to unit " + v.Unit + "."
	case episodes.DeferralOver:
		return "Open again: the time it was put off for is over."
	case episodes.TakenOn:
		return "Taken by " + v.Who + because(v.Reason) + "."
	case episodes.Released:
		return "Given back by " + v.Who + because(v.Reason) + "."
	case episodes.PutOff:
		return "Put off by " + v.Who + " until " + c.Time(v.Until) + because(v.Reason) + "."
	case episodes.Closed:
		return "Closed by " + v.Who + because(closing(v.Reason, v.Note)) + "."
	case episodes.Ended:
		out := "Done: " + EndingReasons[v.Reason]
		if f, ok := v.Figures.(episodes.SetTaken); ok {
			out += ", " + c.Time(f.SetAt)
		}
		return out + "."
	}
	return string(v.What)
}

func because(reason string) string {
	if reason == "" {
		return ""
	}
	return ": " + strings.TrimSuffix(reason, ".")
}

// EpisodeState says where an episode stands, and for how long it has been owed:
// taking or putting off hides no age.
func (c Catalogue) EpisodeState(e episodes.Episode) string {
	owed := "owed for " + Span(e.Age(c.At))
	switch e.State {
	case episodes.Taken:
		return "Taken by " + e.Who + " " + c.Time(e.ChangedAt) + "; " + owed
	case episodes.Deferred:
		return "Put off by " + e.Who + " until " + c.Time(e.Until) + because(e.Reason) + "; " + owed
	case episodes.Done:
		if e.Ending == episodes.ByPerson {
			return "Closed by " + e.Who + " " + c.Time(e.ChangedAt) + because(closing(e.Reason, e.Note))
		}
		return "Done " + c.Time(e.ChangedAt) + ": " + EndingReasons[e.Reason]
	}
	return "Open; " + owed
}
