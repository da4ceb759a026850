// Package idptest runs a sign-in service for tests: the OpenID provider of a library
// that others run in earnest, over people kept in memory. Its answers can be bent, to
// see that what does not hold is refused.
package idptest

import (
	"context"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"time"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/zitadel/oidc/v3/pkg/oidc"
	"github.com/zitadel/oidc/v3/pkg/op"

	"plumbline/internal/clinical"
)

// What this program is registered as.
const (
	ClientID     = "plumbline-test"
	ClientSecret = "an invented secret + with / signs"
)

// User is somebody whom the service knows.
type User struct {
	Subject string
	Name    string   // preferred_username
	Groups  []string // claim groups
}

// Provider is a running sign-in service. Its fields may be changed between requests.
type Provider struct {
	*httptest.Server
	Redirect string // the registered redirect address

	// In the ID token, else in the user info alone.
	InToken bool
	// Claims, where set, may change the claims of an ID token before it is signed anew.
	Claims func(claims map[string]any)
	// Token, where set, may replace the ID token.
	Token func(raw string) string
	// Info, where set, may change the user info.
	Info func(claims map[string]any)
	// Discovery, where set, may change what the service says of itself.
	Discovery func(says map[string]any)
	// SignedIn is when people signed in at the service; zero: now.
	SignedIn time.Time

	Asked url.Values // of the last request to authorize
	Codes int        // how often a code was handed in

	mu      sync.Mutex
	key     *rsa.PrivateKey
	store   *memory
	handler http.Handler
}

// Making a key takes long; every provider of a run has the same.
var serviceKey, otherKey = sync.OnceValues(newKey), sync.OnceValues(newKey)

func newKey() (*rsa.PrivateKey, error) { return rsa.GenerateKey(rand.Reader, 2048) }

// Start runs a service until Close; redirect is registered at it.
func Start(redirect string) (*Provider, error) { return StartAt("127.0.0.1:0", redirect) }

// StartAt is Start at a name or address and a port of this machine. To a browser
// localhost is another site than 127.0.0.1.
func StartAt(address, redirect string) (*Provider, error) {
	key, err := serviceKey()
	if err != nil {
		return nil, err
	}
	p := &Provider{Redirect: redirect, InToken: true, key: key}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	p.Server = &httptest.Server{Listener: listener, Config: &http.Server{Handler: p, ReadHeaderTimeout: 10 * time.Second}}
	host, _, _ := net.SplitHostPort(address)
	_, port, _ := net.SplitHostPort(listener.Addr().String())
	site := "http://" + net.JoinHostPort(host, port)
	p.store = &memory{of: p, requests: map[string]*request{}, codes: map[string]string{}, tokens: map[string]string{}, users: map[string]User{}}
	provider, err := op.NewProvider(&op.Config{CodeMethodS256: true, AuthMethodPost: true}, p.store, op.StaticIssuer(site), op.WithAllowInsecure())
	if err != nil {
		_ = listener.Close()
		return nil, err
	}
	p.handler = provider
	p.Server.Start()
	p.URL = site
	return p, nil
}

// Add makes somebody known, or changes who it is.
func (p *Provider) Add(u User) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.store.users[u.Subject] = u
}

// Approve is somebody signing in at the service: it goes where the service sends a
// browser that was sent to address, and returns where that is sent back to.
func (p *Provider) Approve(address, subject string) (back string, err error) {
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	go1, err := location(client, address)
	if err != nil {
		return "", err
	}
	at, err := url.Parse(go1)
	if err != nil {
		return "", err
	}
	id := at.Query().Get("id")
	if !p.settle(id, subject) {
		return go1, nil // refused at once: an error goes back
	}
	return location(client, p.callback(id))
}

func (p *Provider) callback(id string) string {
	return p.URL + "/authorize/callback?id=" + url.QueryEscape(id)
}

// settle notes who has signed in; false where nobody was asked to.
func (p *Provider) settle(id, subject string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	r := p.store.requests[id]
	if r == nil {
		return false
	}
	r.subject, r.done, r.authTime = subject, true, p.SignedIn
	if r.authTime.IsZero() {
		r.authTime = clinical.SystemClock()
	}
	return true
}

