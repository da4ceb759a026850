package web_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// way is a route with the answers that the rules ask for, written from their text:
// patient data needs the permission and the unit, and is otherwise not there (404);
// a function needs the permission (403); a page without sign-in leads to the
// sign-in (303), the API says 401.
type way struct {
	method, path string
	form         string
	// Answers by role, in the order of auth.Roles: bedside nurse, falls nurse, unit
	// manager, pharmacist, prescriber, administrator, screen. elsewhere is another unit and one
	// that does not exist, for routes that name a unit or stay.
	own, elsewhere string
	nobody         int // signed out, expired, disabled
}

const (
	any200 = "200 200 200 200 200 200 200"
	all404 = "404 404 404 404 404 404 404"
	patnts = "200 200 200 200 200 404 404" // whoever may see patients with their names
	acting = "409 409 409 404 404 404 404" // whoever may act on what is owed
	review = "403 403 403 200 403 403 403" // who reviews doses
	nurses = "200 200 404 404 404 404 404" // whoever may record a set
	admins = "403 403 403 403 403 200 403"
)

var ways = []way{
	{"GET", "/", "", "303 303 303 303 303 303 303", "", 303},
	{"GET", "/hospital", "", "200 200 200 200 200 403 200", "", 303},
	{"GET", "/units/:unit", "", "200 200 200 200 200 404 200", all404, 303},
	{"GET", "/stays/:stay", "", patnts, all404, 303},
	{"GET", "/stays/:stay/history", "", patnts, all404, 303},
	{"GET", "/units/:unit/episodes", "", patnts, all404, 303},
	{"GET", "/units/:unit/episodes/tally", "", "404 200 200 404 404 404 404", all404, 303},
	// The forms of this test do not say what they showed: out of date (409).
	{"POST", "/episodes/:episode/take", "", acting, all404, 303},
	{"POST", "/episodes/:episode/release", "", acting, all404, 303},
	{"POST", "/episodes/:episode/defer", "reason=asleep&hours=1", acting, all404, 303},
	{"POST", "/episodes/:episode/close", "reason=declined", acting, all404, 303},
	{"GET", "/units/:unit/wall", "", "200 200 200 200 200 404 200", all404, 303},
	{"GET", "/wall", "", "303 303 303 303 303 303 303", "", 303}, // no account opens it: a display that was enrolled does
	{"GET", "/wall/enrol", "", any200, "", 200},
	{"GET", "/wall/offline", "", any200, "", 200},
	{"GET", "/wall-worker.js", "", any200, "", 200},
	{"POST", "/wall/enrol", "code=AAAA", "422 422 422 422 422 422 422", "", 422},
	{"GET", "/screens", "", admins, "", 303},
	{"POST", "/screens", "name=", "403 403 403 403 403 422 403", "", 303},
	{"POST", "/screens/:screen/end", "", "403 403 403 403 403 404 403", "", 303},
	{"GET", "/units/:unit/round", "", patnts, all404, 303},
	{"POST", "/units/:unit/round", "from=1A&nurse=Ann", "303 303 303 404 404 404 404", all404, 303},
	{"POST", "/units/:unit/note", "note=lift+out", "303 303 303 404 404 404 404", all404, 303},
	{"POST", "/stays/:stay/note", "note=called", "303 303 303 404 404 404 404", all404, 303},
	{"GET", "/units/:unit/over-time", "", "404 200 200 404 404 404 404", all404, 303},
	{"POST", "/units/:unit/over-time/change", "day=2026-10-01&what=alarms", "404 303 303 404 404 404 404", all404, 303},
	{"GET", "/units/:unit/over-time.csv", "", "404 200 200 404 404 404 404", all404, 303},
	{"GET", "/units/:unit/over-time.xlsx", "", "404 200 200 404 404 404 404", all404, 303},
	{"GET", "/units/:unit/falls", "", patnts, all404, 303},
	{"GET", "/falls/:fall", "", patnts, all404, 303},
	{"GET", "/units/:unit/new-set", "", nurses, all404, 303},
	{"GET", "/stays/:stay/new-set", "", nurses, all404, 303},
	{"POST", "/stays/:stay/new-set", "", "422 422 404 404 404 404 404", all404, 303},
	{"POST", "/stays/:stay/new-set/begun", "", "400 400 404 404 404 404 404", all404, 303},
	{"POST", "/stays/:stay/new-set/told", "", "400 400 404 404 404 404 404", all404, 303},
	{"POST", "/stays/:stay/restrictions", "", "400 400 404 404 404 404 404", all404, 303},
	{"GET", "/new-set-shell", "", any200, "", 200},
	{"GET", "/new-set-beds-shell", "", any200, "", 200},
	{"GET", "/new-set-worker.js", "", any200, "", 200},
	{"POST", "/episodes/:episode/give", "name=Ann", acting, all404, 303},
	{"POST", "/episodes/:episode/tell", "name=Ann&at=07:00", acting, all404, 303},
	{"POST", "/episodes/:episode/clear", "by=Ann&at=07:00", acting, all404, 303},
	{"POST", "/stays/:stay/precautions", "", "303 303 303 404 404 404 404", all404, 303}, // nothing ticked: nothing done
	{"GET", "/feeds", "", "200 200 200 200 200 200 403", "", 303},
	{"GET", "/feeds/all-there", "", "200 200 200 200 200 200 403", "", 303},
	{"POST", "/feeds/units", "unit=4W&say=checked", admins, "", 303},
	{"POST", "/feeds/search", "text=x", admins, "", 303},
	{"POST", "/feeds/retry", "", admins, "", 303},
	{"POST", "/feeds/to-record/retry", "", "403 403 403 403 403 404 403", "", 303}, // nothing goes to the record
	{"GET", "/feeds/held/:row", "", admins, "", 303},
	{"POST", "/feeds/held/:row", "mark=x", "403 403 403 403 403 409 403", "", 303},
	{"POST", "/feeds/held/:row/retry", "", admins, "", 303},
	{"GET", "/rules", "", any200, "", 303},
	{"GET", "/dose-review", "", review, "", 303},
	{"GET", "/dose-review.xlsx", "", review, "", 303},
	{"GET", "/dose-review.csv", "", review, "", 303},
	{"GET", "/dose-review/:stay", "", "404 404 404 200 404 404 404", all404, 303},
	{"GET", "/asked", "", "403 403 403 403 200 403 403", "", 303},
	{"POST", "/asked/:stay/reviews/:review", "answer=agreed", "404 404 404 404 404 404 404", all404, 303}, // there is none yet
	{"POST", "/asked/:stay/clearance/take-back", "why=x", "404 404 404 404 409 404 404", all404, 303},     // nor a clearance
	{"GET", "/suggestions", "", review, "", 303},
	{"GET", "/suggestions.xlsx", "", review, "", 303},
	{"GET", "/suggestions.csv", "", review, "", 303},
	{"POST", "/dose-review/:stay/:review/take-back", "why=x", "404 404 404 404 404 404 404", all404, 303}, // there is none yet
	{"POST", "/dose-review/:stay", "outcome=no_change", "404 404 404 422 404 404 404", all404, 303},
	{"GET", "/api/v1/units/:unit/list", "", patnts, all404, 401},
	{"GET", "/api/v1/stays/:stay/sets", "", patnts, all404, 401},
	{"POST", "/api/v1/stays/:stay/sets", "", all404, all404, 401}, // for machines alone: people have the form
	{"GET", "/api/v1/openapi.yaml", "", any200, "", 401},

	{"GET", "/sign-in", "", "303 303 303 303 303 303 303", "", 200},
	{"POST", "/sign-in", "name=NEW&password=y", "401 401 401 401 401 401 401", "", 401},
	{"GET", "/sign-in/oidc", "", all404, "", 404}, // where no service is set; with one: TestTheWaysOfTheService
	{"GET", "/sign-in/oidc/back", "", all404, "", 404},
	{"GET", "/launch", "", all404, "", 404}, // where no record is set; with one: TestTheRecordOpensThePageOfItsPatient
	{"GET", "/launch/back", "", all404, "", 404},
	{"GET", "/sign-out", "", any200, "", 303},
	{"POST", "/sign-out", "", "303 303 303 303 303 303 303", "", 303},
	{"GET", "/account", "", any200, "", 303},
	{"POST", "/account/codes", "codes=on", "303 303 303 303 303 303 303", "", 303},
	{"POST", "/account", "current=wrong&new=x&again=x", "422 422 422 422 422 422 422", "", 303},

	{"GET", "/accounts", "", admins, "", 303},
	{"POST", "/accounts", "name=", "403 403 403 403 403 422 403", "", 303},
	{"GET", "/accounts/:account", "", admins, "", 303},
	{"POST", "/accounts/:account", "role=screen&units=4W", admins, "", 303},
	{"POST", "/accounts/:account/disable", "", admins, "", 303},
	{"POST", "/accounts/:account/enable", "", admins, "", 303},
	{"POST", "/accounts/:account/password", "", admins, "", 303},
	{"POST", "/accounts/:account/sign-out", "", admins, "", 303},

	{"GET", "/tokens", "", admins, "", 303},
	{"POST", "/tokens", "name=", "403 403 403 403 403 422 403", "", 303},
	{"POST", "/tokens/:token/revoke", "", admins, "", 303},

	{"GET", "/audit", "", admins, "", 303},

	{"GET", "/policy", "", admins, "", 303},
	{"POST", "/policy", "", "403 403 403 403 403 422 403", "", 303},
	{"POST", "/policy/preview", "", "403 403 403 403 403 422 403", "", 303},
	{"GET", "/policy/versions/:number", "", admins, "", 303},
	{"GET", "/codes", "", admins, "", 303},
	{"POST", "/codes", "text=x", "403 403 403 403 403 422 403", "", 303},
	{"POST", "/policy/return", "number=0", "403 403 403 403 403 422 403", "", 303},

	{"GET", "/healthz", "", any200, "", 200},
	{"GET", "/readyz", "", any200, "", 200},
	{"GET", "/metrics", "", any200, "", 200}, // these requests come from this machine
	{"GET", "/favicon.ico", "", any200, "", 200},
	{"GET", "/static/*name", "", any200, "", 200},
}

