package web_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// token makes a token for unit 4W, or for none where the scopes know none.
func (c *crawl) token(t *testing.T, scopes ...records.Scope) (records.APIToken, string) {
	t.Helper()
	c.made++
	made := records.APIToken{Name: fmt.Sprint("machine ", c.made), Scopes: scopes, ExpiresAt: c.tokens.Clock().Add(10 * 24 * time.Hour)}
	if !slices.Equal(scopes, []records.Scope{records.ReadMetrics}) {
		made.Units = []string{"4W"}
	}
	secret, made, err := c.tokens.Make(t.Context(), made, "root")
	if err != nil {
		t.Fatal(err)
	}
	return made, secret
}

func (c *crawl) bearing(method, target, authorization string, cookies []*http.Cookie) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, nil)
	r.RemoteAddr, r.Host = "127.0.0.1:999", "localhost"
	r.Header.Set("Authorization", authorization)
	for _, k := range cookies {
		r.AddCookie(k)
	}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	return w
}

// machineAnswers are the answers to a token of each scope, in the order of
// auth.Scopes, on its own unit and elsewhere, written from docs/api.md.
var machineAnswers = map[string]struct{ own, elsewhere string }{
	"GET /api/v1/units/:unit/list":  {"200 404 404 404", "404 404 404 404"},
	"GET /api/v1/stays/:stay/sets":  {"404 200 404 404", "404 404 404 404"},
	"POST /api/v1/stays/:stay/sets": {"404 404 400 404", "404 404 404 404"}, // without a body
	"GET /api/v1/openapi.yaml":      {"200 200 200 200", ""},
	"GET /metrics":                  {"403 403 403 200", ""},
}

// Every route, with a good token of each scope: those of the API answer by scope and
// unit, no page opens, and a session beside the token counts for nothing.
func TestEveryRouteWithEveryToken(t *testing.T) {
	c := newCrawl(t)
	_, nurse := c.account(t, records.FallsNurse)
	d, _ := open(t)
	rules, seen := web.Ways(d), map[string]bool{}
	for _, w := range ways {
		if rules[w.method+" "+w.path] == "public" {
			continue // looks at no token
		}
		for n, scope := range records.Scopes {
			_, secret := c.token(t, scope)
			for _, cookies := range [][]*http.Cookie{nil, nurse} {
				for _, place := range append([]string{"own"}, drill.Few(1, elsewhere)...) {
					want := "403"
					if answers, ok := machineAnswers[w.method+" "+w.path]; ok {
						seen[w.method+" "+w.path] = true
						want = field(answers.own, n)
						if place != "own" && answers.elsewhere != "" {
							want = field(answers.elsewhere, n)
						}
					}
					for _, method := range methods(w) {
						got := c.bearing(method, c.target(t, w, place), "Bearer "+secret, cookies)
						if strconv.Itoa(got.Code) != want {
							t.Errorf("%s %s (%s) with %s, %d cookies = %d, want %s", method, w.path, place, scope, len(cookies), got.Code, want)
						}
						checkKept(t, w, got)
					}
				}
			}
		}
	}
	if len(seen) != len(machineAnswers) {
		t.Errorf("seen %v, want every route of machineAnswers", seen)
	}
	_, both := c.token(t, records.Scopes...)
	for _, target := range []string{"/api/v1/units/4W/list", "/api/v1/stays/S102/sets", "/api/v1/openapi.yaml", "/metrics"} {
		if got := c.bearing("GET", target, "bearer  "+both, nil); got.Code != 200 {
			t.Errorf("GET %s with every scope = %d", target, got.Code)
		}
	}
}

