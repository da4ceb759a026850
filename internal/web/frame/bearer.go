package frame

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// challenge asks a program for a token (RFC 6750, section 3).
const challenge = `Bearer realm="plumbline"`

const tokenKey = "token"

// bearer is the token that a request carries. Two tokens, or what is no token, are read as
// one that nobody has, and so refused.
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
type tokenCaller struct{ records.APIToken }

func (t tokenCaller) meets(r Rule) bool {
	return r.scope == AnyToken || r.scope != "" && t.May(r.scope)
}

// tokenOf is the token of the request; its zero value where it came with none.
func tokenOf(c *gin.Context) records.APIToken {
	v, _ := c.Get(tokenKey)
	t, _ := v.(records.APIToken)
	return t
}

// Machine is how the audit names the machine that asks; "" where an account does.
func Machine(c *Request) string {
	if t := tokenOf(c); t.Name != "" {
		return t.Who()
	}
	return ""
}

// whoOf is how the audit names who asks.
func whoOf(c *gin.Context) string {
	if who := Machine(c); who != "" {
		return who
	}
	return AccountOf(c).Name
}

// allowsToken is allows for a request with a token, whose cookies then count for
// nothing. A token opens no page.
func (s *Frame) allowsToken(c *gin.Context, r Rule, token string) error {
	if !isAPI(c) {
		return &Message{http.StatusForbidden, text.Say("message.no-token-here"), text.Say("message.no-token-here-says")}
	}
	t, err := s.Tokens.Resolve(c.Request.Context(), token)
	switch {
	case errors.Is(err, auth.ErrToken):
		return s.refuseToken(c, t)
	case err != nil:
		return err
	}
	if !isReading(c) {
		if err := s.paced(c, t); err != nil {
			return err
		}
	}
	s.Metrics.tokens.WithLabelValues("right").Inc()
	c.Set(tokenKey, t)
	return s.admit(c, r, tokenCaller{t})
}

// paced bounds how often a token sends something, before anything is asked of the database for it.
func (s *Frame) paced(c *gin.Context, t records.APIToken) error {
	err := s.Tokens.Send(t)
	var wait *auth.PaceError
	if !errors.As(err, &wait) {
		return err
	}
	s.Metrics.tokens.WithLabelValues("wait").Inc()
	c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
	return &Message{http.StatusTooManyRequests, "", text.Say("message.sends-too-often", auth.SendsPerMinute)}
}

// refuseToken refuses a token that is not valid. An expired or revoked one is recorded
// under its name. An unknown one may be a guess: an address has only so many of those
// before it must wait.
func (s *Frame) refuseToken(c *gin.Context, known records.APIToken) error {
	e := records.AuditEntry{Did: audit.SignIn, Outcome: Refused, Note: "no such token"}
	if known.Name != "" {
		e.Who, e.Note = known.Who(), "expired or revoked"
	} else if err := s.Tokens.Wrong(CameFrom(c).Address); err != nil {
		var wait *auth.WaitError
		errors.As(err, &wait)
		s.Metrics.tokens.WithLabelValues("wait").Inc()
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		return &Message{http.StatusTooManyRequests, "", text.Say("message.wrong-tokens")}
	}
	s.Metrics.tokens.WithLabelValues("wrong").Inc()
	if err := s.Noted(c, e); err != nil {
		return err
	}
	c.Header("WWW-Authenticate", challenge+`, error="invalid_token"`)
	return &Message{http.StatusUnauthorized, "", Sentence(auth.ErrToken)}
}

func lacksScope(c *gin.Context) error {
	c.Header("WWW-Authenticate", challenge+`, error="insufficient_scope"`)
	return &Message{http.StatusForbidden, "", text.Say("message.lacks-scope")}
}