// Stays, units and the episodes of crawl.episodes: the accounts of the test are on 4W.
var places = map[string]struct{ unit, stay string }{
	"own":      {"4W", "S102"},
	"other":    {"7E", "S203"},
	"unknown":  {"9Z", "S000"},
	"pattern":  {"%", "%25"},
	"the four": {"4", "S10"},
}

var elsewhere = []string{"other", "unknown", "pattern", "the four"}

// Falls of those places; the demo unit 7E has none, so one is added (newCrawl).
var falls = map[string]string{"own": "F-S101-001", "other": fallElsewhere, "unknown": "F-S000-001", "pattern": "%", "the four": "F-S10"}

// crawl is a program whose clock can be moved, with accounts made as they are needed.
type crawl struct {
	handler http.Handler
	auth    *auth.Service
	tokens  *auth.Tokens
	minutes atomic.Int64
	made    int
	static  string
	readers map[records.Role][]*http.Cookie
	// By the places: of the unit, none, and what a query could take for either.
	episodes map[string]string
}

func newCrawl(t *testing.T) *crawl {
	t.Helper()
	d, board := open(t)
	addFall(t, board, "S203")
	c := &crawl{auth: d.Accounts, tokens: d.Tokens, episodes: map[string]string{"unknown": strings.Repeat("0", 32), "pattern": "%25"}}
	for place, list := range map[string][]records.Episode{"own": owed(t, d, "4W"), "other": owed(t, d, "7E")} {
		c.episodes[place] = list[0].ID
	}
	c.episodes["the four"] = c.episodes["own"][:31]
	d.Accounts.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(c.minutes.Load()) * time.Minute) }
	d.Tokens.Clock = d.Accounts.Clock
	c.handler = web.New(d)
	body := c.request("GET", "/sign-in", "", nil).Body.String()
	c.static = body[strings.Index(body, "/static/"):]
	c.static = c.static[:strings.IndexByte(c.static, '"')]
	return c
}