// ask is the page on which a browser signs in: a button for each person.
func (p *Provider) ask(w http.ResponseWriter, r *http.Request) {
	id := r.FormValue("id")
	if r.Method == http.MethodPost {
		if !p.settle(id, r.FormValue("subject")) {
			http.NotFound(w, r)
			return
		}
		http.Redirect(w, r, p.callback(id), http.StatusSeeOther)
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = fmt.Fprintf(w, `<!DOCTYPE html><html lang="en"><link rel="icon" href="data:,"><title>Invented sign-in service</title><form method="post"><input type="hidden" name="id" value="%s">`, html.EscapeString(id))
	for _, u := range p.store.users {
		_, _ = fmt.Fprintf(w, `<button name="subject" value="%s">%s</button>`, html.EscapeString(u.Subject), html.EscapeString(u.Name))
	}
	_, _ = io.WriteString(w, "</form></html>")
}

func location(client *http.Client, address string) (string, error) {
	a, err := client.Get(address)
	if err != nil {
		return "", err
	}
	defer func() { _ = a.Body.Close() }()
	to := a.Header.Get("Location")
	if to == "" {
		return "", errors.New("the service sends nobody on: " + a.Status)
	}
	return to, nil
}

// ServeHTTP serves the provider and bends its answers.
func (p *Provider) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch r.URL.Path {
	case "/ask":
		p.ask(w, r)
		return
	case "/authorize":
		p.mu.Lock()
		p.Asked = r.URL.Query()
		p.mu.Unlock()
	case "/oauth/token":
		p.mu.Lock()
		p.Codes++
		p.mu.Unlock()
		p.bend(w, r, p.bendToken)
		return
	case "/userinfo":
		p.bend(w, r, p.Info)
		return
	case "/.well-known/openid-configuration":
		p.bend(w, r, p.Discovery)
		return
	}
	p.handler.ServeHTTP(w, r)
}

func (p *Provider) bend(w http.ResponseWriter, r *http.Request, change func(map[string]any)) {
	got := httptest.NewRecorder()
	p.handler.ServeHTTP(got, r)
	body := got.Body.Bytes()
	var says map[string]any
	if change != nil && got.Code == http.StatusOK && json.Unmarshal(body, &says) == nil {
		change(says)
		body, _ = json.Marshal(says)
	}
	w.Header().Set("Content-Type", got.Header().Get("Content-Type"))
	w.WriteHeader(got.Code)
	_, _ = w.Write(body)
}

func (p *Provider) bendToken(says map[string]any) {
	raw, ok := says["id_token"].(string)
	if !ok {
		return
	}
	if p.Claims != nil {
		claims := ClaimsOf(raw)
		p.Claims(claims)
		raw = p.Sign(claims)
	}
	if p.Token != nil {
		raw = p.Token(raw)
	}
	if says["id_token"] = raw; raw == "" {
		delete(says, "id_token")
	}
}

// ClaimsOf reads the claims of a token without looking at its signature.
func ClaimsOf(raw string) map[string]any {
	signed, err := jose.ParseSignedCompact(raw, []jose.SignatureAlgorithm{jose.RS256})
	if err != nil {
		panic(err)
	}
	claims := map[string]any{}
	if err := json.Unmarshal(signed.UnsafePayloadWithoutVerification(), &claims); err != nil {
		panic(err)
	}
	return claims
}

// Sign signs claims with the key of the service.
func (p *Provider) Sign(claims map[string]any) string {
	return signed(claims, jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: p.key, KeyID: keyID}})
}

// Forge signs claims with a key of somebody else, under the key id of the service.
func (p *Provider) Forge(claims map[string]any) string {
	other, err := otherKey()
	if err != nil {
		panic(err)
	}
	return signed(claims, jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: other, KeyID: keyID}})
}

// Mac signs claims with the client's secret, as HS256 does.
func (p *Provider) Mac(claims map[string]any) string {
	secret := []byte(strings.Repeat(ClientSecret, 2))
	return signed(claims, jose.SigningKey{Algorithm: jose.HS256, Key: secret})
}

func signed(claims map[string]any, key jose.SigningKey) string {
	signer, err := jose.NewSigner(key, nil)
	if err != nil {
		panic(err)
	}
	body, err := json.Marshal(claims)
	if err != nil {
		panic(err)
	}
	token, err := signer.Sign(body)
	if err != nil {
		panic(err)
	}
	raw, err := token.CompactSerialize()
	if err != nil {
		panic(err)
	}
	return raw
}

