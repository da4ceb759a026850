package server

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/text"
)

// challenge asks a program for a token (RFC 6750, section 3).
const challenge = `Bearer realm="plumbline"`

const tokenKey = "token"

// bearer is the token that a request carries. A request with two, or with one that is
// no token, carries one that nobody has.
func bearer(r *http.Request) (token string, carried bool) {
	all := r.Header.Values("Authorization")
	for _, h := range all {
		words := strings.Fields(h)
		if len(words) > 0 && strings.EqualFold(words[0], "Bearer") {
			token, carried = strings.Join(words[1:], " "), true
		}
	}
	if len(all) > 1 {
		token = ""
	}
	return token, carried
}

// tokenCaller is a machine with a token.
type tokenCaller struct{ auth.APIToken }

func (t tokenCaller) meets(r rule) bool {
	return r.scope == anyToken || r.scope != "" && t.May(r.scope)
}

// tokenOf is the token of the request; its zero value where it came with none.
func tokenOf(c *gin.Context) auth.APIToken {
	v, _ := c.Get(tokenKey)
	t, _ := v.(auth.APIToken)
	return t
}

// whoOf is how the audit names who asks.
func whoOf(c *gin.Context) string {
	if t := tokenOf(c); t.Name != "" {
		return t.Who()
	}
	return accountOf(c).Name
}

// allowsToken is allows for a request with a token, whose cookies then count for
// nothing. A token opens no page.
func (s *server) allowsToken(c *gin.Context, r rule, token string) bool {
	if !isAPI(c) {
		s.tell(c, http.StatusForbidden, text.Say("message.no-token-here"), text.Say("message.no-token-here-says"))
		return false
	}
	t, err := s.Tokens.Resolve(c.Request.Context(), token)
	switch {
	case errors.Is(err, auth.ErrToken):
		s.refuseToken(c, t)
		return false
	case err != nil:
		s.fail(c, err)
		return false
	}
	s.metrics.tokens.WithLabelValues("right").Inc()
	c.Set(tokenKey, t)
	return s.permits(c, r, tokenCaller{t}) && s.noteRoute(c, r, allowed)
}

// refuseToken answers a token that does not serve. One that was known once is no guess,
// and is recorded under its name; of others an address has so many.
func (s *server) refuseToken(c *gin.Context, known auth.APIToken) {
	e := audit.Entry{Did: audit.SignIn, Outcome: refused, Note: "no such token"}
	if known.Name != "" {
		e.Who, e.Note = known.Who(), "expired or revoked"
	} else if err := s.Tokens.Wrong(from(c).address); err != nil {
		var wait *auth.WaitError
		errors.As(err, &wait)
		s.metrics.tokens.WithLabelValues("wait").Inc()
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		s.tell(c, http.StatusTooManyRequests, "", text.Say("message.wrong-tokens"))
		return
	}
	s.metrics.tokens.WithLabelValues("wrong").Inc()
	if !s.note(c, e) {
		return
	}
	c.Header("WWW-Authenticate", challenge+`, error="invalid_token"`)
	s.tell(c, http.StatusUnauthorized, "", sentence(auth.ErrToken))
}

func (s *server) lacksScope(c *gin.Context) {
	c.Header("WWW-Authenticate", challenge+`, error="insufficient_scope"`)
	s.tell(c, http.StatusForbidden, "", text.Say("message.lacks-scope"))
}
