package web_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/idp"
	"plumbline/internal/idp/idptest"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/webtest"
)

const publicURL = "https://falls.hospital.example"

// house is a program with a sign-in service, a real provider, and what it writes.
type house struct {
	web.Deps
	provider *idptest.Provider
	log      *bytes.Buffer
	entries  []records.AuditEntry
	ahead    time.Duration // of its clock; the provider's is the machine's
}

// newHouse starts both; change may bend the provider before it is found.
func newHouse(t *testing.T, change ...func(*idptest.Provider)) (*house, *visitor) {
	t.Helper()
	p, err := idptest.Start(publicURL + idp.BackPath)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	for _, c := range change {
		c(p)
	}
	p.Add(idptest.User{Subject: "s-ann", Name: "Ann", Groups: []string{"staff", "falls"}})
	h := &house{provider: p}
	h.Deps, _ = open(t)
	h.log = logInto(&h.Deps)
	clock := func() time.Time { return time.Now().Add(h.ahead) }
	h.Clock, h.Accounts.Clock = clock, clock
	h.Note = func(_ context.Context, e records.AuditEntry) error {
		h.entries = append(h.entries, e)
		return nil
	}
	settings, err := idp.ReadSettings(map[string]string{
		"oidc-issuer": p.URL, "oidc-client-id": idptest.ClientID, "oidc-client-secret": idptest.ClientSecret,
		"oidc-groups-claim": "groups", "oidc-name-claim": "preferred_username",
		"oidc-map": "falls = falls-nurse @ 4W; everywhere = pharmacist @ *; it = administrator",
	}, publicURL)
	if err != nil {
		t.Fatal(err)
	}
	h.SignInService = idp.New(settings, clock, h.Log)
	t.Cleanup(h.SignInService.Close)
	h.SignInService.Look(t.Context())
	return h, newVisitor(web.New(h.Deps))
}

// begin starts a sign-in and returns the address at the service.
func begin(t *testing.T, v *visitor, path string) string {
	t.Helper()
	w := v.do("GET", path, nil)
	if w.Code != 303 {
		t.Fatalf("%s = %d %s", path, w.Code, words(w))
	}
	return w.Header().Get("Location")
}

// approved is the path with which the service sends somebody back.
func (h *house) approved(t *testing.T, address, subject string) string {
	t.Helper()
	back, err := h.provider.Approve(address, subject)
	if err != nil {
		t.Fatal(err)
	}
	path, ours := strings.CutPrefix(back, publicURL)
	if !ours {
		t.Fatalf("the service sends people to %s", back)
	}
	return path
}

func (h *house) signIn(t *testing.T, v *visitor, subject string) *httptest.ResponseRecorder {
	t.Helper()
	return v.do("GET", h.approved(t, begin(t, v, "/sign-in/oidc"), subject), nil)
}

func (h *house) last() string {
	if len(h.entries) == 0 {
		return "nothing"
	}
	e := h.entries[len(h.entries)-1]
	return fmt.Sprintf("%s %s %s: %s", e.Who, e.Did, e.Outcome, e.Note)
}

var tags = regexp.MustCompile(`<[^>]*>`)

func words(w *httptest.ResponseRecorder) string {
	return strings.Join(strings.Fields(tags.ReplaceAllString(w.Body.String(), " ")), " ")
}

func signedInAs(t *testing.T, v *visitor) string {
	t.Helper()
	w := v.do("GET", "/account", nil)
	if w.Code != 200 {
		return ""
	}
	m := regexp.MustCompile(`<a href="/account">([^<]*)</a>`).FindStringSubmatch(w.Body.String())
	if m == nil {
		t.Fatalf("the page of the account names nobody: %s", words(w))
	}
	return m[1]
}

