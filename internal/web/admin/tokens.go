package admin

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// tokensView is the administrator's list of tokens, with the form for a new one.
type tokensView struct {
	frame.Layout
	Tokens  []tokenLine
	Form    tokenForm
	Made    *madeToken
	Revoked string // the name of one that was just revoked
}

type tokenLine struct {
	Name, Scopes, Units, MadeBy, MadeAt, Expires, Used, State string
	Revoke                                                    string // the address that ends it; "" where it has ended
}

// madeToken is a token that was just made, shown this once.
type madeToken struct{ Name, Secret, Expires string }

// tokenForm is the form of a new token, as it was filled in.
type tokenForm struct {
	Name, Units, Days string
	MaxDays           int
	Scopes            []roleChoice
	Known             string // units that the feeds have named
	Error             string
}

func (s *service) tokenForm(c *frame.Request, form url.Values, err error) tokenForm {
	f := tokenForm{Name: form.Get("name"), Units: form.Get("units"), Days: form.Get("days"), MaxDays: auth.MaxTokenDays}
	if form == nil {
		f.Days = strconv.Itoa(auth.DefaultTokenDays)
	}
	if err != nil {
		f.Error = frame.Sentence(err)
	}
	for _, scope := range records.Scopes {
		f.Scopes = append(f.Scopes, roleChoice{
			string(scope), string(scope), text.ScopeSays[string(scope)], slices.Contains(form["scope"], string(scope)),
		})
	}
	f.Known = s.knownUnits(c)
	return f
}

func (s *service) tokensPage(c *frame.Request) (frame.Page, error) {
	return s.showTokens(c, http.StatusOK, tokensView{Form: s.tokenForm(c, nil, nil)})
}

func (s *service) showTokens(c *frame.Request, status int, v tokensView) (frame.Page, error) {
	all, err := s.Tokens.List(c.Request.Context())
	if err != nil {
		return nil, err
	}
	v.Layout = s.Layout(c, text.Say("tokens.heading")).At("/tokens")
	for _, t := range all {
		v.Tokens = append(v.Tokens, s.tokenLine(t))
	}
	return frame.Show(status, "tokens", v)
}

func (s *service) tokenLine(t records.APIToken) tokenLine {
	l := tokenLine{
		Name: t.Name, Scopes: t.ScopeWords(), Units: t.UnitWords(), MadeBy: t.MadeBy, MadeAt: s.minutes(t.MadeAt),
		Expires: s.minutes(t.ExpiresAt),
		Used:    text.Say("tokens.never"), State: text.Say("tokens.holds"),
	}
	if !t.UsedAt.IsZero() {
		l.Used = s.minutes(t.UsedAt)
	}
	switch now := s.Clock(); {
	case !t.RevokedAt.IsZero():
		l.State = text.Say("tokens.was-revoked", s.minutes(t.RevokedAt))
	case !t.Holds(now):
		l.State = text.Say("tokens.expired")
	default:
		l.Revoke = "/tokens/" + strconv.FormatInt(t.ID, 10) + "/revoke"
	}
	return l
}

func (s *service) minutes(t time.Time) string { return s.Times(s.Clock(), true).Time(t) }

// addToken makes a token and shows it this once.
func (s *service) addToken(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	expires, err := auth.TokenEnd(form.Get("days"), s.Clock())
	t := auth.ParseAPIToken(form.Get("name"), form["scope"], strings.Split(form.Get("units"), ","), expires)
	if err == nil {
		err = s.Tokens.Check(c.Request.Context(), t)
	}
	var secret string
	if err == nil {
		if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: "made " + t.Words()}); err != nil {
			return nil, err
		}
		secret, t, err = s.Tokens.Make(c.Request.Context(), t, frame.AccountOf(c).Name)
	}
	switch clinical.CodeOf(err) {
	case "":
		return s.showTokens(
			c, http.StatusOK,
			tokensView{Form: s.tokenForm(c, nil, nil), Made: &madeToken{t.Name, secret, s.minutes(t.ExpiresAt)}},
		)
	case clinical.Invalid, clinical.Conflict:
		return s.showTokens(c, http.StatusUnprocessableEntity, tokensView{Form: s.tokenForm(c, form, err)})
	default:
		return nil, err
	}
}

// revokeToken ends a token at once.
func (s *service) revokeToken(c *frame.Request) (frame.Page, error) {
	id, err := strconv.ParseInt(c.Param("token"), 10, 64)
	if err != nil {
		return frame.NotFound()
	}
	t, err := s.Tokens.ByID(c.Request.Context(), id)
	if err != nil {
		return nil, err
	}
	if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: "revoked " + t.Who()}); err != nil {
		return nil, err
	}
	if err := s.Tokens.Revoke(c.Request.Context(), id); err != nil {
		return nil, err
	}
	return s.showTokens(c, http.StatusOK, tokensView{Form: s.tokenForm(c, nil, nil), Revoked: t.Name})
}