// What is no good token is answered 401 in JSON with the challenge, whatever is wrong
// with it, and whoever is signed in beside it.
func TestTokensThatDoNotServe(t *testing.T) {
	c := newCrawl(t)
	_, good := c.token(t, records.Scopes...)
	gone, revoked := c.token(t, records.Scopes...)
	if err := c.tokens.Revoke(t.Context(), gone.ID); err != nil {
		t.Fatal(err)
	}
	short := records.APIToken{Name: "short", Scopes: records.Scopes, AllUnits: true, ExpiresAt: c.tokens.Clock().Add(time.Second)}
	expired, _, err := c.tokens.Make(t.Context(), short, "root")
	if err != nil {
		t.Fatal(err)
	}
	c.minutes.Add(1)
	_, nurse := c.account(t, records.FallsNurse)
	for what, header := range map[string]string{
		"unknown": "Bearer " + auth.NewAPIToken(), "malformed": "Bearer x", "empty": "Bearer", "blank": "Bearer ", "a letter off": "Bearer " + good[:20] + "2" + good[21:] + "2",
		"two in one": "Bearer " + good + " " + good, "two, a tab between": "Bearer\t" + good + "\t" + good, "expired": "Bearer " + expired, "revoked": "Bearer " + revoked, "in lower case": "Bearer " + strings.ToLower(good),
	} {
		for _, cookies := range [][]*http.Cookie{nil, nurse} {
			for way := range machineAnswers {
				method, target, _ := strings.Cut(strings.NewReplacer(":unit", "4W", ":stay", "S102").Replace(way), " ")
				got := c.bearing(method, target, header, cookies)
				var body struct{ Error string }
				err := json.Unmarshal(got.Body.Bytes(), &body)
				if challenge := got.Header().Get("WWW-Authenticate"); got.Code != 401 || challenge != `Bearer realm="plumbline", error="invalid_token"` || err != nil ||
					body.Error != "The token is not known, has expired or was revoked." {
					t.Errorf("%s, %d cookies: %s %s = %d %s %s", what, len(cookies), method, target, got.Code, challenge, got.Body)
				}
			}
		}
	}
	r := httptest.NewRequest("GET", "/api/v1/openapi.yaml", nil)
	r.RemoteAddr = "127.0.0.1:999"
	r.Header["Authorization"] = []string{"Bearer " + good, "Bearer " + good}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	if w.Code != 401 {
		t.Errorf("two headers = %d", w.Code)
	}
	// Of no token and no session the challenge names no fault (RFC 6750, section 3.1).
	if got := c.request("GET", "/api/v1/openapi.yaml", "", nil); got.Code != 401 || got.Header().Get("WWW-Authenticate") != `Bearer realm="plumbline"` {
		t.Errorf("without anything = %d %q", got.Code, got.Header().Get("WWW-Authenticate"))
	}
	// Another scheme is none of the program's: the session counts.
	if got := c.bearing("GET", "/api/v1/openapi.yaml", "Basic eDp5", nurse); got.Code != 200 {
		t.Errorf("a session beside another scheme = %d", got.Code)
	}
}

// A token signs nobody in, and opens nothing but what it stands beside.
func TestATokenSignsNobodyIn(t *testing.T) {
	c := newCrawl(t)
	_, good := c.token(t, records.Scopes...)
	for _, target := range []string{"/sign-in", "/healthz", "/api/v1/openapi.yaml", "/units/4W", "/nowhere", "/metrics"} {
		got := c.bearing("GET", target, "Bearer "+good, nil)
		if cookies := got.Result().Cookies(); len(cookies) > 0 {
			t.Errorf("GET %s with a token sets %v", target, cookies)
		}
		if strings.Contains(got.Body.String(), "Sign out") {
			t.Errorf("GET %s with a token: the page is somebody's", target)
		}
	}
	for _, target := range []string{"/api/v1/openapi.yaml?access_token=" + good, "/api/v1/openapi.yaml?token=" + good} {
		if got := c.request("GET", target, "", nil); got.Code != 401 {
			t.Errorf("a token in the address = %d", got.Code)
		}
	}
}

// Guessing makes the address wait that guesses, and not a good token from there.
func TestGuessingTokensShutsNoTokenOut(t *testing.T) {
	c := newCrawl(t)
	_, good := c.token(t, records.ReadList)
	var waits int
	for range 130 {
		got := c.bearing("GET", "/api/v1/units/4W/list", "Bearer "+auth.NewAPIToken(), nil)
		switch got.Code {
		case 429:
			waits++
			if seconds, err := strconv.Atoi(got.Header().Get("Retry-After")); err != nil || seconds < 1 || seconds > 60 {
				t.Errorf("Retry-After %q", got.Header().Get("Retry-After"))
			}
		case 401:
		default:
			t.Fatalf("a wrong token = %d", got.Code)
		}
		if got := c.bearing("GET", "/api/v1/openapi.yaml", "Bearer "+good, nil); got.Code != 200 {
			t.Fatalf("a good token from the same address = %d", got.Code)
		}
	}
	if waits != 30 {
		t.Errorf("of 130 wrong tokens %d were told to wait, want those from the 101st on", waits)
	}
	if _, err := webtest.SignIn(c.handler, "falls-nurse", webtest.Password); err != nil {
		t.Errorf("wrong tokens shut a person out: %v", err)
	}
}

