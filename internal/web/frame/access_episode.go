package frame

import (
	"github.com/gin-gonic/gin"

	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

// tasked names, for a kind of episode, the permission to do the work that it asks for.
// Whoever has it may act on the episodes of that kind, and close them, without the
// permission for all kinds.
var tasked = map[records.EpisodeKind]records.Permission{
	episodes.DoseReview:    records.ReviewDoses,
	episodes.ClearanceOwed: records.AnswerAsked,
	episodes.TellProvider:  records.AnswerAsked,
	episodes.FeedStale:     records.ManagePolicy,
}

// MayAct reports whether an account may do something to an episode that needs these
// permissions. For the episode of a patient it must also be allowed to see the patient
// and be on the unit; for that of a feed, to see the feeds.
func MayAct(a records.Account, e records.Episode, needs ...records.Permission) bool {
	task, some := tasked[e.Kind]
	if !a.May(needs...) && !(some && a.May(task)) {
		return false
	}
	if e.Kind == episodes.FeedStale {
		return a.May(records.ViewFeeds)
	}
	return a.May(records.ViewList, records.ViewNames) && a.OnUnit(e.Unit)
}

// permitsEpisode looks up the episode. Whether there is none, it is another unit's,
// or the account may not do this, the answer is the same.
func (s *Frame) permitsEpisode(c *gin.Context, r Rule, a records.Account) error {
	if s.Episodes == nil {
		return errNotFound
	}
	h, err := s.Episodes.Episode(c.Request.Context(), c.Param("episode"))
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return err
	}
	if err == nil {
		c.Set(episodeKey, h)
	}
	if err != nil || !MayAct(a, h.Episode, r.needs...) {
		return s.refuse(c, r, errNotFound)
	}
	return nil
}

// EpisodeOf is the episode of a route under the rule OnEpisode.
func EpisodeOf(c *gin.Context) care.History {
	h, _ := c.Get(episodeKey)
	found, _ := h.(care.History)
	return found
}

// NoteOf names an episode in the audit.
func NoteOf(e records.Episode) string {
	if e.ID == "" {
		return "no such episode"
	}
	return string(e.Kind) + " " + e.ID
}
