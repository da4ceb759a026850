package server

import (
	"errors"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// maxForm bounds the body of a form, in bytes.
const maxForm = 64 << 10

// form reads the form of a request. It answers itself and returns false where
// there is none that can be read.
func (s *server) form(c *gin.Context) (url.Values, bool) {
	c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, maxForm)
	if err := c.Request.ParseForm(); err != nil {
		status := http.StatusBadRequest
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			status = http.StatusRequestEntityTooLarge
		}
		s.tell(c, status, text.Say("message.odd-form"), text.Say("message.odd-form-says"))
		return nil, false
	}
	if !isText(c.Request.PostForm.Get("next")) {
		c.Request.PostForm.Del("next") // the first page serves as well
	}
	if !allText(c.Request.PostForm) {
		s.tell(c, http.StatusBadRequest, text.Say("message.odd-form"), text.Say("message.odd-bytes-says"))
		return nil, false
	}
	return c.Request.PostForm, true
}

// The cookies. Behind TLS their names bind them to this host (prefix __Host-).
const (
	sessionCookie = "plumbline_session"
	marksCookie   = "plumbline_browser"
	marksAge      = 365 * 24 * 3600 // seconds
)

func cookieName(c *gin.Context, name string) string {
	if from(c).https {
		return "__Host-" + name
	}
	return name
}

func cookieOf(c *gin.Context, name string) string {
	k, err := c.Request.Cookie(cookieName(c, name))
	if err != nil {
		return ""
	}
	return k.Value
}

// setCookie sets a cookie that no script can read. age is in seconds: 0 for as long
// as the browser runs, below 0 to remove it.
func setCookie(c *gin.Context, name, value string, age int) {
	http.SetCookie(c.Writer, &http.Cookie{
		Name: cookieName(c, name), Value: value, Path: "/", MaxAge: age,
		HttpOnly: true, Secure: from(c).https, SameSite: http.SameSiteLaxMode,
	})
}

// refreshHeader marks a request that a page makes by itself.
const refreshHeader = "Plumbline-Refresh"

// resolve finds the account of the request's session.
func (s *server) resolve(c *gin.Context, quiet bool) (auth.Account, error) {
	a, err := s.Accounts.Resolve(c.Request.Context(), cookieOf(c, sessionCookie), quiet)
	if err == nil {
		c.Set(accountKey, a)
	}
	return a, err
}

// identify finds who asks. It answers itself and returns false where nobody is
// signed in, or where a password must be changed first.
func (s *server) identify(c *gin.Context) (auth.Account, bool) {
	quiet := isReading(c) && c.GetHeader(refreshHeader) != ""
	a, err := s.resolve(c, quiet)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound:
		s.askToSignIn(c)
		return a, false
	case err != nil:
		s.fail(c, err)
		return a, false
	case a.OneTime && c.FullPath() != "/account" && c.FullPath() != "/sign-out":
		if isAPI(c) {
			s.tell(c, http.StatusForbidden, "", text.Say("message.password-first"))
		} else {
			c.Redirect(http.StatusSeeOther, "/account")
		}
		return a, false
	}
	return a, true
}

func isReading(c *gin.Context) bool {
	return c.Request.Method == http.MethodGet || c.Request.Method == http.MethodHead
}

// isAPI reports whether a program asks, which is answered in JSON.
func isAPI(c *gin.Context) bool {
	return strings.HasPrefix(c.Request.URL.Path, "/api/") || c.Request.URL.Path == "/metrics"
}

// askToSignIn leads a page to the sign-in and back; a program is told.
func (s *server) askToSignIn(c *gin.Context) {
	if isAPI(c) {
		c.Header("WWW-Authenticate", challenge)
		s.tell(c, http.StatusUnauthorized, "", text.Say("message.nobody"))
		return
	}
	to := "/sign-in"
	if isReading(c) {
		if next := localPath(c.Request.URL.RequestURI()); next != "/" {
			to += "?next=" + url.QueryEscape(next)
		}
	}
	c.Redirect(http.StatusSeeOther, to)
}

// localPath is a path on this site, "/" for whatever else is given. Browsers read
// a backslash as a slash, and pass over control characters.
func localPath(s string) string {
	u, err := url.Parse(s)
	odd := strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' })
	if err != nil || odd || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(s, "/") || strings.HasPrefix(s, "//") ||
		u.Path == "/sign-in" || strings.HasPrefix(u.Path, "/sign-in/") || u.Path == "/sign-out" {
		return "/"
	}
	return s
}

// DemoAccount is an account that the demo shows on its sign-in page.
type DemoAccount struct {
	Role           auth.Role
	Name, Password string
	Sees           string // in words
}

type signInView struct {
	frame
	Name, Next string
	Error      string
	None       bool // there are no accounts yet
	Demo       []DemoAccount
	Service    *serviceView // nil where there is no sign-in service
}

func (s *server) signInPage(c *gin.Context) {
	next := localPath(c.Query("next"))
	_, err := s.resolve(c, true)
	switch {
	case err == nil:
		c.Redirect(http.StatusSeeOther, next)
		return
	case clinical.CodeOf(err) != clinical.NotFound:
		s.fail(c, err)
		return
	}
	s.showSignIn(c, http.StatusOK, signInView{Next: next, Service: &serviceView{Left: c.Query("left") != ""}})
}