func TestMetricsByToken(t *testing.T) {
	d, _ := open(t)
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	h := web.New(d)
	secret := func(name string, scope records.Scope, units ...string) string {
		secret, _, err := d.Tokens.Make(t.Context(), auth.ParseAPIToken(name, []string{string(scope)}, units, demo.AnchorTime().Add(time.Hour)), "root")
		if err != nil {
			t.Fatal(err)
		}
		return secret
	}
	monitor, board := secret("monitor", records.ReadMetrics), secret("board", records.ReadList, "4W")
	for from, near := range map[string]bool{"127.0.0.1:9": true, "10.0.0.1:9": false} {
		for token, want := range map[string]int{monitor: 200, board: 403, auth.NewAPIToken(): 401, "": map[bool]int{true: 200, false: 403}[near]} {
			v := newVisitor(h)
			v.from = from
			if token != "" {
				v.headers.Set("Authorization", "Bearer "+token)
			}
			w := v.do("GET", "/metrics", nil)
			if w.Code != want || want != 200 && !json.Valid(w.Body.Bytes()) {
				t.Errorf("from %s = %d, want %d: %.80s", from, w.Code, want, w.Body)
			}
			if want == 200 && !strings.Contains(w.Body.String(), "plumbline_tokens_total") && token != "" {
				t.Error("the requests with a token are not counted")
			}
		}
	}
}

func TestRequestsWithATokenAreRecorded(t *testing.T) {
	all, d := noted(t, kept)
	c := &crawl{handler: web.New(d), tokens: d.Tokens}
	made, good := c.token(t, records.ReadList, records.ReadSets)
	for _, step := range []struct{ path, token, want string }{
		{"/api/v1/units/4W/list", good, "token machine 1 view GET /api/v1/units/:unit/list unit=4W stay= allowed"},
		{"/api/v1/units/7E/list", good, "token machine 1 view GET /api/v1/units/:unit/list unit=7E stay= refused"},
		{"/api/v1/stays/S102/sets", good, "token machine 1 view GET /api/v1/stays/:stay/sets unit=4W stay=S102 allowed"},
		{"/metrics", good, "token machine 1 view GET /metrics unit= stay= refused"},
		{"/api/v1/units/4W/list", auth.NewAPIToken(), " sign-in GET /api/v1/units/:unit/list unit= stay= refused"},
	} {
		c.bearing("GET", step.path, "Bearer "+step.token, nil)
		if got := lastOf(t, *all); got != step.want {
			t.Errorf("%s: %s, want %s", step.path, got, step.want)
		}
	}
	if err := d.Tokens.Revoke(t.Context(), made.ID); err != nil {
		t.Fatal(err)
	}
	c.bearing("GET", "/api/v1/units/4W/list", "Bearer "+good, nil)
	if got := lastOf(t, *all); got != "token machine 1 sign-in GET /api/v1/units/:unit/list unit= stay= refused" {
		t.Errorf("revoked: %s", got)
	}
	if said := fmt.Sprintf("%+v", *all); strings.Contains(said, "plb_") {
		t.Error("a token stands in the audit")
	}
}