func TestSignInByTheService(t *testing.T) {
	h, v := newHouse(t)
	page := v.do("GET", "/sign-in?next=%2Frules", nil)
	checkMarkup(t, "/sign-in", page.Body.String())
	if !strings.Contains(page.Body.String(), `href="/sign-in/oidc?next=%2Frules"`) {
		t.Fatalf("the sign-in page does not lead to the service: %s", page.Body)
	}
	address := begin(t, v, "/sign-in/oidc?next=%2Frules")
	asked, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	q := asked.Query()
	for name, want := range map[string]string{
		"response_type": "code", "client_id": idptest.ClientID, "redirect_uri": publicURL + "/sign-in/oidc/back",
		"code_challenge_method": "S256", "scope": "openid profile", "max_age": "43200", "prompt": "",
	} {
		if q.Get(name) != want {
			t.Errorf("the service is asked with %s=%q, want %q", name, q.Get(name), want)
		}
	}
	for _, name := range []string{"state", "nonce", "code_challenge"} {
		if len(q.Get(name)) < 26 { // 128 bits or more
			t.Errorf("%s is %q", name, q.Get(name))
		}
	}
	if strings.Contains(address, idptest.ClientSecret) {
		t.Error("the secret stands in an address")
	}
	flow := v.cookies["plumbline_sign_in"]
	if flow == nil || !flow.HttpOnly || flow.SameSite != http.SameSiteLaxMode || flow.MaxAge != 600 || strings.Contains(flow.Value, q.Get("state")) {
		t.Fatalf("the cookie of the begun sign-in: %v", flow)
	}
	w := v.do("GET", h.approved(t, address, "s-ann"), nil)
	if w.Code != 303 || w.Header().Get("Location") != "/rules" || v.cookies["plumbline_sign_in"] != nil {
		t.Fatalf("back from the service = %d to %q: %s", w.Code, w.Header().Get("Location"), words(w))
	}
	if got := h.last(); got != "Ann sign-in allowed: by the sign-in service: account made" {
		t.Errorf("the audit says %q", got)
	}
	if who := signedInAs(t, v); who != "Ann" {
		t.Errorf("signed in as %q", who)
	}
	for path, want := range map[string]int{"/units/4W": 200, "/units/7E": 404, "/accounts": 403} {
		if w := v.do("GET", path, nil); w.Code != want {
			t.Errorf("%s = %d, want %d", path, w.Code, want)
		}
	}
	if log := h.log.String(); strings.Contains(log, idptest.ClientSecret) || strings.Contains(log, q.Get("state")) || strings.Contains(log, "code=") {
		t.Errorf("the log holds a secret: %s", log)
	}
	second := newVisitor(v.handler)
	if h.signIn(t, second, "s-ann"); signedInAs(t, second) != "Ann" || signedInAs(t, v) != "Ann" {
		t.Error("a second browser does not get in, or puts the first out")
	}
	if got := h.last(); !strings.Contains(got, "Ann sign-in allowed: by the sign-in service") || strings.Contains(got, "made") {
		t.Errorf("the audit says of the second sign-in %q", got)
	}
}

func TestCookiesOfASignInByTheService(t *testing.T) {
	h, _ := newHouse(t)
	d := h.Deps
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	v := newVisitor(web.New(d))
	v.from = "10.0.0.1:999"
	v.headers.Set("X-Forwarded-Proto", "https")
	h.signIn(t, v, "s-ann")
	c := v.cookies["__Host-plumbline_session"]
	if c == nil || !c.HttpOnly || !c.Secure || c.Path != "/" || c.Domain != "" || c.MaxAge != 0 || len(v.cookies) != 1 {
		t.Errorf("over https the cookies are %v", v.cookies)
	}
}

func TestGroupsDecideAtEachSignIn(t *testing.T) {
	h, v := newHouse(t)
	h.signIn(t, v, "s-ann")
	is := func(groups ...string) { h.provider.Add(idptest.User{Subject: "s-ann", Name: "Ann", Groups: groups}) }

	is("everywhere", "it")
	second := newVisitor(v.handler)
	h.signIn(t, second, "s-ann")
	if got := h.last(); got != "Ann sign-in allowed: by the sign-in service: roles or units changed" {
		t.Errorf("the audit says %q", got)
	}
	if signedInAs(t, v) != "" {
		t.Error("a session under the groups of before lives on")
	}
	for path, want := range map[string]int{"/units/4W": 200, "/units/7E": 200, "/accounts": 200} {
		if w := second.do("GET", path, nil); w.Code != want {
			t.Errorf("%s = %d, want %d", path, w.Code, want)
		}
	}
	is("staff")
	third := newVisitor(v.handler)
	w := h.signIn(t, third, "s-ann")
	if w.Code != 403 || len(third.cookies) != 0 || !strings.Contains(words(w), "ask an administrator") {
		t.Errorf("without a group = %d with %v: %s", w.Code, third.cookies, words(w))
	}
	if got := h.last(); got != "Ann sign-in refused: by the sign-in service: no group gives a role; subject s-ann" {
		t.Errorf("the audit says %q", got)
	}
	if signedInAs(t, second) != "" {
		t.Error("the session of somebody who has lost every group lives on")
	}
	is()
	if w := h.signIn(t, newVisitor(v.handler), "s-ann"); w.Code != 403 {
		t.Errorf("with an empty list of groups = %d", w.Code)
	}
	h.provider.Add(idptest.User{Subject: "s-ann", Name: "Ann"})
	if w := h.signIn(t, newVisitor(v.handler), "s-ann"); w.Code != 403 {
		t.Errorf("without the claim of groups = %d", w.Code)
	}
}

