package asked

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// answer keeps what the prescriber says to a review's suggestions. The same answer sent twice
// is kept once.
func (s *service) answer(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen, ctx := frame.StayOf(c), c.Request.Context()
	number, err := strconv.ParseInt(c.Param("review"), 10, 64)
	if err != nil || s.DoseReviews == nil || !seen.When.Live {
		return frame.NotFound()
	}
	given := form.Get("answer")
	if !slices.Contains(dosereview.Answers, given) {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("asked.not-done"), text.Say("asked.no-answer"))
	}
	stay, account := seen.View.Assessment.Digest, frame.AccountOf(c)
	reviews, err := s.DoseReviews.DoseReviewsOf(ctx, []string{stay.StayID}, s.Clock())
	if err != nil {
		return nil, err
	}
	n := slices.IndexFunc(reviews[stay.StayID], func(r records.DoseReview) bool {
		return r.Number == number && len(r.Suggestions) > 0
	})
	if n < 0 {
		return frame.NotFound()
	}
	if last := reviews[stay.StayID][n].Last(records.Answered); last != nil && last.Answer == given && last.AccountID == account.ID {
		return frame.SeeOther(frame.AskedURL)
	}
	_, err = s.DoseReviews.AddReviewStep(ctx, records.ReviewStep{
		StayID: stay.StayID, Review: number, What: records.Answered, AccountID: account.ID, Who: account.Name, At: s.Clock(), Answer: given,
	})
	s.note(c, stay, outcomeOf("answered: "+given, err), "suggestion of dose review "+c.Param("review"))
	return s.done(err)
}

// takeBack takes back a clearance that the account charted here, with its reason: that stands
// among the notes of the handover, and the clearance is owed again.
func (s *service) takeBack(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen, ctx, now := frame.StayOf(c), c.Request.Context(), s.Clock()
	if s.Facts == nil || s.Notes == nil || !seen.When.Live {
		return frame.NotFound()
	}
	why := strings.Join(strings.Fields(form.Get("why")), " ")
	if n := utf8.RuneCountInString(why); n == 0 || n > maxWhy {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("asked.not-done"), text.Say("asked.why-needed", maxWhy))
	}
	d, account := seen.View.Assessment.Digest, frame.AccountOf(c)
	id := form.Get("fact")
	own := clearedBy(seen.View.Assessment, account.Name, now.Add(-answeredHours*time.Hour))
	if !slices.ContainsFunc(own, func(f trends.ClearanceFact) bool { return f.SourceID == id }) {
		return frame.Tell(http.StatusConflict, text.Say("asked.not-done"), text.Say("asked.not-yours"))
	}
	err = s.Facts.Chart(ctx, d.Stay.Unit, bedside.Charting{
		ID: bedside.NewID(), StayID: d.StayID, Who: account.Name, At: now,
		Entries: []bedside.Entry{{Kind: clinical.KindClearance, SourceID: id, Removed: true}},
	})
	s.note(c, d, outcomeOf("taken back", err), "clearance to stand")
	if err != nil {
		return s.done(err)
	}
	p := s.PolicyFor(ctx).Policy.Unit
	return s.done(s.Notes.AddHandoverNote(ctx, records.HandoverNote{
		StayID: d.StayID, Unit: d.Stay.Unit, Text: text.Say("asked.taken-back", why), Who: account.Name, At: now,
		Until: alerts.NextShift(p, s.Zone, alerts.NextShift(p, s.Zone, now)),
	}))
}

// maxWhy is how many characters a reason may have: with its lead it is a note for the handover.
const maxWhy = 160

func outcomeOf(outcome string, err error) string {
	if err != nil {
		return "not " + outcome + ": " + string(clinical.CodeOf(err))
	}
	return outcome
}

// note writes to the audit what became of an answer; that it was asked for stands there already.
func (s *service) note(c *frame.Request, d trends.Digest, outcome, of string) {
	e := records.AuditEntry{Did: audit.Change, Stay: d.StayID, Unit: d.Stay.Unit, Outcome: outcome, Note: of}
	if err := s.Record(c, e); err != nil {
		s.Log.Error("the outcome of an answer is not in the audit; that it was asked for is", "outcome", outcome, "error", err)
	}
}

// done leads back, or says why nothing was done.
func (s *service) done(err error) (frame.Page, error) {
	switch clinical.CodeOf(err) {
	case "":
		return frame.SeeOther(frame.AskedURL)
	case clinical.Conflict:
		return frame.Tell(http.StatusConflict, text.Say("asked.not-done"), frame.Sentence(err))
	case clinical.Invalid:
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("asked.not-done"), frame.Sentence(err))
	}
	return nil, err
}
