// Package idptest runs a sign-in service for tests: what OpenID Connect Core 1.0 asks of
// one in the code flow with PKCE, over people kept in memory. Its answers can be bent, to
// see that what does not hold is refused.
package idptest

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"html/template"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	jose "github.com/go-jose/go-jose/v4"

	"plumbline/internal/clinical"
)

// RecordPath is the path of a record's FHIR address, Launched the word that means the place from which it launches.
const (
	RecordPath = "/fhir"
	Launched   = "where the record was"
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
	Groups  []string // claim groups; nil: no such claim
}

func (u User) tell(claims map[string]any) {
	if u.Name != "" {
		claims["preferred_username"] = u.Name
	}
	if u.Groups != nil {
		claims["groups"] = u.Groups
	}
}

// Provider is a running sign-in service. Its fields may be changed between requests.
type Provider struct {
	*httptest.Server
	Redirect string // the registered redirect address

	// In the ID token, else in the user info alone.
	InToken bool
	// Claims, where set, may change the claims of an ID token before it is signed.
	Claims func(claims map[string]any)
	// Token, where set, may replace the ID token; "" leaves it out.
	Token func(raw string) string
	// Info, where set, may change the user info.
	Info func(claims map[string]any)
	// Discovery, where set, may change what the service says of itself.
	Discovery func(says map[string]any)
	// SignedIn is when people signed in at the service; zero: now.
	SignedIn time.Time

	// Context, where set, is what the record has open: the service is then the sign-in of a record, whose FHIR address
	// is the service's and RecordPath, and asks for aud and launch (SMART App Launch 2.x, from memory).
	Context map[string]any
	// Resources are what the record shows to who may read it, by Type/id.
	Resources map[string]string
	// Public, where set, takes the program as a public client, without a secret.
	Public bool
	// Key, where set, takes the program by a statement signed with the private half of it (RFC 7523), once each.
	Key any

	Codes int // how often a code was handed in

	mu    sync.Mutex
	users map[string]User
	codes map[string]grant // each serves once
	open  map[string]User  // by access token
	seen  map[string]bool  // statements of the program
}

// grant is a sign-in at the service whose code has not been handed in.
type grant struct {
	asked url.Values // of the request to authorize
	user  User
	at    time.Time
}

// Making a key takes long; every provider of a run has the same.
var serviceKey, otherKey = sync.OnceValue(newKey), sync.OnceValue(newKey)

func newKey() *rsa.PrivateKey { return must(rsa.GenerateKey(rand.Reader, 2048)) }

// Start runs a service until Close; redirect is registered at it.
func Start(redirect string) (*Provider, error) { return StartAt("127.0.0.1:0", redirect) }

// StartAt is Start at a name or address and a port of this machine. To a browser
// localhost is another site than 127.0.0.1.
func StartAt(address, redirect string) (*Provider, error) {
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, err
	}
	p := &Provider{
		Redirect: redirect, InToken: true,
		users: map[string]User{}, codes: map[string]grant{}, open: map[string]User{}, seen: map[string]bool{},
	}
	routes := http.NewServeMux()
	routes.HandleFunc("GET /.well-known/openid-configuration", p.discovery)
	routes.HandleFunc("GET "+RecordPath+"/.well-known/smart-configuration", p.discovery)
	routes.HandleFunc("GET "+RecordPath+"/{kind}/{id}", p.resource)
	routes.HandleFunc("GET /keys", p.keys)
	routes.HandleFunc("GET /authorize", p.ask)
	routes.HandleFunc("POST /authorize", p.approve)
	routes.HandleFunc("POST /token", p.token)
	routes.HandleFunc("GET /userinfo", p.userInfo)
	inTurn := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		routes.ServeHTTP(w, r)
	})
	p.Server = &httptest.Server{
		Listener: listener, Config: &http.Server{Handler: inTurn, ReadHeaderTimeout: 10 * time.Second},
	}
	p.Server.Start()
	host, _, _ := net.SplitHostPort(address)
	_, port, _ := net.SplitHostPort(listener.Addr().String())
	p.URL = "http://" + net.JoinHostPort(host, port)
	return p, nil
}

// Add makes somebody known, or changes who it is.
func (p *Provider) Add(u User) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.users[u.Subject] = u
}

// Approve is somebody signing in at the service, to which a browser was sent by
// address. It returns where the service sends the browser back to.
func (p *Provider) Approve(address, subject string) (back string, err error) {
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	a, err := client.PostForm(address, url.Values{"subject": {subject}})
	if err != nil {
		return "", err
	}
	defer func() { _ = a.Body.Close() }()
	if back = a.Header.Get("Location"); back == "" {
		return "", errors.New("the service sends nobody on: " + a.Status)
	}
	return back, nil
}

