package account

import (
	"errors"
	"net/http"
	"strconv"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// noteSignIn records who came in, or that somebody did not. A name is recorded only
// if there is such an account: people type passwords into the wrong field.
func (s *service) noteSignIn(c *gin.Context, name, outcome string) bool {
	e := audit.Entry{Did: audit.SignIn, Outcome: outcome}
	if a, err := s.Accounts.Named(c.Request.Context(), name); err == nil {
		e.Who = a.Name
	} else {
		e.Note = "no such account"
	}
	return s.MustNote(c, e)
}

// DemoAccount is an account that the demo shows on its sign-in page.
type DemoAccount struct {
	Role           auth.Role
	Name, Password string
	Sees           string // in words
}

type signInView struct {
	frame.Layout
	Name, Next string
	Error      string
	None       bool // there are no accounts yet
	Demo       []DemoAccount
	Service    *serviceView // nil where there is no sign-in service
}

func (s *service) signInPage(c *gin.Context) {
	next := frame.LocalPath(c.Query("next"))
	_, err := s.Resolve(c, true)
	switch {
	case err == nil:
		c.Redirect(http.StatusSeeOther, next)
		return
	case clinical.CodeOf(err) != clinical.NotFound:
		s.Fail(c, err)
		return
	}
	s.showSignIn(c, http.StatusOK, signInView{Next: next, Service: &serviceView{Left: c.Query("left") != ""}})
}

func (s *service) showSignIn(c *gin.Context, status int, v signInView) {
	some, err := s.Accounts.Any(c.Request.Context())
	if err != nil {
		s.Fail(c, err)
		return
	}
	v.Layout, v.None = s.Bare(c, text.Say("signin.heading")), !some && s.SignInService == nil
	v.Service = s.serviceView(v.Service, v.Next)
	if frame.CameFrom(c).Local {
		v.Demo = s.Demo
	}
	s.Show(c, status, "signin", v)
}

func (s *service) signIn(c *gin.Context) {
	form, ok := s.Form(c)
	if !ok {
		return
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
		// Once for each wrong password: who sends on and on would fill the audit.
		if !wait.Again && !s.noteSignIn(c, v.Name, "made to wait") {
			return
		}
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		v.Error = frame.Sentence(err)
		s.showSignIn(c, http.StatusTooManyRequests, v)
	case clinical.CodeOf(err) == clinical.Invalid:
		s.Metrics.SignIns.WithLabelValues("wrong").Inc()
		if !s.noteSignIn(c, v.Name, frame.Refused) {
			return
		}
		v.Error = frame.Sentence(err)
		s.showSignIn(c, http.StatusUnauthorized, v)
	case err != nil:
		s.Fail(c, err)
	default:
		s.Metrics.SignIns.WithLabelValues("right").Inc()
		if !s.noteSignIn(c, v.Name, frame.Allowed) {
			return
		}
		frame.SetCookie(c, frame.SessionCookie, signed.Token, 0)
		frame.SetCookie(c, frame.MarksCookie, signed.Marks, frame.MarksAge)
		c.Redirect(http.StatusSeeOther, v.Next)
	}
}

type signOutView struct {
	frame.Layout
	FromService bool
}

func (s *service) signOutPage(c *gin.Context) {
	s.Show(c, http.StatusOK, "signout", signOutView{s.Layout(c, text.Say("signout.heading")), frame.AccountOf(c).FromService()})
}

// signOut ends the session, or every session of the account. The browser drops
// what it keeps of this site, cookies apart.
func (s *service) signOut(c *gin.Context) {
	form, ok := s.Form(c)
	if !ok {
		return
	}
	err := s.Accounts.SignOut(c.Request.Context(), frame.CookieOf(c, frame.SessionCookie))
	if err == nil && form.Get("everywhere") != "" {
		err = s.Accounts.SignOutEverywhere(c.Request.Context(), frame.AccountOf(c).ID)
	}
	if err != nil {
		s.Fail(c, err)
		return
	}
	e := audit.Entry{Did: audit.SignOut, Outcome: frame.Allowed}
	if form.Get("everywhere") != "" {
		e.Note = "everywhere"
	}
	if !s.MustNote(c, e) {
		return
	}
	frame.SetCookie(c, frame.SessionCookie, "", -1)
	c.Header("Clear-Site-Data", `"cache", "storage"`)
	if frame.AccountOf(c).FromService() {
		c.Redirect(http.StatusSeeOther, "/sign-in?left=service")
		return
	}
	c.Redirect(http.StatusSeeOther, "/sign-in")
}
