package huddle

import (
	"net/http"
	"net/url"
	"strings"

	"plumbline/internal/alerts"
	"plumbline/internal/auth"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// assign gives one thing that is owed to a patient to somebody, or with an empty name
// to nobody, and leads back to the list. What is not owed any more is given to nobody.
func (s *service) assign(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen := frame.StayOf(c)
	if s.Assignments == nil || !seen.When.Live {
		return frame.NotFound()
	}
	ctx, a := c.Request.Context(), seen.View.Assessment
	unit, key, name := a.Digest.Stay.Unit, form.Get("key"), strings.Join(strings.Fields(form.Get("name")), " ")
	if name != "" && auth.CheckName(name) != nil {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("huddle.not-assigned"), text.Say("huddle.name-rule"))
	}
	p := s.PolicyFor(ctx).Policy
	if !a.Digest.Stay.OnUnit(unit, a.At) || !owes(episodes.Owed(a, p, alerts.NextShift(p.Unit, s.Zone, a.At)), key) {
		return frame.Tell(http.StatusConflict, text.Say("huddle.not-assigned"), text.Say("huddle.not-owed"))
	}
	err = s.Assignments.Assign(ctx, records.Assignment{
		Unit: unit, StayID: a.Digest.StayID, Key: key, Name: name, Who: frame.AccountOf(c).Name, At: s.Clock(),
	})
	if err != nil {
		return nil, err
	}
	back := ""
	if q, err := url.ParseQuery(form.Get("back")); err == nil {
		if back = choiceOf(q).query().Encode(); back != "" {
			back = "?" + back
		}
	}
	return frame.SeeOther(frame.UnitURL(unit) + back + "#o-" + url.PathEscape(key))
}

func owes(list []episodes.Due, key string) bool {
	for _, d := range list {
		if d.Key == key {
			return true
		}
	}
	return false
}
