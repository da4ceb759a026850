package account

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/idp"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// flowCookie holds, sealed, a sign-in at the service that was begun in the browser.
const flowCookie = "plumbline_sign_in"

// maxNext bounds the path to go on to, in bytes: a cookie holds 4096 at most.
const maxNext = 1500

// serviceView is the sign-in service on the sign-in page.
type serviceView struct {
	Begin, Again string // addresses; "" while the service is not found
	Left         bool   // somebody of the service has just signed out
	Leave        string // where to end the session there; "" where it names no place
}

// serviceView fills in what the page shows of the service, nil where there is none.
func (s *service) serviceView(v *serviceView, next string) *serviceView {
	if s.SignInService == nil {
		return nil
	}
	if v == nil {
		v = &serviceView{}
	}
	if s.SignInService.Ready() {
		q := url.Values{}
		if next != "/" {
			q.Set("next", next)
		}
		v.Begin = "/sign-in/oidc?" + q.Encode()
		q.Set("again", "yes")
		v.Again = "/sign-in/oidc?" + q.Encode()
	}
	if v.Left {
		v.Leave = s.SignInService.EndSession()
	}
	return v
}

// beginAtService sends the browser to the sign-in service. A link on another site
// leads to the sign-in page first: nobody is signed in who did not ask for it here.
func (s *service) beginAtService(c *frame.Request) (frame.Page, error) {
	if s.SignInService == nil {
		return frame.NotFound()
	}
	next := frame.LocalPath(c.Query("next"))
	if len(next) > maxNext {
		next = "/"
	}
	if c.GetHeader("Sec-Fetch-Site") == "cross-site" {
		return frame.SeeOther("/sign-in?" + url.Values{"next": {next}}.Encode())
	}
	if _, err := s.Resolve(c, true); err == nil { // signed in already
		return frame.SeeOther(next)
	}
	address, flow, err := s.SignInService.Begin(next, c.Query("again") != "")
	if err != nil {
		return s.refuseArrival(c, s.byService(), err)
	}
	return s.begun(c, flowCookie, address, flow)
}

// backFromService receives the browser from the sign-in service, and signs in who it
// says it is.
func (s *service) backFromService(c *frame.Request) (frame.Page, error) {
	if s.SignInService == nil {
		return frame.NotFound()
	}
	flow := s.flowOf(c, flowCookie)
	frame.SetCookie(c, flowCookie, "", -1)
	who, err := s.SignInService.Finish(c.Request.Context(), flow, c.Request.URL.Query())
	if err != nil {
		return s.refuseArrival(c, s.byService(), err)
	}
	return s.arrive(c, s.byService(), who, func(a records.Account) (frame.Page, error) {
		return s.land(c, a, frame.LocalPath(flow.Next))
	})
}

func (s *service) noteArrival(c *frame.Request, outcome, who, note string) error {
	return s.Noted(c, records.AuditEntry{Did: audit.SignIn, Outcome: outcome, Who: who, Note: note})
}

// flowOf is the sign-in that the browser has begun; its zero value, which no answer
// fits, where there is none.
func (s *service) flowOf(c *frame.Request, cookie string) (f idp.Flow) {
	plain, err := s.Accounts.Unseal(c.Request.Context(), cookie, frame.CookieOf(c, cookie))
	if err != nil || json.Unmarshal(plain, &f) != nil {
		return idp.Flow{}
	}
	return f
}

// Notes of the audit on sign-ins by the service.
const byService = "by the sign-in service"

// whyNot names the subject: by it an administrator tells who was not let in, and can
// join that person with an account.
func whyNot(who idp.Person, err error) string {
	why := "no group gives a role"
	switch {
	case errors.Is(err, auth.ErrDisabled):
		why = "the account is disabled"
	case errors.Is(err, auth.ErrNameTaken):
		why = "another account has the name"
	case errors.Is(err, auth.ErrBadName):
		why = "no name that can serve"
	}
	return why + "; subject " + who.Identity.Subject
}

func whatCame(got auth.Arrived) string {
	switch {
	case got.Made:
		return ": account made"
	case got.Changed:
		return ": roles or units changed"
	}
	return ""
}

// refuseArrival answers a sign-in at a service that does not hold: in words that
// tell what to do, and nothing of what was checked.
func (s *service) refuseArrival(c *frame.Request, by way, err error) (frame.Page, error) {
	var why *idp.Refusal
	if !errors.As(err, &why) {
		return nil, err
	}
	s.Metrics.SignIns.WithLabelValues("wrong").Inc()
	s.Log.Warn("a sign-in "+by.note+" was refused", "reason", string(why.Reason), "error", why.Err)
	if err := s.noteArrival(c, frame.Refused, "", by.note+": "+string(why.Reason)); err != nil {
		return nil, err
	}
	status, words := by.tells(why.Reason)
	return frame.Tell(status, by.heading, words)
}

func (s *service) byService() way {
	return way{byService, text.Say("service.refused"), func(why idp.Reason) (status int, words string) {
		switch why {
		case idp.NotBegun, idp.WrongState, idp.UsedState, idp.Malformed:
			return http.StatusBadRequest, text.Say("service.nothing-begun", s.SignInService.PublicURL)
		case idp.TooLate:
			return http.StatusBadRequest, text.Say("service.too-late", int(idp.FlowLife.Minutes()))
		case idp.Denied:
			return http.StatusForbidden, text.Say("service.denied")
		case idp.TooOld:
			return http.StatusForbidden, text.Say("service.too-old")
		case idp.Unreachable:
			return http.StatusServiceUnavailable, text.Say("service.unreachable")
		}
		return http.StatusForbidden, text.Say("service.unproved")
	}}
}
