package huddle

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/auth"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// assign gives one thing that is owed to a patient to somebody, or with an empty name
// to nobody, and leads back to the list. What is not owed any more is given to nobody.
func (s *service) assign(c *gin.Context) {
	form, ok := s.Form(c)
	if !ok {
		return
	}
	seen := frame.StayOf(c)
	if s.Assignments == nil || !seen.When.Live {
		s.NotFound(c)
		return
	}
	ctx, a := c.Request.Context(), seen.View.Assessment
	unit, key, name := a.Digest.Stay.Unit, form.Get("key"), strings.Join(strings.Fields(form.Get("name")), " ")
	if name != "" && auth.CheckName(name) != nil {
		s.Tell(c, http.StatusUnprocessableEntity, text.Say("huddle.not-assigned"), text.Say("huddle.name-rule"))
		return
	}
	p := s.PolicyFor(ctx).Policy
	if !a.Digest.Stay.OnUnit(unit, a.At) || !owes(episodes.Owed(a, p, alerts.NextShift(p.Unit, s.Zone, a.At)), key) {
		s.Tell(c, http.StatusConflict, text.Say("huddle.not-assigned"), text.Say("huddle.not-owed"))
		return
	}
	err := s.Assignments.Assign(ctx, episodes.Assignment{
		Unit: unit, StayID: a.Digest.StayID, Key: key, Name: name, Who: frame.AccountOf(c).Name, At: s.Clock(),
	})
	if err != nil {
		s.Fail(c, err)
		return
	}
	back := ""
	if q, err := url.ParseQuery(form.Get("back")); err == nil {
		if back = choiceOf(q).query().Encode(); back != "" {
			back = "?" + back
		}
	}
	c.Redirect(http.StatusSeeOther, frame.UnitURL(unit)+back+"#o-"+url.PathEscape(key))
}

func owes(list []episodes.Due, key string) bool {
	for _, d := range list {
		if d.Key == key {
			return true
		}
	}
	return false
}