// memory is the op.Storage of a Provider. Its methods for what this program does not
// use answer that they do not.
type memory struct {
	of       *Provider
	requests map[string]*request
	codes    map[string]string // code to request
	tokens   map[string]string // access token to subject
	users    map[string]User
}

var errUnused = errors.New("not served by this provider")

const keyID = "key-1"

type request struct {
	*oidc.AuthRequest
	id, subject string
	done        bool
	authTime    time.Time
}

func (r *request) GetID() string          { return r.id }
func (r *request) GetACR() string         { return "" }
func (r *request) GetAMR() []string       { return []string{"pwd"} }
func (r *request) GetAudience() []string  { return []string{r.ClientID} }
func (r *request) GetAuthTime() time.Time { return r.authTime }
func (r *request) GetClientID() string    { return r.ClientID }
func (r *request) GetCodeChallenge() *oidc.CodeChallenge {
	if r.CodeChallenge == "" {
		return nil
	}
	return &oidc.CodeChallenge{Challenge: r.CodeChallenge, Method: r.CodeChallengeMethod}
}
func (r *request) GetNonce() string                   { return r.Nonce }
func (r *request) GetRedirectURI() string             { return r.RedirectURI }
func (r *request) GetResponseType() oidc.ResponseType { return r.ResponseType }
func (r *request) GetResponseMode() oidc.ResponseMode { return r.ResponseMode }
func (r *request) GetScopes() []string                { return r.Scopes }
func (r *request) GetState() string                   { return r.State }
func (r *request) GetSubject() string                 { return r.subject }
func (r *request) Done() bool                         { return r.done }

func (m *memory) lock() func() {
	m.of.mu.Lock()
	return m.of.mu.Unlock
}

func (m *memory) CreateAuthRequest(_ context.Context, asked *oidc.AuthRequest, _ string) (op.AuthRequest, error) {
	defer m.lock()()
	r := &request{AuthRequest: asked, id: rand.Text()}
	m.requests[r.id] = r
	return r, nil
}

func (m *memory) AuthRequestByID(_ context.Context, id string) (op.AuthRequest, error) {
	defer m.lock()()
	return m.byID(id)
}

func (m *memory) byID(id string) (op.AuthRequest, error) {
	if r := m.requests[id]; r != nil {
		return r, nil
	}
	return nil, errors.New("no such request")
}

func (m *memory) AuthRequestByCode(_ context.Context, code string) (op.AuthRequest, error) {
	defer m.lock()()
	return m.byID(m.codes[code])
}

func (m *memory) SaveAuthCode(_ context.Context, id, code string) error {
	defer m.lock()()
	m.codes[code] = id
	return nil
}

// DeleteAuthRequest makes a code serve once.
func (m *memory) DeleteAuthRequest(_ context.Context, id string) error {
	defer m.lock()()
	delete(m.requests, id)
	return nil
}

func (m *memory) CreateAccessToken(_ context.Context, r op.TokenRequest) (string, time.Time, error) {
	defer m.lock()()
	id := rand.Text()
	m.tokens[id] = r.GetSubject()
	return id, clinical.SystemClock().Add(5 * time.Minute), nil
}

type signingKey struct{ key *rsa.PrivateKey }

func (k signingKey) SignatureAlgorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (k signingKey) Key() any                                    { return k.key }
func (k signingKey) ID() string                                  { return keyID }

type publicKey struct{ key *rsa.PrivateKey }

func (k publicKey) ID() string                         { return keyID }
func (k publicKey) Algorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (k publicKey) Use() string                        { return "sig" }
func (k publicKey) Key() any                           { return &k.key.PublicKey }

func (m *memory) SigningKey(context.Context) (op.SigningKey, error) { return signingKey{m.of.key}, nil }
func (m *memory) SignatureAlgorithms(context.Context) ([]jose.SignatureAlgorithm, error) {
	return []jose.SignatureAlgorithm{jose.RS256}, nil
}
func (m *memory) KeySet(context.Context) ([]op.Key, error) { return []op.Key{publicKey{m.of.key}}, nil }

