package web_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// Ways that ask the database for nothing: they go on while it is down.
var needNoData = []string{
	"/new-set-shell", "/new-set-beds-shell", "/new-set-worker.js", "/wall/offline", "/wall-worker.js", "/healthz", "/metrics", "/favicon.ico", "/static/*name",
	"/sign-in/oidc", "/sign-in/oidc/back", "/launch", "/launch/back", // not found: no service and no record is set
	"/wall", // of a display that brings no secret: it is led to the page that enrols one
}

// checkAway: 503, what to do next, and nothing of how the program is made.
func checkAway(t *testing.T, way string, got *httptest.ResponseRecorder) {
	t.Helper()
	body := got.Body.String()
	if got.Code != http.StatusServiceUnavailable || got.Header().Get("Retry-After") != "30" {
		t.Errorf("%s = %d, Retry-After %q; want 503, 30", way, got.Code, got.Header().Get("Retry-After"))
		return
	}
	if strings.HasPrefix(strings.TrimPrefix(way, "GET "), "/api/") {
		var said struct{ Error string }
		if err := json.Unmarshal(got.Body.Bytes(), &said); err != nil {
			t.Errorf("%s: %v", way, err)
		}
		body = said.Error
	}
	if !strings.HasPrefix(way, "HEAD") && !strings.Contains(body, "try again in a minute") || strings.Contains(body, "sql") {
		t.Errorf("%s says %q", way, body)
	}
}

// A database that is down answers 503 with what to do on every page and form, and the
// probe says so too.
func TestADatabaseThatIsDownSaysSoEverywhere(t *testing.T) {
	d, board := open(t)
	d.Ready = board.Data.Ping
	c := &crawl{auth: d.Accounts, tokens: d.Tokens, handler: web.New(d), static: "/static/none.css"}
	var all [][]*http.Cookie
	for _, role := range records.Roles {
		_, cookies := c.account(t, role)
		all = append(all, cookies)
	}
	if w := c.request("GET", "/readyz", "", nil); w.Code != http.StatusOK {
		t.Fatalf("/readyz = %d", w.Code)
	}
	if err := board.Data.Close(); err != nil {
		t.Fatal(err)
	}
	if w := c.request("GET", "/readyz", "", nil); w.Code != http.StatusServiceUnavailable {
		t.Errorf("/readyz without a database = %d", w.Code)
	}
	for _, w := range ways {
		if slices.Contains(needNoData, w.path) || w.path == "/readyz" || w.method+" "+w.path == "GET /wall/enrol" {
			continue
		}
		target := strings.NewReplacer(
			":unit", "4W", ":stay", "S102", ":episode", strings.Repeat("0", 32), ":fall", "F-S101-001",
			":account", "1", ":token", "1", ":screen", "1", ":number", "0", ":row", "1",
		).Replace(w.path)
		for _, cookies := range all {
			for _, method := range methods(w) {
				checkAway(t, method+" "+target, c.request(method, target, w.form, cookies))
			}
		}
	}
}

// The same where it fails behind the sign-in, so that each page asks for itself.
func TestEveryPageItselfSaysThatTheDatabaseIsDown(t *testing.T) {
	d, board := open(t)
	other, _ := open(t) // the accounts, on a database of their own
	d.Accounts = other.Accounts
	h := webtest.As(web.New(d), webtest.Everything)
	if err := board.Data.Close(); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{
		"/", "/units/4W", "/units/4W?view=huddle", "/units/4W?as_of=2026-11-24T12:00:00Z", "/stays/S102", "/stays/S102/history",
		"/units/4W/episodes", "/units/4W/episodes/tally", "/units/4W/over-time", "/units/4W/over-time.csv",
		"/units/4W/over-time.xlsx", "/units/4W/falls", "/falls/F-S101-001", "/units/4W/new-set", "/stays/S102/new-set",
		"/feeds/held/1", "/tokens", "/policy", "/policy/versions/1", "/api/v1/units/4W/list", "/api/v1/stays/S102/sets",
	} {
		checkAway(t, "GET "+path, get(h, path))
	}
	pharmacist := webtest.As(h, string(records.Pharmacist))
	for _, path := range []string{"/dose-review", "/dose-review.csv", "/dose-review.xlsx", "/dose-review/S102"} {
		checkAway(t, "GET "+path, get(pharmacist, path))
	}
}