func (c *crawl) request(method, target, form string, cookies []*http.Cookie) *httptest.ResponseRecorder {
	c.made++ // each wrong password is another name's
	form = strings.Replace(form, "NEW", fmt.Sprint("nobody ", c.made), 1)
	r := httptest.NewRequest(method, target, strings.NewReader(form))
	r.RemoteAddr, r.Host = "127.0.0.1:999", "localhost"
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, k := range cookies {
		r.AddCookie(k)
	}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	return w
}

// account makes a fresh account of a role on 4W, and signs it in.
func (c *crawl) account(t *testing.T, role records.Role) (records.Account, []*http.Cookie) {
	t.Helper()
	c.made++
	a, err := c.auth.Add(t.Context(), fmt.Sprint(role, " ", c.made), webtest.Password, auth.Grants{Roles: []records.Role{role}, Units: []string{"4W"}}, false)
	if err != nil {
		t.Fatal(err)
	}
	cookies, err := webtest.SignIn(c.handler, a.Name, webtest.Password)
	if err != nil {
		t.Fatal(err)
	}
	return a, cookies
}

// reader is the session of one account of a role that only ever reads.
func (c *crawl) reader(t *testing.T, role records.Role) []*http.Cookie {
	t.Helper()
	if c.readers[role] == nil {
		if c.readers == nil {
			c.readers = map[records.Role][]*http.Cookie{}
		}
		_, c.readers[role] = c.account(t, role)
	}
	return c.readers[role]
}