func (p *Provider) discovery(w http.ResponseWriter, _ *http.Request) {
	says := map[string]any{
		"issuer":                                p.URL,
		"authorization_endpoint":                p.URL + "/authorize",
		"token_endpoint":                        p.URL + "/token",
		"userinfo_endpoint":                     p.URL + "/userinfo",
		"jwks_uri":                              p.URL + "/keys",
		"end_session_endpoint":                  p.URL + "/end_session",
		"scopes_supported":                      []string{"openid", "profile"},
		"response_types_supported":              []string{"code"},
		"subject_types_supported":               []string{"public"},
		"id_token_signing_alg_values_supported": []string{"RS256"},
		"code_challenge_methods_supported":      []string{"S256"},
		"token_endpoint_auth_methods_supported": []string{"client_secret_basic", "client_secret_post"},
	}
	if p.Discovery != nil {
		p.Discovery(says)
	}
	write(w, http.StatusOK, says)
}

func (p *Provider) keys(w http.ResponseWriter, _ *http.Request) {
	public := jose.JSONWebKey{Key: &serviceKey().PublicKey, KeyID: keyID, Algorithm: "RS256", Use: "sig"}
	write(w, http.StatusOK, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{public}})
}

// asked are the parameters of a request to authorize that may go on: of the registered
// program, for a code, with PKCE. Another is answered here, and sent nowhere.
func (p *Provider) asked(w http.ResponseWriter, r *http.Request) (url.Values, bool) {
	q := r.URL.Query()
	fits := q.Get("client_id") == ClientID && q.Get("redirect_uri") == p.Redirect &&
		q.Get("response_type") == "code" && slices.Contains(strings.Fields(q.Get("scope")), "openid") &&
		q.Get("code_challenge") != "" && q.Get("code_challenge_method") == "S256"
	if p.Context != nil {
		fits = fits && q.Get("aud") == p.URL+RecordPath && q.Get("launch") == Launched &&
			slices.Contains(strings.Fields(q.Get("scope")), "launch")
	}
	if !fits {
		http.Error(w, "not a sign-in of a registered program, with PKCE", http.StatusBadRequest)
	}
	return q, fits
}

var buttons = template.Must(template.New("").Parse(`<!DOCTYPE html><html lang="en"><link rel="icon" href="data:,">
<title>Invented sign-in service</title><form method="post">
{{range .}}<button name="subject" value="{{.Subject}}">{{.Name}}</button>{{end}}</form></html>`))

// ask is the page on which a browser signs in: a button for each person.
func (p *Provider) ask(w http.ResponseWriter, r *http.Request) {
	if _, ok := p.asked(w, r); ok {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_ = buttons.Execute(w, p.users)
	}
}

// approve sends a browser back, with a code.
func (p *Provider) approve(w http.ResponseWriter, r *http.Request) {
	q, ok := p.asked(w, r)
	if !ok {
		return
	}
	user, known := p.users[r.PostFormValue("subject")]
	if !known {
		http.NotFound(w, r)
		return
	}
	at := p.SignedIn
	if at.IsZero() {
		at = clinical.SystemClock()
	}
	code := rand.Text()
	p.codes[code] = grant{q, user, at}
	back := url.Values{"code": {code}, "state": {q.Get("state")}}
	http.Redirect(w, r, p.Redirect+"?"+back.Encode(), http.StatusSeeOther)
}

// token changes a code for an access token and an ID token (RFC 6749, section 4.1.3,
// with the errors of 5.2; RFC 7636, section 4.6).
func (p *Provider) token(w http.ResponseWriter, r *http.Request) {
	p.Codes++
	id, secret := credentials(r)
	g, ok := p.codes[r.PostFormValue("code")]
	switch {
	case id != ClientID || !p.proved(r, secret):
		write(w, http.StatusUnauthorized, map[string]string{"error": "invalid_client"})
		return
	case r.PostFormValue("grant_type") != "authorization_code":
		write(w, http.StatusBadRequest, map[string]string{"error": "unsupported_grant_type"})
		return
	case !ok || r.PostFormValue("redirect_uri") != g.asked.Get("redirect_uri") ||
		Challenge(r.PostFormValue("code_verifier")) != g.asked.Get("code_challenge"):
		write(w, http.StatusBadRequest, map[string]string{"error": "invalid_grant"})
		return
	}
	delete(p.codes, r.PostFormValue("code"))
	access := rand.Text()
	p.open[access] = g.user
	says := map[string]any{"access_token": access, "token_type": "Bearer", "expires_in": 300}
	if p.Context != nil {
		says["scope"] = g.asked.Get("scope")
		maps.Copy(says, p.Context)
	}
	if raw := p.idToken(g, access); raw != "" {
		says["id_token"] = raw
	}
	write(w, http.StatusOK, says)
}