// Some services tell name and groups when asked for them, not in the token.
func TestNameAndGroupsFromTheUserInfo(t *testing.T) {
	h, v := newHouse(t, func(p *idptest.Provider) { p.InToken = false })
	if h.signIn(t, v, "s-ann"); signedInAs(t, v) != "Ann" {
		t.Fatalf("not signed in: %s", h.last())
	}
	h.provider.Info = func(claims map[string]any) { claims["sub"] = "s-bea" }
	w := h.signIn(t, newVisitor(v.handler), "s-ann")
	if w.Code != 403 || !strings.Contains(h.last(), string(idp.WrongPerson)) {
		t.Errorf("with the user info of somebody else = %d, %s", w.Code, h.last())
	}
}

// Whatever comes back that does not prove who it is ends on a page in words, is
// recorded, and signs nobody in.
func TestAnswersThatDoNotHold(t *testing.T) {
	type step func(t *testing.T, h *house, v *visitor, back string) string // the path that the browser goes to
	query := func(change func(url.Values)) step {
		return func(t *testing.T, h *house, v *visitor, back string) string {
			path, raw, _ := strings.Cut(back, "?")
			q, err := url.ParseQuery(raw)
			if err != nil {
				t.Fatal(err)
			}
			change(q)
			return path + "?" + q.Encode()
		}
	}
	claims := func(change func(map[string]any)) step {
		return func(_ *testing.T, h *house, _ *visitor, back string) string {
			h.provider.Claims = change
			return back
		}
	}
	token := func(change func(p *idptest.Provider, raw string) string) step {
		return func(_ *testing.T, h *house, _ *visitor, back string) string {
			h.provider.Token = func(raw string) string { return change(h.provider, raw) }
			return back
		}
	}
	h, first := newHouse(t)
	none := base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`))
	for name, c := range map[string]struct {
		bend   step
		reason idp.Reason
		status int
	}{
		"another state":      {query(func(q url.Values) { q.Set("state", "x"+q.Get("state")) }), idp.WrongState, 400},
		"no state":           {query(func(q url.Values) { q.Del("state") }), idp.WrongState, 400},
		"no code":            {query(func(q url.Values) { q.Del("code") }), idp.Malformed, 400},
		"two codes":          {query(func(q url.Values) { q.Add("code", "x") }), idp.Malformed, 400},
		"an invented code":   {query(func(q url.Values) { q.Set("code", "x") }), idp.WrongCode, 403},
		"another issuer":     {query(func(q url.Values) { q.Set("iss", "https://evil.example") }), idp.WrongIssuer, 403},
		"denied":             {query(func(q url.Values) { q.Del("code"); q.Set("error", "access_denied") }), idp.Denied, 403},
		"an error":           {query(func(q url.Values) { q.Set("error", "<script>"); q.Set("error_description", "<script>") }), idp.Failed, 403},
		"denied with a code": {query(func(q url.Values) { q.Set("error", "access_denied") }), idp.Denied, 403},
		"another browser":    {func(_ *testing.T, _ *house, v *visitor, back string) string { clear(v.cookies); return back }, idp.NotBegun, 400},
		"a forged cookie": {func(_ *testing.T, _ *house, v *visitor, back string) string {
			v.cookies["plumbline_sign_in"].Value = "AAAA" + v.cookies["plumbline_sign_in"].Value[4:]
			return back
		}, idp.NotBegun, 400},
		"another's flow": {func(t *testing.T, _ *house, v *visitor, back string) string {
			begin(t, v, "/sign-in/oidc")
			return back
		}, idp.WrongState, 400},
		"too late": {func(_ *testing.T, h *house, _ *visitor, back string) string {
			h.ahead = idp.FlowLife + time.Second
			return back
		}, idp.TooLate, 400},
		"no ID token":     {token(func(*idptest.Provider, string) string { return "" }), idp.NoToken, 403},
		"no token at all": {token(func(*idptest.Provider, string) string { return "x" }), idp.WrongToken, 403},
		"algorithm none":  {token(func(_ *idptest.Provider, raw string) string { return none + "." + strings.Split(raw, ".")[1] + "." }), idp.WrongToken, 403},
		"none with signature": {token(func(_ *idptest.Provider, raw string) string {
			p := strings.Split(raw, ".")
			return none + "." + p[1] + "." + p[2]
		}), idp.WrongToken, 403},
		"a forged signature": {token(func(p *idptest.Provider, raw string) string { return p.Forge(idptest.ClaimsOf(raw)) }), idp.WrongToken, 403},
		"signed by secret":   {token(func(p *idptest.Provider, raw string) string { return p.Mac(idptest.ClaimsOf(raw)) }), idp.WrongToken, 403},
		"changed claims": {token(func(_ *idptest.Provider, raw string) string {
			p := strings.Split(raw, ".")
			return p[0] + "." + base64.RawURLEncoding.EncodeToString([]byte(`{"sub":"s-root"}`)) + "." + p[2]
		}), idp.WrongToken, 403},
		"no signature":      {token(func(_ *idptest.Provider, raw string) string { return raw[:strings.LastIndex(raw, ".")+1] }), idp.WrongToken, 403},
		"another nonce":     {claims(func(c map[string]any) { c["nonce"] = "x" }), idp.WrongNonce, 403},
		"no nonce":          {claims(func(c map[string]any) { delete(c, "nonce") }), idp.WrongNonce, 403},
		"another audience":  {claims(func(c map[string]any) { c["aud"] = []string{"another program"} }), idp.WrongToken, 403},
		"another party":     {claims(func(c map[string]any) { c["azp"] = "another program" }), idp.WrongParty, 403},
		"many audiences":    {claims(func(c map[string]any) { c["aud"] = []string{idptest.ClientID, "another program"}; delete(c, "azp") }), idp.WrongParty, 403},
		"issued elsewhere":  {claims(func(c map[string]any) { c["iss"] = "https://evil.example" }), idp.WrongToken, 403},
		"expired":           {claims(func(c map[string]any) { c["exp"] = time.Now().Add(-time.Minute).Unix() }), idp.WrongToken, 403},
		"without an expiry": {claims(func(c map[string]any) { delete(c, "exp") }), idp.WrongToken, 403},
		"of the future":     {claims(func(c map[string]any) { c["iat"] = time.Now().Add(time.Hour).Unix() }), idp.WrongToken, 403},
		"not yet":           {claims(func(c map[string]any) { c["nbf"] = time.Now().Add(time.Hour).Unix() }), idp.WrongToken, 403},
		"an old sign-in":    {claims(func(c map[string]any) { c["auth_time"] = time.Now().Add(-13 * time.Hour).Unix() }), idp.TooOld, 403},
		"nobody":            {claims(func(c map[string]any) { c["sub"] = "" }), idp.BadSubject, 403},
		"an odd subject":    {claims(func(c map[string]any) { c["sub"] = "a\nb" }), idp.BadSubject, 403},
		"a long subject":    {claims(func(c map[string]any) { c["sub"] = strings.Repeat("x", 256) }), idp.BadSubject, 403},
	} {
		t.Run(name, func(t *testing.T) {
			h.provider.Claims, h.provider.Token, h.ahead, h.entries = nil, nil, 0, nil
			h.log.Reset()
			v := newVisitor(first.handler)
			w := v.do("GET", c.bend(t, h, v, h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")), nil)
			if w.Code != c.status || !strings.Contains(w.Body.String(), "<h1>Not signed in</h1>") || strings.Contains(w.Body.String(), "<script>") {
				t.Errorf("= %d, want %d: %s", w.Code, c.status, words(w))
			}
			checkMarkup(t, "the refusal", w.Body.String())
			if c.reason != idp.Denied && strings.Contains(w.Body.String(), string(c.reason)) || strings.Contains(words(w), "oidc:") {
				t.Errorf("the page tells what was checked: %s", words(w))
			}
			if got, want := h.last(), " sign-in refused: by the sign-in service: "+string(c.reason); got != want {
				t.Errorf("the audit says %q, want %q", got, want)
			}
			if len(v.cookies) != 0 || signedInAs(t, v) != "" {
				t.Errorf("cookies are left: %v", v.cookies)
			}
			if all, err := h.Accounts.Accounts(t.Context()); err != nil || len(all) != len(records.Roles)+1 {
				t.Errorf("%d accounts, %v", len(all), err)
			}
			if log := h.log.String(); !strings.Contains(log, string(c.reason)) || strings.Contains(log, idptest.ClientSecret) || strings.Contains(log, "<script>") {
				t.Errorf("the log says: %s", log)
			}
		})
	}
}

func TestAServiceThatFailsMidway(t *testing.T) {
	h, v := newHouse(t)
	back := h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")
	settings := h.SignInService.Settings
	settings.ClientSecret = "not the secret"
	d := h.Deps
	d.SignInService = idp.New(settings, h.Clock, h.Log)
	t.Cleanup(d.SignInService.Close)
	d.SignInService.Look(t.Context())
	flow := *v.cookies["plumbline_sign_in"]
	unknown := newVisitor(web.New(d))
	unknown.cookies["plumbline_sign_in"] = &flow
	if w := unknown.do("GET", back, nil); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.WrongCode)) || !strings.Contains(h.log.String(), "oidc-client-secret") {
		t.Errorf("with a wrong secret = %d, %s; the log says %s", w.Code, h.last(), h.log)
	}
	h.provider.Close()
	w := v.do("GET", back, nil)
	if w.Code != 503 || !strings.HasSuffix(h.last(), string(idp.Unreachable)) || !strings.Contains(words(w), "does not answer") || signedInAs(t, v) != "" {
		t.Errorf("with a service that is away = %d, %s", w.Code, h.last())
	}
	if page := v.do("GET", "/sign-in", nil); page.Code != 200 {
		t.Errorf("the sign-in page = %d", page.Code)
	}
}

// The same answer a second time, with the very cookie of the first: the state serves
// once here, and the code once at the service.
func TestAnAnswerServesOnce(t *testing.T) {
	h, v := newHouse(t)
	address := begin(t, v, "/sign-in/oidc")
	flow := *v.cookies["plumbline_sign_in"]
	back := h.approved(t, address, "s-ann")
	if w := v.do("GET", back, nil); w.Code != 303 {
		t.Fatalf("the first time = %d", w.Code)
	}
	thief := newVisitor(v.handler)
	thief.cookies["plumbline_sign_in"] = &flow
	codes := h.provider.Codes
	if w := thief.do("GET", back, nil); w.Code != 400 || signedInAs(t, thief) != "" || !strings.HasSuffix(h.last(), string(idp.UsedState)) {
		t.Errorf("the second time = %d, %s", w.Code, h.last())
	}
	if h.provider.Codes != codes {
		t.Error("a state that was used reaches the service")
	}
	// Another instance of the program does not know the state. The service knows the code.
	d := h.Deps
	d.SignInService = idp.New(h.SignInService.Settings, h.Clock, nil)
	t.Cleanup(d.SignInService.Close)
	d.SignInService.Look(t.Context())
	other := newVisitor(web.New(d))
	other.cookies["plumbline_sign_in"] = &flow
	if w := other.do("GET", back, nil); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.WrongCode)) {
		t.Errorf("at another instance = %d, %s", w.Code, h.last())
	}
	// A wrong answer uses the state up, too.
	v = newVisitor(v.handler)
	address = begin(t, v, "/sign-in/oidc")
	flow = *v.cookies["plumbline_sign_in"]
	back = h.approved(t, address, "s-ann")
	v.do("GET", back+"&error=access_denied", nil)
	v.cookies["plumbline_sign_in"] = &flow
	if w := v.do("GET", back, nil); w.Code != 400 || !strings.HasSuffix(h.last(), string(idp.UsedState)) {
		t.Errorf("after a refusal = %d, %s", w.Code, h.last())
	}
}

// The code of one sign-in put into another is refused by the service: PKCE.
func TestACodeBelongsToItsSignIn(t *testing.T) {
	h, v := newHouse(t)
	stolen := h.approved(t, begin(t, newVisitor(v.handler), "/sign-in/oidc"), "s-ann")
	own := h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")
	code := func(path string) string {
		u, err := url.Parse(path)
		if err != nil {
			t.Fatal(err)
		}
		return u.Query().Get("code")
	}
	back := strings.Replace(own, url.QueryEscape(code(own)), url.QueryEscape(code(stolen)), 1)
	if back == own {
		t.Fatal("the codes are one")
	}
	if w := v.do("GET", back, nil); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.WrongCode)) || signedInAs(t, v) != "" {
		t.Errorf("with the code of another sign-in = %d, %s", w.Code, h.last())
	}
}

// A service that says who it is in its answers (RFC 9207) must do so.
func TestTheIssuerOfAnAnswer(t *testing.T) {
	h, v := newHouse(t, func(p *idptest.Provider) {
		p.Discovery = func(says map[string]any) { says["authorization_response_iss_parameter_supported"] = true }
	})
	back := h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")
	if w := v.do("GET", back, nil); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.WrongIssuer)) {
		t.Errorf("without the issuer = %d, %s", w.Code, h.last())
	}
	back = h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")
	if w := v.do("GET", back+"&iss="+url.QueryEscape(h.provider.URL), nil); w.Code != 303 {
		t.Errorf("with the issuer = %d, %s", w.Code, h.last())
	}
}

func TestASignInAsSomebodyElseAsksAnew(t *testing.T) {
	h, v := newHouse(t)
	h.provider.SignedIn = time.Now().Add(-time.Hour)
	address := begin(t, v, "/sign-in/oidc?again=yes")
	if !strings.Contains(address, "prompt=login") {
		t.Errorf("the service is asked by %s", address)
	}
	if w := v.do("GET", h.approved(t, address, "s-ann"), nil); w.Code != 403 || !strings.HasSuffix(h.last(), string(idp.TooOld)) {
		t.Errorf("a service that did not ask = %d, %s", w.Code, h.last())
	}
	if w := h.signIn(t, v, "s-ann"); w.Code != 303 {
		t.Errorf("within the shift = %d, %s", w.Code, h.last())
	}
	h.provider.SignedIn = time.Now()
	v = newVisitor(v.handler)
	if w := v.do("GET", h.approved(t, begin(t, v, "/sign-in/oidc?again=yes"), "s-ann"), nil); w.Code != 303 {
		t.Errorf("a service that did = %d, %s", w.Code, h.last())
	}
}

func TestNamesAreNotJoined(t *testing.T) {
	h, v := newHouse(t)
	h.provider.Add(idptest.User{Subject: "s-evil", Name: webtest.Everything, Groups: []string{"falls"}})
	w := h.signIn(t, v, "s-evil")
	if w.Code != 403 || signedInAs(t, v) != "" || !strings.Contains(words(w), "ask an administrator") {
		t.Errorf("with the name of a local account = %d: %s", w.Code, words(w))
	}
	if got := h.last(); got != " sign-in refused: by the sign-in service: another account has the name; subject s-evil" {
		t.Errorf("the audit says %q", got)
	}
	h.provider.Add(idptest.User{Subject: "s-odd", Name: "", Groups: []string{"falls"}})
	if w := h.signIn(t, v, "s-odd"); w.Code != 403 || signedInAs(t, v) != "" {
		t.Errorf("without a name = %d", w.Code)
	}
}

func TestADisabledPersonStaysOut(t *testing.T) {
	h, v := newHouse(t)
	h.signIn(t, v, "s-ann")
	a, err := h.Accounts.Named(t.Context(), "Ann")
	if err == nil {
		_, err = h.Accounts.Disable(t.Context(), a.ID, true)
	}
	if err != nil || signedInAs(t, v) != "" {
		t.Fatal("the session of a disabled account lives on", err)
	}
	if w := h.signIn(t, v, "s-ann"); w.Code != 403 || signedInAs(t, v) != "" || h.last() != "Ann sign-in refused: by the sign-in service: the account is disabled; subject s-ann" {
		t.Errorf("disabled = %d, %s", w.Code, h.last())
	}
}

// A session that was there before, planted or real, is neither kept nor joined.
func TestSessionFixationByTheService(t *testing.T) {
	h, v := newHouse(t)
	v.signIn(webtest.Everything, webtest.Password)
	local := v.cookies["plumbline_session"].Value
	begun := newVisitor(v.handler) // somebody who is signed in is led on; so begin without
	address := begin(t, begun, "/sign-in/oidc")
	v.cookies["plumbline_sign_in"] = begun.cookies["plumbline_sign_in"]
	if w := v.do("GET", h.approved(t, address, "s-ann"), nil); w.Code != 303 {
		t.Fatalf("= %d, %s", w.Code, h.last())
	}
	if fresh := v.cookies["plumbline_session"].Value; fresh == local || signedInAs(t, v) != "Ann" {
		t.Error("the token is the one of before")
	}
	if _, err := h.Accounts.Resolve(t.Context(), local, true); err == nil {
		t.Error("the session of before lives on")
	}
}

func TestLocalWaysOfAnAccountOfTheService(t *testing.T) {
	h, v := newHouse(t)
	h.signIn(t, v, "s-ann")
	a, err := h.Accounts.Named(t.Context(), "Ann")
	if err != nil {
		t.Fatal(err)
	}
	page := v.do("GET", "/account", nil)
	if strings.Contains(page.Body.String(), `type="password"`) || !strings.Contains(words(page), "sign-in service") {
		t.Errorf("the page of the own account offers a password: %s", words(page))
	}
	checkMarkup(t, "/account", page.Body.String())
	w := v.do("POST", "/account", url.Values{"current": {""}, "new": {webtest.Password}, "again": {webtest.Password}})
	if w.Code != 422 || !strings.Contains(words(w), "has no password here") {
		t.Errorf("a change of the password = %d: %s", w.Code, words(w))
	}
	w = newVisitor(v.handler).signIn("Ann", webtest.Password)
	if w.Code != 401 || !strings.Contains(words(w), "have no password here") {
		t.Errorf("a local sign-in = %d: %s", w.Code, words(w))
	}
	unknown := newVisitor(v.handler).signIn("Ann", webtest.Password) // alike for a name that is not there
	if other := newVisitor(v.handler).signIn("Xnn", webtest.Password); strings.ReplaceAll(other.Body.String(), "Xnn", "Ann") != unknown.Body.String() {
		t.Error("the answer tells an account of the service from one that is not there")
	}

	root := newVisitor(v.handler)
	root.signIn(webtest.Everything, webtest.Password)
	if list := root.do("GET", "/accounts", nil); !strings.Contains(words(list), "active, by the sign-in service") {
		t.Errorf("the accounts do not say where one comes from: %s", words(list))
	}
	self := fmt.Sprint("/accounts/", a.ID)
	page = root.do("GET", self, nil)
	checkMarkup(t, "/accounts/:account", page.Body.String())
	if body := page.Body.String(); strings.Contains(body, `name="role"`) || strings.Contains(body, self+"/password") ||
		!strings.Contains(words(page), "roles by groups falls nurse units by groups 4W") || !strings.Contains(body, "s-ann") {
		t.Errorf("the page of the account: %s", words(page))
	}
	for path, form := range map[string]url.Values{self: {"role": {"administrator"}}, self + "/password": {}} {
		if w := root.do("POST", path, form); w.Code != 422 || !strings.Contains(words(w), "sign-in service") {
			t.Errorf("POST %s = %d: %s", path, w.Code, words(w))
		}
	}
	if now, err := h.Accounts.ByID(t.Context(), a.ID); err != nil || now.Has(records.Administrator) || now.Password != "" || signedInAs(t, v) != "Ann" {
		t.Errorf("the account is %+v, %v", now, err)
	}
}

func TestSigningOutOfTheService(t *testing.T) {
	h, v := newHouse(t)
	h.signIn(t, v, "s-ann")
	if page := v.do("GET", "/sign-out", nil); !strings.Contains(words(page), "may go on") {
		t.Errorf("the page says nothing of the other session: %s", words(page))
	}
	w := v.do("POST", "/sign-out", url.Values{})
	page := v.do("GET", w.Header().Get("Location"), nil)
	m := regexp.MustCompile(`href="([^"]*end_session[^"]*)"`).FindStringSubmatch(page.Body.String())
	if w.Code != 303 || signedInAs(t, v) != "" || !strings.Contains(words(page), "may go on") || m == nil {
		t.Fatalf("after sign-out to %q: %s", w.Header().Get("Location"), words(page))
	}
	checkMarkup(t, "/sign-in", page.Body.String())
	leave, err := url.Parse(strings.ReplaceAll(m[1], "&amp;", "&"))
	if err != nil || !strings.HasPrefix(leave.String(), h.provider.URL+"/") || leave.Query().Get("client_id") != idptest.ClientID || leave.Query().Get("post_logout_redirect_uri") != publicURL+"/sign-in" {
		t.Errorf("the session there ends at %s, %v", leave, err)
	}
	root := newVisitor(v.handler)
	root.signIn(webtest.Everything, webtest.Password)
	if to := root.do("POST", "/sign-out", url.Values{}).Header().Get("Location"); to != "/sign-in" {
		t.Errorf("a local account is led to %s", to)
	}
}

// The ways of the service answer everybody; what leads on stays on this site.
func TestTheWaysOfTheService(t *testing.T) {
	h, v := newHouse(t)
	for _, next := range []string{"https://evil.example/", "//evil.example", "/sign-in/oidc", "/sign-in/oidc/back?x=y", "/sign-out", "/" + strings.Repeat("x", 2000)} {
		if got := frame.LocalPath(next); got != "/" && len(next) < 100 {
			t.Errorf("next=%q leads to %q", next, got)
		}
		v := newVisitor(v.handler)
		address := begin(t, v, "/sign-in/oidc?next="+url.QueryEscape(next))
		if to := v.do("GET", h.approved(t, address, "s-ann"), nil).Header().Get("Location"); to != "/" {
			t.Errorf("a sign-in with next=%.30q leads to %q", next, to)
		}
	}
	v.headers.Set("Sec-Fetch-Site", "cross-site")
	if w := v.do("GET", "/sign-in/oidc?next=%2Frules", nil); w.Code != 303 || w.Header().Get("Location") != "/sign-in?next=%2Frules" || len(v.cookies) != 0 {
		t.Errorf("a link on another site = %d to %q", w.Code, w.Header().Get("Location"))
	}
	v.headers.Del("Sec-Fetch-Site")
	v.signIn(webtest.Everything, webtest.Password)
	if w := v.do("GET", "/sign-in/oidc?next=%2Frules", nil); w.Code != 303 || w.Header().Get("Location") != "/rules" {
		t.Errorf("for somebody who is signed in = %d to %q", w.Code, w.Header().Get("Location"))
	}
	if w := v.do("GET", "/sign-in/oidc/back", nil); w.Code != 400 || signedInAs(t, v) != webtest.Everything {
		t.Errorf("back from nowhere = %d, and the session of before is %q's", w.Code, signedInAs(t, v))
	}
	for _, path := range []string{"/sign-in/oidc", "/sign-in/oidc/back"} {
		if w := newVisitor(v.handler).do("POST", path, url.Values{}); w.Code != 405 {
			t.Errorf("POST %s = %d", path, w.Code)
		}
	}
}

func TestWhatCannotBeRecordedSignsNobodyIn(t *testing.T) {
	h, v := newHouse(t)
	back := h.approved(t, begin(t, v, "/sign-in/oidc"), "s-ann")
	d := h.Deps
	d.Note = func(context.Context, records.AuditEntry) error { return fmt.Errorf("the disk is full") }
	full := newVisitor(web.New(d))
	full.cookies = v.cookies
	if w := full.do("GET", back, nil); w.Code != 503 || full.cookies["plumbline_session"] != nil {
		t.Errorf("without a record = %d", w.Code)
	}
}

// A service that is away, or is not what the settings say, leaves local accounts as
// they are, and the page says so; it is found as soon as it is there.
func TestAServiceThatIsAway(t *testing.T) {
	for name, bend := range map[string]func(says map[string]any){
		"another issuer":                func(says map[string]any) { says["issuer"] = "https://other.example" },
		"a token endpoint in the clear": func(says map[string]any) { says["token_endpoint"] = "http://login.hospital.example/token" },
		"keys in the clear":             func(says map[string]any) { says["jwks_uri"] = "http://login.hospital.example/keys" },
		"no PKCE":                       func(says map[string]any) { says["code_challenge_methods_supported"] = []string{"plain"} },
		"no token endpoint":             func(says map[string]any) { delete(says, "token_endpoint") },
	} {
		t.Run(name, func(t *testing.T) {
			h, v := newHouse(t, func(p *idptest.Provider) { p.Discovery = bend })
			page := v.do("GET", "/sign-in", nil)
			if strings.Contains(page.Body.String(), "/sign-in/oidc") || !strings.Contains(words(page), "sign-in service cannot be reached") {
				t.Errorf("the page says %s", words(page))
			}
			checkMarkup(t, "/sign-in", page.Body.String())
			if w := v.do("GET", "/sign-in/oidc", nil); w.Code != 503 || len(v.cookies) != 0 {
				t.Errorf("a sign-in = %d", w.Code)
			}
			if w := v.do("GET", "/sign-in/oidc/back?state=x&code=y", nil); w.Code != 503 {
				t.Errorf("back = %d", w.Code)
			}
			if w := v.signIn(webtest.Everything, webtest.Password); w.Code != 303 {
				t.Errorf("a local sign-in = %d", w.Code)
			}
			if log := h.log.String(); strings.Count(log, "cannot be used") != 1 || strings.Contains(log, idptest.ClientSecret) {
				t.Errorf("the log says %s", log)
			}
			h.provider.Discovery = nil
			h.SignInService.Look(t.Context()) // too early
			if h.SignInService.Ready() {
				t.Error("it is asked again at once")
			}
			h.ahead = 6 * time.Second
			h.SignInService.Look(t.Context())
			v = newVisitor(v.handler)
			if h.signIn(t, v, "s-ann"); signedInAs(t, v) != "Ann" {
				t.Errorf("once it is there: %s", h.last())
			}
		})
	}
}

func TestWithoutAService(t *testing.T) {
	d, _ := open(t)
	v := newVisitor(web.New(d))
	for _, path := range []string{"/sign-in/oidc", "/sign-in/oidc/back?state=x&code=y"} {
		if w := v.do("GET", path, nil); w.Code != 404 {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
	if page := v.do("GET", "/sign-in?left=service", nil); strings.Contains(words(page), "service") {
		t.Errorf("the page speaks of a service: %s", words(page))
	}
}