// The administrator makes a token, sees it once, and ends it.
func TestMakingAndRevokingATokenOnItsPage(t *testing.T) {
	all, d := noted(t, kept)
	h := web.New(d)
	admin := newVisitor(h)
	admin.signIn("administrator", webtest.Password)
	form := url.Values{"name": {"bed board"}, "scope": {"list:read"}, "units": {"4W"}, "days": {"30"}}
	for what, change := range map[string]func(url.Values){
		"name its units": func(f url.Values) { f.Set("units", "") }, "has no scope": func(f url.Values) { f.Del("scope") },
		"has no name": func(f url.Values) { f.Set("name", " ") }, "1 to 366 days": func(f url.Values) { f.Set("days", "367") },
		"no scope &#34;all&#34;": func(f url.Values) { f.Set("scope", "all") },
	} {
		bad := url.Values{}
		for k, v := range form {
			bad[k] = slices.Clone(v)
		}
		change(bad)
		before := len(*all)
		w := admin.do("POST", "/tokens", bad)
		checkMarkup(t, "/tokens", w.Body.String())
		if w.Code != 422 || !strings.Contains(w.Body.String(), what) || strings.Contains(w.Body.String(), "plb_") || len(*all) != before {
			t.Errorf("%s: POST /tokens = %d", what, w.Code)
		}
	}
	w := admin.do("POST", "/tokens", form)
	checkMarkup(t, "/tokens", w.Body.String())
	secret := regexp.MustCompile(`plb_[A-Z2-7]{58}`).FindString(w.Body.String())
	if w.Code != 200 || secret == "" || w.Header().Get("Cache-Control") != "no-store" {
		t.Fatalf("POST /tokens = %d, kept %q", w.Code, w.Header().Get("Cache-Control"))
	}
	e := (*all)[len(*all)-1]
	if e.Who != "administrator" || e.Did != audit.Manage || e.Note != "made token bed board: list:read; units: 4W; until 2026-12-02T16:00:00Z" && !strings.HasPrefix(e.Note, "made token bed board: list:read; units: 4W; until ") {
		t.Errorf("recorded %+v", e)
	}
	machine := newVisitor(h)
	machine.headers.Set("Authorization", "Bearer "+secret)
	if w := machine.do("GET", "/api/v1/units/4W/list", nil); w.Code != 200 {
		t.Errorf("with the token = %d", w.Code)
	}
	page := admin.do("GET", "/tokens", nil).Body.String()
	checkMarkup(t, "/tokens", page)
	revoke := regexp.MustCompile(`action="(/tokens/\d+/revoke)"`).FindStringSubmatch(page)
	if strings.Contains(page, "plb_") || !strings.Contains(page, "bed board") || strings.Contains(page, "never") || revoke == nil {
		t.Fatal("the token is shown again, or the page does not list it with its use")
	}
	if w := admin.do("POST", "/tokens", form); w.Code != 422 || !strings.Contains(w.Body.String(), "a name serves once") {
		t.Errorf("the name again = %d", w.Code)
	}
	for range 2 { // the second time nothing more happens
		w := admin.do("POST", revoke[1], nil)
		checkMarkup(t, "/tokens", w.Body.String())
		if w.Code != 200 || !strings.Contains(w.Body.String(), "is revoked") || strings.Contains(w.Body.String(), revoke[1]) {
			t.Errorf("POST %s = %d", revoke[1], w.Code)
		}
	}
	if e := (*all)[len(*all)-1]; e.Did != audit.Manage || e.Note != "revoked token bed board" {
		t.Errorf("recorded %+v", e)
	}
	if w := machine.do("GET", "/api/v1/units/4W/list", nil); w.Code != 401 {
		t.Errorf("with the revoked token = %d", w.Code)
	}
	for _, target := range []string{"/tokens/999/revoke", "/tokens/x/revoke"} {
		if w := admin.do("POST", target, nil); w.Code != 404 {
			t.Errorf("POST %s = %d", target, w.Code)
		}
	}
}

// What cannot be recorded is not done.
func TestATokenThatCannotBeRecordedIsNotMade(t *testing.T) {
	full := false
	_, d := noted(t, func(records.AuditEntry) error {
		if full {
			return fmt.Errorf("the disk is full")
		}
		return nil
	})
	admin := newVisitor(web.New(d))
	admin.signIn("administrator", webtest.Password)
	full = true
	w := admin.do("POST", "/tokens", url.Values{"name": {"x"}, "scope": {"metrics:read"}, "days": {"1"}})
	made, err := d.Tokens.List(t.Context())
	if w.Code != 503 || err != nil || len(made) > 0 {
		t.Errorf("POST /tokens = %d and made %d tokens, %v", w.Code, len(made), err)
	}
}
