package notify

import (
	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// TierOf is how pressing a notice is: the tier of the rule that opened its
// episode. The episodes that no tier rule speaks of have one by choice: a feed
// that is not read makes the whole list doubtful and is told this shift; data
// that contradicts itself can wait for today.
func TierOf(kind records.EpisodeKind, rule string) string {
	switch kind {
	case episodes.FallWithoutSet, episodes.TellProvider, // T-FALL, T-STOPPED, T-LOW, T-LOW-LYING
		// A fall after which standing is blocked is told by its clearance alone, and is no less pressing than one after
		// which a set is owed (T-FALL).
		episodes.ClearanceOwed:
		return alerts.Now
	case episodes.RecheckOverdue:
		if rule == alerts.RAdmit || rule == alerts.RWeekly { // T-ROUTINE
			return alerts.Today
		}
		return alerts.ThisShift // T-OVERDUE
	case episodes.FeedStale:
		return alerts.ThisShift
	}
	return alerts.Today // T-PRECAUTION, T-REVIEW
}

func tierOf(n records.Notice) string { return TierOf(n.Event.Kind, n.Rule) }
