package frame

import (
	"net/http"
	"net/url"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
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

// CookieOf is the value of a cookie, "" where there is none.
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
func (s *Frame) Resolve(c *gin.Context, quiet bool) (records.Account, error) {
	a, err := s.Accounts.Resolve(c.Request.Context(), CookieOf(c, SessionCookie), quiet)
	if err == nil {
		c.Set(accountKey, a)
	}
	return a, err
}

// identify finds who asks. The error leads to the sign-in where nobody is signed in, and
// to the change of a password where that must come first.
func (s *Frame) identify(c *gin.Context) (records.Account, error) {
	quiet := isReading(c) && c.GetHeader(refreshHeader) != ""
	a, err := s.Resolve(c, quiet)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound:
		return a, askToSignIn(c)
	case err != nil:
		return a, err
	case a.OneTime && c.FullPath() != "/account" && c.FullPath() != "/sign-out":
		if isAPI(c) {
			return a, &Message{http.StatusForbidden, "", text.Say("message.password-first")}
		}
		return a, &elsewhere{"/account"}
	}
	return a, nil
}

func isReading(c *gin.Context) bool {
	return c.Request.Method == http.MethodGet || c.Request.Method == http.MethodHead
}

// isAPI reports whether a program asks, which is answered in JSON.
func isAPI(c *gin.Context) bool {
	return strings.HasPrefix(c.Request.URL.Path, "/api/") || c.Request.URL.Path == "/metrics"
}

// askToSignIn leads a page to the sign-in and back; a program is told.
func askToSignIn(c *gin.Context) error {
	if isAPI(c) {
		c.Header("WWW-Authenticate", challenge)
		return &Message{http.StatusUnauthorized, "", text.Say("message.nobody")}
	}
	to := "/sign-in"
	if isReading(c) {
		if next := LocalPath(c.Request.URL.RequestURI()); next != "/" {
			to += "?next=" + url.QueryEscape(next)
		}
	} else if CookieOf(c, SessionCookie) != "" {
		to += "?ended=yes" // what was sent is not stored, and the page says why
	}
	return &elsewhere{to}
}

// LocalPath is a path on this site, "/" for whatever else is given. Browsers read
// a backslash as a slash, and pass over control characters.
func LocalPath(s string) string {
	u, err := url.Parse(s)
	odd := strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f || r == '\\' })
	if err != nil || odd || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(
		s, "/",
	) || strings.HasPrefix(s, "//") ||
		u.Path == "/sign-in" || strings.HasPrefix(u.Path, "/sign-in/") || u.Path == "/sign-out" {
		return "/"
	}
	return s
}