// target fills in the path of a way.
func (c *crawl) target(t *testing.T, w way, place string) string {
	at := places[place]
	target := strings.NewReplacer(":unit", url.PathEscape(at.unit), ":stay", at.stay, ":episode", c.episodes[place], ":fall", url.PathEscape(falls[place]), "/static/*name", c.static, ":number", "0", ":row", "1").Replace(w.path)
	if strings.Contains(target, ":account") {
		other, _ := c.account(t, records.BedsideNurse)
		target = strings.Replace(target, ":account", strconv.FormatInt(other.ID, 10), 1)
	}
	if strings.Contains(target, ":token") {
		made, _ := c.token(t, records.ReadMetrics)
		target = strings.Replace(target, ":token", strconv.FormatInt(made.ID, 10), 1)
	}
	return target
}

// Every route has a rule, and every route stands in the table of this test.
func TestEveryRouteHasARule(t *testing.T) {
	d, _ := open(t)
	listed := map[string]bool{}
	for _, w := range ways {
		listed[w.method+" "+w.path] = true
		if w.method == "GET" {
			listed["HEAD "+w.path] = true
		}
	}
	for way, rule := range web.Ways(d) {
		if rule == "" {
			t.Errorf("%s has no rule", way)
		}
		if !listed[way] {
			t.Errorf("%s is not in the table of answers", way)
		}
		delete(listed, way)
	}
	for way := range listed {
		t.Errorf("%s is in the table of answers and not in the router", way)
	}
}

func TestEveryRouteWithEveryRole(t *testing.T) {
	c := newCrawl(t)
	for _, w := range ways {
		for n, role := range records.Roles {
			c.expect(t, w, "own", role, field(w.own, n))
			if w.elsewhere != "" {
				for _, place := range drill.Few(1, elsewhere) {
					c.expect(t, w, place, role, field(w.elsewhere, n))
				}
			}
		}
	}
}

func field(answers string, n int) string { return strings.Fields(answers)[n] }

func (c *crawl) expect(t *testing.T, w way, place string, role records.Role, want string) {
	t.Helper()
	for _, method := range methods(w) {
		cookies := c.reader(t, role)
		if method != "GET" && method != "HEAD" { // which may change the account, or end its session
			_, cookies = c.account(t, role)
		}
		got := c.request(method, c.target(t, w, place), w.form, cookies)
		if strconv.Itoa(got.Code) != want {
			t.Errorf("%s %s (%s) as %s = %d, want %s", method, w.path, place, role, got.Code, want)
		}
		checkKept(t, w, got)
	}
}

// checkKept: nothing but static files may be kept by anyone.
func checkKept(t *testing.T, w way, got *httptest.ResponseRecorder) {
	t.Helper()
	public := strings.HasPrefix(w.path, "/static/") || w.path == "/favicon.ico"
	if kept := got.Header().Get("Cache-Control"); (kept == "no-store") == public {
		t.Errorf("%s %s: Cache-Control %q", w.method, w.path, kept)
	}
}

func methods(w way) []string {
	if w.method == "GET" {
		return []string{"GET", "HEAD"}
	}
	return []string{w.method}
}

