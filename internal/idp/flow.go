package idp

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"plumbline/internal/auth"
	"plumbline/internal/records"
)

// FlowLife is how long a sign-in that was begun may take: a password and a second
// factor (common practice, no source).
const FlowLife = 10 * time.Minute

// Flow is a sign-in that was begun. The browser keeps it, sealed, until it comes back.
type Flow struct {
	State    string // tells that the answer belongs to this browser
	Nonce    string // tells that the ID token belongs to this sign-in
	Verifier string // of PKCE (RFC 7636): tells that the code does
	Next     string // path to go on to
	Again    bool   // the service must ask who it is, whoever is signed in there
	Begun    time.Time
}

// Reason is why a sign-in was refused, for the audit and the log: never what came
// from outside.
type Reason string

// The reasons.
const (
	NotBegun    Reason = "no sign-in was begun in this browser"
	TooLate     Reason = "the sign-in took too long"
	WrongState  Reason = "the state is another one"
	UsedState   Reason = "the state was used before"
	WrongIssuer Reason = "the answer names another issuer"
	Denied      Reason = "denied at the sign-in service"
	Failed      Reason = "the sign-in service reported an error"
	Malformed   Reason = "the answer lacks its code, or repeats a parameter"
	WrongCode   Reason = "the code was not taken"
	Unreachable Reason = "the sign-in service could not be reached"
	NoToken     Reason = "no ID token came"
	WrongToken  Reason = "the ID token does not hold"
	WrongNonce  Reason = "the ID token is of another sign-in"
	WrongParty  Reason = "the ID token is for another program"
	TooOld      Reason = "the sign-in at the service is too old"
	BadSubject  Reason = "the ID token names nobody"
	WrongPerson Reason = "the user info is of somebody else"
)

// Refusal is a sign-in that does not hold.
type Refusal struct {
	Reason Reason
	Err    error // for the log; nil where the reason says all
}

func (r *Refusal) Error() string {
	if r.Err != nil {
		return string(r.Reason) + ": " + r.Err.Error()
	}
	return string(r.Reason)
}

func (r *Refusal) Unwrap() error { return r.Err }

func refuse(why Reason, err error) error { return &Refusal{why, err} }

// Begin starts a sign-in: the address to send the browser to, and what it must bring
// back. again makes the service ask for a person anew.
func (s *Service) Begin(next string, again bool) (address string, f Flow, err error) {
	options := []oauth2.AuthCodeOption{
		oauth2.SetAuthURLParam("max_age", strconv.Itoa(int(auth.AbsoluteLimit.Seconds()))),
	}
	if again {
		options = append(options, oauth2.SetAuthURLParam("prompt", "login"))
	}
	return s.begin(Flow{Next: next, Again: again}, options...)
}

func (s *Service) begin(f Flow, options ...oauth2.AuthCodeOption) (string, Flow, error) {
	at := s.state()
	if at == nil {
		return "", Flow{}, refuse(Unreachable, nil)
	}
	f.State, f.Nonce, f.Verifier, f.Begun = rand.Text(), rand.Text(), oauth2.GenerateVerifier(), s.clock()
	options = append(options, oidc.Nonce(f.Nonce), oauth2.S256ChallengeOption(f.Verifier))
	return at.oauth.AuthCodeURL(f.State, options...), f, nil
}

// Person is somebody whom the service has let in, as it says.
type Person struct {
	Identity records.Identity
	Name     string
	Grants   auth.Grants
	Opened   Opened // at a launch from the record
}

// Finish checks what a browser has brought back, and asks the service who it is. The
// error is a *Refusal. Each state serves once, whatever becomes of it.
func (s *Service) Finish(ctx context.Context, f Flow, q url.Values) (Person, error) {
	at := s.state()
	if at == nil {
		return Person{}, refuse(Unreachable, nil)
	}
	code, err := s.codeOf(at, f, q)
	if err != nil {
		return Person{}, err
	}
	ctx = oidc.ClientContext(ctx, s.http)
	options, err := s.proof(at)
	if err != nil {
		return Person{}, err
	}
	tokens, err := at.oauth.Exchange(ctx, code, append(options, oauth2.VerifierOption(f.Verifier))...)
	if err != nil {
		return Person{}, exchangeRefusal(err)
	}
	raw, ok := tokens.Extra("id_token").(string)
	if !ok || raw == "" {
		return Person{}, refuse(NoToken, nil)
	}
	id, err := at.verifier.Verify(ctx, raw)
	if err != nil {
		return Person{}, refuse(WrongToken, plain(err))
	}
	says, err := s.checkToken(f, id)
	if err != nil {
		return Person{}, err
	}
	if err := s.askMore(ctx, at, id, tokens, says); err != nil {
		return Person{}, err
	}
	name, _ := says[s.NameClaim].(string)
	who := Person{
		Identity: records.Identity{Issuer: id.Issuer, Subject: id.Subject},
		Name:     name, Grants: s.Map.Of(words(says[s.GroupsClaim])),
	}
	if s.Record != "" {
		who.Opened, err = s.opened(ctx, tokens)
	}
	return who, err
}