// proved tells whether a program is the registered one.
func (p *Provider) proved(r *http.Request, secret string) bool {
	if p.Key == nil {
		return secret == ClientSecret || p.Public && secret == ""
	}
	signed, err := jose.ParseSignedCompact(r.PostFormValue("client_assertion"), []jose.SignatureAlgorithm{jose.RS384, jose.ES384})
	if err != nil || r.PostFormValue("client_assertion_type") != "urn:ietf:params:oauth:client-assertion-type:jwt-bearer" {
		return false
	}
	payload, err := signed.Verify(p.Key)
	var says struct {
		Issuer   string `json:"iss"`
		Subject  string `json:"sub"`
		Audience string `json:"aud"`
		Expires  int64  `json:"exp"`
		ID       string `json:"jti"`
	}
	if err != nil || json.Unmarshal(payload, &says) != nil || p.seen[says.ID] {
		return false
	}
	p.seen[says.ID] = true
	ahead := time.Unix(says.Expires, 0).Sub(clinical.SystemClock())
	return secret == "" && says.Issuer == ClientID && says.Subject == ClientID && says.Audience == p.URL+"/token" &&
		ahead > 0 && ahead <= 5*time.Minute && signed.Signatures[0].Header.KeyID != ""
}

// credentials are a program's id and secret, from the header, where both are escaped as
// in a form (RFC 6749, section 2.3.1), or from the body.
func credentials(r *http.Request) (id, secret string) {
	id, secret, inHeader := r.BasicAuth()
	if !inHeader {
		return r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	}
	id, wrongID := url.QueryUnescape(id)
	secret, wrongSecret := url.QueryUnescape(secret)
	if wrongID != nil || wrongSecret != nil {
		return "", ""
	}
	return id, secret
}

// idToken makes the token of a sign-in, and bends it (OpenID Connect Core 1.0, sections
// 2 and 3.1.3.6).
func (p *Provider) idToken(g grant, access string) string {
	now, sum := clinical.SystemClock(), sha256.Sum256([]byte(access))
	claims := map[string]any{
		"iss": p.URL, "sub": g.user.Subject, "aud": []string{ClientID}, "azp": ClientID,
		"iat": now.Unix(), "exp": now.Add(time.Hour).Unix(), "auth_time": g.at.Unix(),
		"nonce": g.asked.Get("nonce"), "at_hash": base64.RawURLEncoding.EncodeToString(sum[:len(sum)/2]),
	}
	if p.InToken {
		g.user.tell(claims)
	}
	if p.Claims != nil {
		p.Claims(claims)
	}
	raw := sign(claims, jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: serviceKey(), KeyID: keyID}})
	if p.Token != nil {
		raw = p.Token(raw)
	}
	return raw
}

// resource is a resource of the record, for who may read it.
func (p *Provider) resource(w http.ResponseWriter, r *http.Request) {
	_, ok := p.open[strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")]
	body, there := p.Resources[r.PathValue("kind")+"/"+r.PathValue("id")]
	switch {
	case !ok:
		w.WriteHeader(http.StatusUnauthorized)
	case !there:
		w.WriteHeader(http.StatusNotFound)
	default:
		w.Header().Set("Content-Type", "application/fhir+json")
		_, _ = w.Write([]byte(body))
	}
}

func (p *Provider) userInfo(w http.ResponseWriter, r *http.Request) {
	user, ok := p.open[strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")]
	if !ok {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	claims := map[string]any{"sub": user.Subject}
	if user.tell(claims); p.Info != nil {
		p.Info(claims)
	}
	write(w, http.StatusOK, claims)
}

func write(w http.ResponseWriter, status int, says any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(says)
}

// Challenge is what PKCE's method S256 makes of a verifier (RFC 7636, section 4.2).
func Challenge(verifier string) string {
	sum := sha256.Sum256([]byte(verifier))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

const keyID = "key-1"

// ClaimsOf reads the claims of a token without looking at its signature.
func ClaimsOf(raw string) map[string]any {
	signed := must(jose.ParseSignedCompact(raw, []jose.SignatureAlgorithm{jose.RS256}))
	claims := map[string]any{}
	if err := json.Unmarshal(signed.UnsafePayloadWithoutVerification(), &claims); err != nil {
		panic(err)
	}
	return claims
}

// Forge signs claims with a key of somebody else, under the key id of the service.
func (p *Provider) Forge(claims map[string]any) string {
	return sign(claims, jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: otherKey(), KeyID: keyID}})
}

// Mac signs claims with the client's secret, as HS256 does.
func (p *Provider) Mac(claims map[string]any) string {
	return sign(claims, jose.SigningKey{Algorithm: jose.HS256, Key: []byte(strings.Repeat(ClientSecret, 2))})
}

func sign(claims map[string]any, key jose.SigningKey) string {
	signed := must(must(jose.NewSigner(key, nil)).Sign(must(json.Marshal(claims))))
	return must(signed.CompactSerialize())
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