func (m *memory) GetClientByClientID(_ context.Context, id string) (op.Client, error) {
	if id != ClientID {
		return nil, errors.New("no such client")
	}
	return client{m.of}, nil
}

func (m *memory) AuthorizeClientIDSecret(_ context.Context, id, secret string) error {
	if id != ClientID || secret != ClientSecret {
		return errors.New("no such client")
	}
	return nil
}

// SetUserinfoFromRequest says what stands in the ID token.
func (m *memory) SetUserinfoFromRequest(_ context.Context, info *oidc.UserInfo, r op.IDTokenRequest, _ []string) error {
	defer m.lock()()
	info.Subject = r.GetSubject()
	if m.of.InToken {
		m.tell(info, r.GetSubject())
	}
	return nil
}

func (m *memory) SetUserinfoFromToken(_ context.Context, info *oidc.UserInfo, tokenID, _, _ string) error {
	defer m.lock()()
	subject, ok := m.tokens[tokenID]
	if !ok {
		return errors.New("no such token")
	}
	m.tell(info, subject)
	return nil
}

func (m *memory) tell(info *oidc.UserInfo, subject string) {
	u := m.users[subject]
	info.Subject, info.PreferredUsername = subject, u.Name
	if u.Groups != nil {
		info.AppendClaims("groups", u.Groups)
	}
}

func (m *memory) SetUserinfoFromScopes(context.Context, *oidc.UserInfo, string, string, []string) error {
	return nil
}

func (m *memory) GetPrivateClaimsFromScopes(context.Context, string, string, []string) (map[string]any, error) {
	return nil, nil
}

func (m *memory) Health(context.Context) error { return nil }

func (m *memory) TerminateSession(context.Context, string, string) error { return nil }

func (m *memory) CreateAccessAndRefreshTokens(context.Context, op.TokenRequest, string) (string, string, time.Time, error) {
	return "", "", time.Time{}, errUnused
}

func (m *memory) TokenRequestByRefreshToken(context.Context, string) (op.RefreshTokenRequest, error) {
	return nil, errUnused
}

func (m *memory) RevokeToken(context.Context, string, string, string) *oidc.Error {
	return oidc.ErrInvalidRequest()
}

func (m *memory) GetRefreshTokenInfo(context.Context, string, string) (string, string, error) {
	return "", "", op.ErrInvalidRefreshToken
}

func (m *memory) SetIntrospectionFromToken(context.Context, *oidc.IntrospectionResponse, string, string, string) error {
	return errUnused
}

func (m *memory) GetKeyByIDAndClientID(context.Context, string, string) (*jose.JSONWebKey, error) {
	return nil, errUnused
}

func (m *memory) ValidateJWTProfileScopes(context.Context, string, []string) ([]string, error) {
	return nil, errUnused
}

// client is this program, as it is registered.
type client struct{ of *Provider }

func (c client) GetID() string                       { return ClientID }
func (c client) RedirectURIs() []string              { return []string{c.of.Redirect} }
func (c client) PostLogoutRedirectURIs() []string    { return nil }
func (c client) ApplicationType() op.ApplicationType { return op.ApplicationTypeWeb }
func (c client) AuthMethod() oidc.AuthMethod         { return oidc.AuthMethodBasic }
func (c client) ResponseTypes() []oidc.ResponseType {
	return []oidc.ResponseType{oidc.ResponseTypeCode}
}
func (c client) GrantTypes() []oidc.GrantType         { return []oidc.GrantType{oidc.GrantTypeCode} }
func (c client) LoginURL(id string) string            { return c.of.URL + "/ask?id=" + url.QueryEscape(id) }
func (c client) AccessTokenType() op.AccessTokenType  { return op.AccessTokenTypeBearer }
func (c client) IDTokenLifetime() time.Duration       { return time.Hour }
func (c client) DevMode() bool                        { return true }
func (c client) IsScopeAllowed(string) bool           { return false }
func (c client) IDTokenUserinfoClaimsAssertion() bool { return true }
func (c client) ClockSkew() time.Duration             { return 0 }
func (c client) RestrictAdditionalIdTokenScopes() func([]string) []string {
	return func(s []string) []string { return s }
}
func (c client) RestrictAdditionalAccessTokenScopes() func([]string) []string {
	return func(s []string) []string { return s }
}
