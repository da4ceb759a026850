package doses

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// recordReview records a review and ends what was owed of it. What cannot be recorded
// comes back with what was typed.
func (s *service) recordReview(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen := frame.StayOf(c)
	if !seen.When.Live || s.DoseReviews == nil {
		return frame.Tell(
			http.StatusUnprocessableEntity, text.Say("dosereview.not-recorded"), text.Say("dosereview.not-live"),
		)
	}
	typed := dosereview.Draft{
		Outcome: records.DoseOutcome(form.Get("outcome")), LookAgain: strings.TrimSpace(form.Get("look_again_on")),
		Note: strings.TrimSpace(strings.ReplaceAll(form.Get("note"), "\r\n", "\n")),
	}
	typed.Suggestions = suggestionsIn(form["suggest"], seen)
	after, err := strconv.ParseInt(form.Get("after"), 10, 64)
	if err != nil || after < 0 {
		after = -1 // of no form of this page: refused as one that is out of date
	}
	a := seen.View.Assessment
	evidence := dosereview.EvidenceOf(a)
	if wrong := typed.Check(s.day(seen.When.At)); len(wrong) > 0 {
		s.noteReview(c, "not recorded: "+string(clinical.Invalid), typed)
		return s.showReview(c, http.StatusUnprocessableEntity, &typed, wrong, "")
	}
	if form.Get("seen") != evidence.Mark() {
		s.noteReview(c, "not recorded: "+string(clinical.Conflict), typed)
		return s.showReview(c, http.StatusConflict, &typed, nil, text.Say("dosereview.evidence-moved"))
	}
	account, at := frame.AccountOf(c), s.Clock()
	review, err := s.DoseReviews.AddDoseReview(c.Request.Context(), records.DoseReview{
		StayID: a.Digest.StayID, AccountID: account.ID, Who: account.Name, At: at, Outcome: typed.Outcome, Note: typed.Note,
		LookAgain: typed.LookAgain, Evidence: evidence, Suggestions: typed.Suggestions,
	}, after)
	if err != nil && s.recordedAlready(c, account.ID, typed, after) { // the button was pressed twice
		s.noteReview(c, "recorded before", typed)
		return frame.SeeOther(frame.ReviewURL(a.Digest.StayID) + "?recorded=1")
	}
	if err != nil {
		s.noteReview(c, "not recorded: "+string(clinical.CodeOf(err)), typed)
		if clinical.CodeOf(err) == clinical.Conflict {
			return s.showReview(c, http.StatusConflict, &typed, nil, text.Say("dosereview.review-moved"))
		}
		return nil, err
	}
	s.noteReview(c, "recorded", typed)
	s.endReview(c, review)
	return frame.SeeOther(frame.ReviewURL(a.Digest.StayID) + "?recorded=1")
}

// recordedAlready reports whether the last review of the stay is what this form asks
// for, by the same account and after the same review.
func (s *service) recordedAlready(c *frame.Request, account int64, typed dosereview.Draft, after int64) bool {
	seen := frame.StayOf(c)
	id := seen.View.Assessment.Digest.StayID
	all, err := s.reviewsOf(c.Request.Context(), []string{id}, seen.When)
	list := all[id]
	if err != nil || len(list) == 0 {
		return false
	}
	before := int64(0)
	if len(list) > 1 {
		before = list[len(list)-2].Number
	}
	last := list[len(list)-1]
	return last.AccountID == account && dosereview.DraftOf(last).Same(typed) && before == after
}

// noteReview writes to the audit what became of a review, without its note: that it
// was asked for stands there already.
func (s *service) noteReview(c *frame.Request, outcome string, d dosereview.Draft) {
	e := records.AuditEntry{
		Did: audit.Change, Stay: c.Param("stay"), Unit: frame.StayOf(c).View.Assessment.Digest.Stay.Unit, Outcome: outcome,
		Note: "dose review",
	}
	if said := text.ReviewOutcomes[d.Outcome]; said != "" {
		e.Note += ": " + said
	}
	if err := s.Record(c, e); err != nil {
		s.Log.Error(
			"the outcome of a dose review is not in the audit; that it was asked for is", "outcome", outcome, "error", err,
		)
	}
}

// endReview ends the episode that asked for the review. The review is recorded by
// then, so that it is done whether or not the browser still waits for the answer: who
// presses twice cuts the first request off. Where it cannot be done, the log says so and
// the episode stays owed.
func (s *service) endReview(c *frame.Request, r records.DoseReview) {
	if s.Episodes == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Request.Context()), frame.MaxAnswerIn)
	defer cancel()
	if err := s.Episodes.EndDoseReview(ctx, r, text.ReviewEnds(r.Outcome)); err != nil {
		s.Log.Error(
			"a dose review was recorded and its episode could not be ended; end it by hand", "stay", r.StayID, "error", err,
		)
	}
}
