package bedside

import (
	"net/http"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// liftRestriction takes back that a limb must not be measured, from now on. It leads back
// to the patient's page.
func (s *service) liftRestriction(c *frame.Request) (frame.Page, error) {
	seen := frame.StayOf(c)
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	digest, id := seen.View.Assessment.Digest, form.Get("restriction")
	r, own := ownRestrictions(digest)[id]
	if s.Sets == nil || !seen.When.Live || !own {
		return frame.Tell(http.StatusBadRequest, text.Say("bedside.title"), text.Say("bedside.wrong-lifted"))
	}
	now := s.Clock()
	err = s.Sets.Chart(c.Request.Context(), digest.Stay.Unit, bedside.Charting{
		ID: form.Get("form"), StayID: digest.StayID, Who: frame.AccountOf(c).Name, At: now,
		Entries: []bedside.Entry{{Kind: clinical.KindRestriction, SourceID: id, Cells: map[string]string{
			"limb": r.Limb, "reason": r.Reason, "started_at": bedside.Cell(r.StartedAt), "ended_at": bedside.Now,
		}}},
	})
	switch clinical.CodeOf(err) {
	case "", clinical.Conflict: // taken back already
		return frame.SeeOther(frame.StayURL(digest.StayID))
	case clinical.Invalid:
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("bedside.title"), frame.Sentence(err))
	}
	return nil, err
}
