package account

import (
	"errors"
	"net/http"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// enrolView is the page on which a display is enrolled: its code is typed here once.
type enrolView struct {
	frame.Layout
	Error string
}

func (s *service) enrolPage(c *frame.Request) (frame.Page, error) {
	return frame.Show(http.StatusOK, "enrol", enrolView{Layout: s.Bare(c, text.Say("wall.enrol"))})
}

// enrol takes a code, once: the display keeps a secret that no script can read, and shows its unit
// until somebody ends that. It is recorded, as is a code that does not serve.
func (s *service) enrol(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Screens == nil {
		return frame.NotFound()
	}
	secret, screen, err := s.Screens.Enrol(c.Request.Context(), form.Get("code"), frame.CameFrom(c).Address)
	var wait *auth.WaitError
	status, says := http.StatusUnprocessableEntity, text.Say("wall.wrong-code")
	switch {
	case errors.As(err, &wait):
		status, says = http.StatusTooManyRequests, text.Say("wall.wait")
	case err != nil && clinical.CodeOf(err) != clinical.NotFound:
		return nil, err
	case err == nil:
		e := records.AuditEntry{
			Did: audit.SignIn, Unit: screen.Unit, Outcome: frame.Allowed, Who: screen.Account().Name, Note: "enrolled",
		}
		if err := s.Noted(c, e); err != nil {
			return nil, err
		}
		frame.SetCookie(c, frame.ScreenCookie, secret, frame.ScreenAge)
		return frame.SeeOther(frame.WallURL)
	}
	e := records.AuditEntry{Did: audit.SignIn, Outcome: frame.Refused, Note: "no such code of a screen"}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	return frame.Show(status, "enrol", enrolView{Layout: s.Bare(c, text.Say("wall.enrol")), Error: says})
}

// offlinePage is what a display shows that starts without a network. It holds nothing of a unit:
// the browser keeps it.
func (s *service) offlinePage(c *frame.Request) (frame.Page, error) {
	return frame.Show(http.StatusOK, "walloffline", enrolView{Layout: s.Bare(c, text.Say("wall.offline"))})
}

// wallWorker is the script that shows that page. It names the files that a browser keeps for it.
func (s *service) wallWorker(*frame.Request) (frame.Page, error) {
	return s.Worker("wall-worker.js",
		"/wall/offline", s.AssetURL("app.css"), s.AssetURL("app.js"), s.AssetURL("wall.css"), s.AssetURL("wall-offline.js"))
}
