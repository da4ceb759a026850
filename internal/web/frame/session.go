package frame

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// The cookies. Behind TLS their names bind them to this host (prefix __Host-).
const (
	SessionCookie = "plumbline_session"
	MarksCookie   = "plumbline_browser"
	MarksAge      = 365 * 24 * 3600 // seconds
)

func cookieName(c *gin.Context, name string) string {
	if CameFrom(c).https {
		return "__Host-" + name
	}
	return name
}

func CookieOf(c *gin.Context, name string) string {
	k, err := c.Request.Cookie(cookieName(c, name))
	if err != nil {
		return ""
	}
	return k.Value
}

// SetCookie sets a cookie that no script can read. age is in seconds: 0 for as long
// as the browser runs, below 0 to remove it.
func SetCookie(c *gin.Context, name, value string, age int) {
	http.SetCookie(c.Writer, &http.Cookie{
		Name: cookieName(c, name), Value: value, Path: "/", MaxAge: age,
		HttpOnly: true, Secure: CameFrom(c).https, SameSite: http.SameSiteLaxMode,
	})
}

// refreshHeader marks a request that a page makes by itself.
const refreshHeader = "Plumbline-Refresh"

// Resolve finds the account of the request's session.
func (s *Frame) Resolve(c *gin.Context, quiet bool) (auth.Account, error) {
	a, err := s.Accounts.Resolve(c.Request.Context(), CookieOf(c, SessionCookie), quiet)
	if err == nil {
		c.Set(accountKey, a)
	}
	return a, err
}

// identify finds who asks. It answers itself and returns false where nobody is
// signed in, or where a password must be changed first.
func (s *Frame) identify(c *gin.Context) (auth.Account, bool) {
	quiet := isReading(c) && c.GetHeader(refreshHeader) != ""
	a, err := s.Resolve(c, quiet)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound:
		s.askToSignIn(c)
		return a, false
	case err != nil:
		s.Fail(c, err)
		return a, false
	case a.OneTime && c.FullPath() != "/account" && c.FullPath() != "/sign-out":
		if isAPI(c) {
			s.Tell(c, http.StatusForbidden, "", text.Say("message.password-first"))
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
func (s *Frame) askToSignIn(c *gin.Context) {
	if isAPI(c) {
		c.Header("WWW-Authenticate", challenge)
		s.Tell(c, http.StatusUnauthorized, "", text.Say("message.nobody"))
		return
	}
	to := "/sign-in"
	if isReading(c) {
		if next := LocalPath(c.Request.URL.RequestURI()); next != "/" {
			to += "?next=" + url.QueryEscape(next)
		}
	}
	c.Redirect(http.StatusSeeOther, to)
}

// LocalPath is a path on this site, "/" for whatever else is given. Browsers read
// a backslash as a slash, and pass over control characters.
func LocalPath(s string) string {
	u, err := url.Parse(s)
	odd := strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' })
	if err != nil || odd || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(s, "/") || strings.HasPrefix(s, "//") ||
		u.Path == "/sign-in" || strings.HasPrefix(u.Path, "/sign-in/") || u.Path == "/sign-out" {
		return "/"
	}
	return s
}