// codeOf checks the parameters of the answer and returns its code.
func (s *Service) codeOf(at *found, f Flow, q url.Values) (string, error) {
	now := s.clock()
	switch {
	case f.State == "":
		return "", refuse(NotBegun, nil)
	case now.Sub(f.Begun) > FlowLife || now.Before(f.Begun.Add(-clockLeeway)):
		return "", refuse(TooLate, nil)
	}
	for _, name := range []string{"state", "code", "iss", "error"} {
		if len(q[name]) > 1 {
			return "", refuse(Malformed, nil)
		}
	}
	switch iss := q.Get("iss"); {
	case subtle.ConstantTimeCompare([]byte(q.Get("state")), []byte(f.State)) != 1:
		return "", refuse(WrongState, nil)
	case !s.useOnce(f, now):
		return "", refuse(UsedState, nil)
	case iss != "" && iss != at.issuer, iss == "" && at.namesItsIs: // RFC 9207: another service answers
		return "", refuse(WrongIssuer, nil)
	case q.Get("error") == "access_denied":
		return "", refuse(Denied, nil)
	case q.Has("error"):
		return "", refuse(Failed, nil)
	case q.Get("code") == "":
		return "", refuse(Malformed, nil)
	}
	return q.Get("code"), nil
}

// useOnce reports whether a state had not been used, and notes that it is now.
func (s *Service) useOnce(f Flow, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, used := s.used[f.State]; used {
		return false
	}
	if len(s.used) >= maxUsed {
		s.dropUsed(now)
	}
	s.used[f.State] = f.Begun.Add(FlowLife)
	return true
}

// dropUsed makes room: the states that have expired, and if need be any others. The
// code of an answer serves once at the service, too.
func (s *Service) dropUsed(now time.Time) {
	for state, until := range s.used {
		if now.After(until) {
			delete(s.used, state)
		}
	}
	for state := range s.used {
		if len(s.used) < maxUsed*3/4 {
			return
		}
		delete(s.used, state)
	}
}

// exchangeRefusal tells a code that was not taken from a service that is away. The
// answer's own words are left out: they may be anything.
func exchangeRefusal(err error) error {
	var answer *oauth2.RetrieveError
	if !errors.As(err, &answer) {
		return refuse(Unreachable, plain(err))
	}
	if answer.Response != nil && answer.Response.StatusCode >= 500 {
		return refuse(Unreachable, errors.New(answer.Response.Status))
	}
	switch answer.ErrorCode { // RFC 6749, section 5.2
	case "invalid_client", "unauthorized_client":
		return refuse(WrongCode, errors.New("the service does not know this program by its "+
			"oidc-client-id and oidc-client-secret; "+answer.ErrorCode))
	case "invalid_grant", "invalid_request", "unsupported_grant_type", "invalid_scope":
		return refuse(WrongCode, errors.New(answer.ErrorCode))
	}
	return refuse(WrongCode, nil)
}

// checkToken checks what the library leaves to its caller, and returns the claims.
// Signature, issuer, audience and expiry were checked by then.
func (s *Service) checkToken(f Flow, id *oidc.IDToken) (map[string]any, error) {
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(f.Nonce)) != 1 {
		return nil, refuse(WrongNonce, nil)
	}
	says := map[string]any{}
	var fixed struct {
		Party    string `json:"azp"`
		AuthTime int64  `json:"auth_time"` // Unix seconds
	}
	if err := errors.Join(id.Claims(&says), id.Claims(&fixed)); err != nil {
		return nil, refuse(WrongToken, errors.New("its claims cannot be read"))
	}
	// OpenID Connect Core 1.0, section 3.1.3.7, steps 4 and 5.
	if fixed.Party != "" && fixed.Party != s.ClientID || fixed.Party == "" && len(id.Audience) > 1 {
		return nil, refuse(WrongParty, nil)
	}
	if id.IssuedAt.After(s.clock().Add(5 * clockLeeway)) {
		return nil, refuse(WrongToken, errors.New("it was issued in the future; compare the clocks of the two machines"))
	}
	earliest := f.Begun.Add(-clockLeeway)
	if !f.Again {
		earliest = earliest.Add(-auth.AbsoluteLimit)
	}
	if fixed.AuthTime != 0 && time.Unix(fixed.AuthTime, 0).Before(earliest) { // some services do not say
		return nil, refuse(TooOld, nil)
	}
	if !fitsSubject(id.Subject) {
		return nil, refuse(BadSubject, nil)
	}
	return says, nil
}

// fitsSubject: 1 to 255 characters (OpenID Connect Core 1.0, section 2), all seen.
func fitsSubject(s string) bool {
	return s != "" && len(s) <= 255 && strings.ToValidUTF8(s, "") == s && !strings.ContainsFunc(s, unicode.IsControl)
}

// askMore takes name and groups from the user info where the ID token lacks one.
func (s *Service) askMore(ctx context.Context, at *found, id *oidc.IDToken, tokens *oauth2.Token, says map[string]any) error {
	_, named := says[s.NameClaim]
	_, grouped := says[s.GroupsClaim]
	if named && grouped || !at.userInfo {
		return nil
	}
	if id.AccessTokenHash != "" {
		if err := id.VerifyAccessToken(tokens.AccessToken); err != nil {
			return refuse(WrongToken, plain(err))
		}
	}
	info, err := at.provider.UserInfo(ctx, oauth2.StaticTokenSource(tokens))
	if err != nil {
		return refuse(Unreachable, errors.New("its user info was not given"))
	}
	if info.Subject != id.Subject { // OpenID Connect Core 1.0, section 5.3.2
		return refuse(WrongPerson, nil)
	}
	more := map[string]any{}
	if err := info.Claims(&more); err != nil {
		return refuse(WrongToken, errors.New("its user info cannot be read"))
	}
	for _, claim := range []string{s.NameClaim, s.GroupsClaim} {
		if _, has := says[claim]; !has {
			says[claim] = more[claim]
		}
	}
	return nil
}

// words are the texts of a claim: of a list, or the one that it is.
func words(claim any) (list []string) {
	switch v := claim.(type) {
	case string:
		return []string{v}
	case []any:
		for _, one := range v {
			if word, ok := one.(string); ok {
				list = append(list, word)
			}
		}
	}
	return list
}
