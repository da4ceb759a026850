package account

import (
	"errors"
	"net/http"
	"strconv"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// noteSignIn records who came in, or that somebody did not. A name is recorded only
// if there is such an account: people type passwords into the wrong field.
func (s *service) noteSignIn(c *frame.Request, name, outcome string) error {
	e := records.AuditEntry{Did: audit.SignIn, Outcome: outcome}
	if a, err := s.Accounts.Named(c.Request.Context(), name); err == nil {
		e.Who = a.Name
	} else {
		e.Note = "no such account"
	}
	return s.Noted(c, e)
}

// DemoAccount is an account that the demo shows on its sign-in page.
type DemoAccount struct {
	Role           records.Role
	Name, Password string
	Sees           string // in words
}

type signInView struct {
	frame.Layout
	Name, Next string
	Error      string
	None       bool // there are no accounts yet
	Ended      bool // something was sent after the session had ended
	Demo       []DemoAccount
	Service    *serviceView // nil where there is no sign-in service
}

func (s *service) signInPage(c *frame.Request) (frame.Page, error) {
	next := frame.LocalPath(c.Query("next"))
	_, err := s.Resolve(c, true)
	switch {
	case err == nil:
		return frame.SeeOther(next)
	case clinical.CodeOf(err) != clinical.NotFound:
		return nil, err
	}
	left := &serviceView{Left: c.Query("left") != ""}
	return s.showSignIn(c, http.StatusOK, signInView{Next: next, Ended: c.Query("ended") != "", Service: left})
}

func (s *service) showSignIn(c *frame.Request, status int, v signInView) (frame.Page, error) {
	some, err := s.Accounts.Any(c.Request.Context())
	if err != nil {
		return nil, err
	}
	v.Layout, v.None = s.Bare(c, text.Say("signin.heading")), !some && s.SignInService == nil
	v.Service = s.serviceView(v.Service, v.Next)
	if frame.CameFrom(c).Local {
		v.Demo = s.Demo
	}
	return frame.Show(status, "signin", v)
}

func (s *service) signIn(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	v := signInView{Name: form.Get("name"), Next: frame.LocalPath(form.Get("next"))}
	signed, err := s.Accounts.SignIn(c.Request.Context(), auth.SignIn{
		Name: v.Name, Password: form.Get("password"), Address: frame.CameFrom(c).Address,
		Marks: frame.CookieOf(c, frame.MarksCookie), Token: frame.CookieOf(c, frame.SessionCookie),
	})
	var wait *auth.WaitError
	switch {
	case errors.As(err, &wait):
		s.Metrics.SignIns.WithLabelValues("wait").Inc()
		// Recorded once for each wrong password: repeating one must not fill the audit.
		if !wait.Again {
			if err := s.noteSignIn(c, v.Name, "made to wait"); err != nil {
				return nil, err
			}
		}
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		v.Error = frame.Sentence(err)
		return s.showSignIn(c, http.StatusTooManyRequests, v)
	case clinical.CodeOf(err) == clinical.Invalid:
		s.Metrics.SignIns.WithLabelValues("wrong").Inc()
		if err := s.noteSignIn(c, v.Name, frame.Refused); err != nil {
			return nil, err
		}
		v.Error = frame.Sentence(err)
		return s.showSignIn(c, http.StatusUnauthorized, v)
	case err != nil:
		return nil, err
	default:
		s.Metrics.SignIns.WithLabelValues("right").Inc()
		if err := s.noteSignIn(c, v.Name, frame.Allowed); err != nil {
			return nil, err
		}
		frame.SetCookie(c, frame.SessionCookie, signed.Token, 0)
		frame.SetCookie(c, frame.MarksCookie, signed.Marks, frame.MarksAge)
		return s.land(c, signed.Account, v.Next)
	}
}

// land leads who has signed in to the page asked for, and without one to where the role works.
func (s *service) land(c *frame.Request, a records.Account, next string) (frame.Page, error) {
	if next != "/" {
		return frame.SeeOther(next)
	}
	units, err := s.UnitsFor(c.Request.Context(), a)
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	return frame.SeeOther(frame.LandingURL(a, units, s.TakesSets))
}

type signOutView struct {
	frame.Layout
	FromService bool
}

func (s *service) signOutPage(c *frame.Request) (frame.Page, error) {
	return frame.Show(
		http.StatusOK, "signout", signOutView{s.Layout(c, text.Say("signout.heading")), frame.AccountOf(c).FromService()},
	)
}

// signOut ends the session, or every session of the account. The browser drops
// what it keeps of this site, cookies apart.
func (s *service) signOut(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	err = s.Accounts.SignOut(c.Request.Context(), frame.CookieOf(c, frame.SessionCookie))
	if err == nil && form.Get("everywhere") != "" {
		err = s.Accounts.SignOutEverywhere(c.Request.Context(), frame.AccountOf(c).ID)
	}
	if err != nil {
		return nil, err
	}
	e := records.AuditEntry{Did: audit.SignOut, Outcome: frame.Allowed}
	if form.Get("everywhere") != "" {
		e.Note = "everywhere"
	}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	frame.SetCookie(c, frame.SessionCookie, "", -1)
	c.Header("Clear-Site-Data", `"cache", "storage"`)
	if frame.AccountOf(c).FromService() {
		return frame.SeeOther("/sign-in?left=service")
	}
	return frame.SeeOther("/sign-in")
}