func (s *server) showSignIn(c *gin.Context, status int, v signInView) {
	some, err := s.Accounts.Any(c.Request.Context())
	if err != nil {
		s.fail(c, err)
		return
	}
	v.frame, v.None = s.bare(c, text.Say("signin.heading")), !some && s.SignInService == nil
	v.Service = s.serviceView(v.Service, v.Next)
	if from(c).local {
		v.Demo = s.Demo
	}
	s.show(c, status, "signin", v)
}

func (s *server) signIn(c *gin.Context) {
	form, ok := s.form(c)
	if !ok {
		return
	}
	v := signInView{Name: form.Get("name"), Next: localPath(form.Get("next"))}
	signed, err := s.Accounts.SignIn(c.Request.Context(), auth.SignIn{
		Name: v.Name, Password: form.Get("password"), Address: from(c).address,
		Marks: cookieOf(c, marksCookie), Token: cookieOf(c, sessionCookie),
	})
	var wait *auth.WaitError
	switch {
	case errors.As(err, &wait):
		s.metrics.signIns.WithLabelValues("wait").Inc()
		// Once for each wrong password: who sends on and on would fill the audit.
		if !wait.Again && !s.noteSignIn(c, v.Name, "made to wait") {
			return
		}
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		v.Error = sentence(err)
		s.showSignIn(c, http.StatusTooManyRequests, v)
	case clinical.CodeOf(err) == clinical.Invalid:
		s.metrics.signIns.WithLabelValues("wrong").Inc()
		if !s.noteSignIn(c, v.Name, refused) {
			return
		}
		v.Error = sentence(err)
		s.showSignIn(c, http.StatusUnauthorized, v)
	case err != nil:
		s.fail(c, err)
	default:
		s.metrics.signIns.WithLabelValues("right").Inc()
		if !s.noteSignIn(c, v.Name, allowed) {
			return
		}
		setCookie(c, sessionCookie, signed.Token, 0)
		setCookie(c, marksCookie, signed.Marks, marksAge)
		c.Redirect(http.StatusSeeOther, v.Next)
	}
}

// sentence is an error as a sentence of a page.
func sentence(err error) string {
	says := err.Error()
	return strings.ToUpper(says[:1]) + says[1:] + "."
}

type signOutView struct {
	frame
	FromService bool
}

func (s *server) signOutPage(c *gin.Context) {
	s.show(c, http.StatusOK, "signout", signOutView{s.frame(c, text.Say("signout.heading")), accountOf(c).FromService()})
}

// signOut ends the session, or every session of the account. The browser drops
// what it keeps of this site, cookies apart.
func (s *server) signOut(c *gin.Context) {
	form, ok := s.form(c)
	if !ok {
		return
	}
	err := s.Accounts.SignOut(c.Request.Context(), cookieOf(c, sessionCookie))
	if err == nil && form.Get("everywhere") != "" {
		err = s.Accounts.SignOutEverywhere(c.Request.Context(), accountOf(c).ID)
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	e := audit.Entry{Did: audit.SignOut, Outcome: allowed}
	if form.Get("everywhere") != "" {
		e.Note = "everywhere"
	}
	if !s.note(c, e) {
		return
	}
	setCookie(c, sessionCookie, "", -1)
	c.Header("Clear-Site-Data", `"cache", "storage"`)
	if accountOf(c).FromService() {
		c.Redirect(http.StatusSeeOther, "/sign-in?left=service")
		return
	}
	c.Redirect(http.StatusSeeOther, "/sign-in")
}

// accountView is the page of one's own account.
type accountView struct {
	frame
	Name         string
	Roles, Units string
	OneTime      bool
	Changed      bool
	Error        string
	OfCurrent    bool // the error is of the current password
	Min, Max     int
	FromService  bool // there is no password to change
}

func (s *server) showAccount(c *gin.Context, status int, v accountView) {
	a := accountOf(c)
	v.frame, v.Name, v.OneTime, v.Min, v.Max = s.frame(c, text.Say("account.heading")).at("/account"), a.Name, a.OneTime, auth.MinPassword, auth.MaxPassword
	v.Roles, v.Units, v.FromService = rolesOf(a), unitsOf(a), a.FromService()
	s.show(c, status, "account", v)
}

func (s *server) accountPage(c *gin.Context) {
	s.showAccount(c, http.StatusOK, accountView{Changed: c.Query("changed") != ""})
}

func (s *server) changePassword(c *gin.Context) {
	form, ok := s.form(c)
	if !ok {
		return
	}
	fresh, again := form.Get("new"), form.Get("again")
	if fresh != again {
		s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: text.Say("account.differ")})
		return
	}
	token, err := s.Accounts.ChangePassword(c.Request.Context(), accountOf(c), cookieOf(c, sessionCookie), form.Get("current"), fresh)
	var wait *auth.WaitError
	switch {
	case errors.As(err, &wait):
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		s.showAccount(c, http.StatusTooManyRequests, accountView{Error: sentence(err), OfCurrent: true})
	case errors.Is(err, auth.ErrCurrent):
		s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: sentence(err), OfCurrent: true})
	case clinical.CodeOf(err) == clinical.Invalid:
		s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: sentence(err)})
	case err != nil:
		s.fail(c, err)
	default:
		if !s.note(c, audit.Entry{Did: audit.Manage, Outcome: allowed, Note: "own password"}) {
			return
		}
		setCookie(c, sessionCookie, token, 0)
		c.Redirect(http.StatusSeeOther, "/account?changed=1")
	}
}