func TestEveryRouteWithoutASession(t *testing.T) {
	c := newCrawl(t)
	forged := []*http.Cookie{{Name: "plumbline_session", Value: auth.NewToken()}, {Name: "plumbline_browser", Value: "AAAA.BBBB"}}
	for _, w := range ways {
		for _, method := range methods(w) {
			for _, place := range drill.Few(1, []string{"own", "other", "unknown"}) {
				target := c.target(t, w, place)
				check := func(state string, cookies []*http.Cookie) {
					t.Helper()
					got := c.request(method, target, w.form, cookies)
					if got.Code != w.nobody {
						t.Errorf("%s %s (%s), %s = %d, want %d", method, w.path, place, state, got.Code, w.nobody)
					}
					signIn := "/sign-in"
					if w.path == "/wall" { // a display has no account: it is led to where it is enrolled
						signIn = "/wall/enrol"
					}
					if to := got.Header().Get("Location"); got.Code == 303 && !strings.HasPrefix(to, signIn) {
						t.Errorf("%s %s, %s leads to %q", method, w.path, state, to)
					}
					checkKept(t, w, got)
				}
				check("signed out", nil)
				check("with forged cookies", forged)

				a, cookies := c.account(t, records.FallsNurse)
				if _, err := c.auth.Disable(t.Context(), a.ID, true); err != nil {
					t.Fatal(err)
				}
				check("disabled", cookies)
				_, cookies = c.account(t, records.FallsNurse)
				c.minutes.Add(15)
				check("idle for 15 minutes", cookies)
			}
		}
	}
}

func TestStaysAreSeenWhereTheyWere(t *testing.T) {
	c := newCrawl(t)
	moved := movedStay(t)
	_, cookies := c.account(t, records.BedsideNurse)
	for _, path := range []string{"/stays/" + moved.id, "/api/v1/stays/" + moved.id + "/sets"} {
		if got := c.request("GET", path, "", cookies); got.Code != moved.now {
			t.Errorf("GET %s of a stay that was moved = %d, want %d", path, got.Code, moved.now)
		}
		at := path + "?as_of=" + moved.before.UTC().Format(time.RFC3339)
		if got := c.request("GET", at, "", cookies); got.Code != moved.then {
			t.Errorf("GET %s of a stay before it was moved = %d, want %d", at, got.Code, moved.then)
		}
	}
}

type movedTo struct {
	id        string
	before    time.Time
	now, then int
}

// movedStay finds a stay of the demo that was on one unit and then on the other.
func movedStay(t *testing.T) movedTo {
	t.Helper()
	_, board := open(t)
	now := demo.AnchorTime()
	for _, s := range demo.Stories() {
		view, err := board.Stay(context.Background(), s.StayID, now)
		if err != nil {
			continue
		}
		for h := 8; h < 96; h += 8 { // a reading of the whole stay each
			at := now.Add(-time.Duration(h) * time.Hour)
			before, err := board.Stay(context.Background(), s.StayID, at)
			if err != nil {
				break
			}
			if a, b := view.Assessment.Digest.Stay.Unit, before.Assessment.Digest.Stay.Unit; a != b {
				code := map[bool]int{true: 200, false: 404}
				return movedTo{s.StayID, at, code[a == "4W"], code[b == "4W"]}
			}
		}
	}
	t.Fatal("no stay of the demo was moved")
	return movedTo{}
}

// What is refused must not tell a unit or stay that is not there from one that
// may not be seen.
func TestRefusedAndMissingAreAlike(t *testing.T) {
	c := newCrawl(t)
	for _, role := range records.Roles {
		_, cookies := c.account(t, role)
		for _, pair := range [][2]string{
			{"/units/7E", "/units/9Z"}, {"/stays/S203", "/stays/S000"},
			{"/units/7E?as_of=2026-11-01T12:00:00Z", "/nowhere"},
			{"/units/7E/episodes", "/units/9Z/episodes"}, {"/units/7E/episodes/tally", "/units/9Z/episodes/tally"},
			{"/api/v1/units/7E/list", "/api/v1/units/9Z/list"}, {"/api/v1/stays/S203/sets", "/api/v1/stays/S000/sets"},
		} {
			other, missing := c.request("GET", pair[0], "", cookies), c.request("GET", pair[1], "", cookies)
			if other.Code != 404 || missing.Code != 404 || other.Body.String() != missing.Body.String() {
				t.Errorf("as %s %s = %d and %s = %d differ", role, pair[0], other.Code, pair[1], missing.Code)
			}
		}
	}
}

// A display shows beds and nobody's name, number or page. One account's page is
// never another's, however they follow each other.
func TestKeptListsDoNotCrossAccounts(t *testing.T) {
	c := newCrawl(t)
	_, board := open(t)
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, a := range list {
		names = append(names, a.Digest.Stay.Name, a.Digest.Stay.PatientID)
	}
	shown := func(role records.Role, cookies []*http.Cookie) string {
		t.Helper()
		got := c.request("GET", "/units/4W", "", cookies)
		if got.Code != 200 {
			t.Fatalf("as %s = %d", role, got.Code)
		}
		return got.Body.String()
	}
	count := func(page string) (n int) {
		for _, name := range names {
			if strings.Contains(page, name) {
				n++
			}
		}
		return n
	}
	screenA, screen := c.account(t, records.Screen)
	nurseA, nurse := c.account(t, records.BedsideNurse)
	wide, err := c.auth.Add(t.Context(), "wide", webtest.Password, auth.Grants{Roles: []records.Role{records.FallsNurse, records.Administrator}, AllUnits: true}, false)
	if err != nil {
		t.Fatal(err)
	}
	wideCookies, err := webtest.SignIn(c.handler, "wide", webtest.Password)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second round from what is kept
		page := shown(records.Screen, screen)
		if n := count(page); n > 0 || strings.Contains(page, "/stays/") || strings.Contains(page, `href="/feeds`) {
			t.Errorf("a display shows %d names, or leads to patients or feeds", n)
		}
		if !strings.Contains(page, screenA.Name) || strings.Contains(page, nurseA.Name) || strings.Contains(page, "data-idle") {
			t.Error("the display's page is not its own")
		}
		page = shown(records.BedsideNurse, nurse)
		if n := count(page); n != len(names) || n < 40 || !strings.Contains(page, nurseA.Name) || strings.Contains(page, "Unit 7E") || strings.Contains(page, `href="/accounts"`) {
			t.Errorf("the nurse's page shows %d names, or ways that are not hers", n)
		}
		page = shown(records.FallsNurse, wideCookies)
		if !strings.Contains(page, wide.Name) || !strings.Contains(page, "Unit 7E") || !strings.Contains(page, `href="/accounts"`) {
			t.Error("the page of somebody with more rights lacks them")
		}
	}
	// An ETag of one account's page does not answer for another's.
	etag := c.request("GET", "/units/4W", "", nurse).Header().Get("ETag")
	r := httptest.NewRequest("GET", "/units/4W", nil)
	r.RemoteAddr = "127.0.0.1:999"
	r.Header.Set("If-None-Match", etag)
	for _, k := range screen {
		r.AddCookie(k)
	}
	w := httptest.NewRecorder()
	c.handler.ServeHTTP(w, r)
	if w.Code != 200 {
		t.Errorf("another account's ETag = %d", w.Code)
	}
}

func TestHomeLeadsToWhatTheAccountSees(t *testing.T) {
	c := newCrawl(t)
	for role, want := range map[records.Role]string{
		records.BedsideNurse: "/units/4W", records.Pharmacist: "/units/4W", records.Screen: "/units/4W/wall", records.Administrator: "/accounts",
	} {
		_, cookies := c.account(t, role)
		if got := c.request("GET", "/", "", cookies).Header().Get("Location"); got != want {
			t.Errorf("as %s the first page is %q, want %q", role, got, want)
		}
	}
	if _, err := c.auth.Add(t.Context(), "elsewhere", webtest.Password, auth.Grants{Roles: []records.Role{records.BedsideNurse}, Units: []string{"9Z", "7E"}}, false); err != nil {
		t.Fatal(err)
	}
	cookies, err := webtest.SignIn(c.handler, "elsewhere", webtest.Password)
	if err != nil {
		t.Fatal(err)
	}
	if got := c.request("GET", "/", "", cookies).Header().Get("Location"); got != "/units/7E" {
		t.Errorf("with units 9Z and 7E the first page is %q", got)
	}
}

func TestHeldRowsAreForAdministrators(t *testing.T) {
	c := newCrawl(t)
	for _, role := range records.Roles {
		_, cookies := c.account(t, role)
		got := c.request("GET", "/feeds", "", cookies)
		if shows := strings.Contains(got.Body.String(), "vitals-9-interface.csv</td><td>2"); shows != (role == records.Administrator) {
			t.Errorf("as %s the rows held back are shown: %v", role, shows)
		}
	}
}
