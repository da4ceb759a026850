package web_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/account"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/webtest"
)

// visitor is a browser of these tests: it keeps cookies and sends what it is told.
type visitor struct {
	handler http.Handler
	from    string // address and port
	cookies map[string]*http.Cookie
	headers http.Header
}

func newVisitor(h http.Handler) *visitor {
	return &visitor{handler: h, from: "127.0.0.1:999", cookies: map[string]*http.Cookie{}, headers: http.Header{}}
}

func (v *visitor) do(method, target string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(form.Encode()))
	r.RemoteAddr, r.Host = v.from, "localhost:8080"
	r.Header = v.headers.Clone()
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, c := range v.cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	v.handler.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if v.cookies[c.Name] = c; c.MaxAge < 0 {
			delete(v.cookies, c.Name)
		}
	}
	return w
}

func (v *visitor) signIn(name, password string) *httptest.ResponseRecorder {
	return v.do("POST", "/sign-in", url.Values{"name": {name}, "password": {password}})
}

func TestCookies(t *testing.T) {
	d, _ := open(t)
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	h := web.New(d)
	for name, tc := range map[string]struct {
		from, proto string
		prefix      string
		secure      bool
	}{
		"on this machine":            {"127.0.0.1:999", "", "", false},
		"forged scheme":              {"127.0.0.1:999", "https", "", false},
		"behind the proxy, in https": {"10.0.0.1:999", "https", "__Host-", true},
		"behind the proxy, in http":  {"10.0.0.1:999", "http", "", false},
		"forged before the proxy":    {"10.0.0.1:999", "https, http", "", false},
	} {
		v := newVisitor(h)
		v.from = tc.from
		if tc.proto != "" {
			v.headers.Set("X-Forwarded-Proto", tc.proto)
		}
		w := v.signIn(webtest.Everything, webtest.Password)
		if w.Code != 303 || len(v.cookies) != 2 {
			t.Fatalf("%s: sign-in = %d with %d cookies", name, w.Code, len(v.cookies))
		}
		for _, c := range v.cookies {
			if !c.HttpOnly || c.SameSite != http.SameSiteLaxMode || c.Secure != tc.secure || c.Path != "/" || c.Domain != "" ||
				strings.HasPrefix(c.Name, "__Host-") != (tc.prefix != "") {
				t.Errorf("%s: cookie %s", name, c)
			}
		}
		if c := v.cookies[tc.prefix+"plumbline_session"]; c == nil || c.MaxAge != 0 || !c.Expires.IsZero() {
			t.Errorf("%s: the session's cookie outlives the browser: %v", name, c)
		}
		if hsts := w.Header().Get("Strict-Transport-Security") != ""; hsts != tc.secure {
			t.Errorf("%s: Strict-Transport-Security is set: %v", name, hsts)
		}
	}
}

func TestSignInLeadsBack(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	v := newVisitor(h)
	w := v.do("GET", "/stays/S102?as_of=2026-11-01T12:00:00Z", nil)
	to := w.Header().Get("Location")
	if w.Code != 303 || to != "/sign-in?next=%2Fstays%2FS102%3Fas_of%3D2026-11-01T12%3A00%3A00Z" {
		t.Fatalf("a page without sign-in = %d to %q", w.Code, to)
	}
	page := v.do("GET", to, nil).Body.String()
	next := regexp.MustCompile(`name="next" value="([^"]*)"`).FindStringSubmatch(page)
	if next == nil {
		t.Fatal("the form does not carry where to go back to")
	}
	checkMarkup(t, "/sign-in", page)
	form := url.Values{"name": {webtest.Everything}, "password": {webtest.Password}, "next": {"/stays/S102?as_of=2026-11-01T12:00:00Z"}}
	if w := v.do("POST", "/sign-in", form); w.Header().Get("Location") != "/stays/S102?as_of=2026-11-01T12:00:00Z" {
		t.Errorf("after sign-in to %q", w.Header().Get("Location"))
	}
	if w := v.do("GET", to, nil); w.Code != 303 || w.Header().Get("Location") != "/stays/S102?as_of=2026-11-01T12:00:00Z" {
		t.Errorf("the sign-in page for somebody who is signed in = %d to %q", w.Code, w.Header().Get("Location"))
	}
	for _, evil := range []string{"https://evil.example/", "//evil.example/", "/\\evil.example", "\\\\evil.example", "/\t/evil.example", "javascript:alert(1)",
		"evil", "", "/sign-out", "/sign-in?next=/", "/%0d%0aX: y\r\nSet-Cookie: a=b", " //evil.example", "/\x00"} {
		if got := frame.LocalPath(evil); got != "/" {
			t.Errorf("next=%q leads to %q", evil, got)
		}
		v := newVisitor(h)
		form.Set("next", evil)
		if w := v.do("POST", "/sign-in", form); w.Header().Get("Location") != "/" {
			t.Errorf("sign-in with next=%q leads to %q", evil, w.Header().Get("Location"))
		}
	}
}

func TestSignInThatFails(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	v := newVisitor(h)
	var pages []string
	for _, try := range [][2]string{{"falls-nurse", "wrong wrong wrong"}, {"falls-nursf", "wrong wrong wrong"}} {
		w := v.signIn(try[0], try[1])
		if w.Code != 401 || len(v.cookies) != 0 {
			t.Errorf("a wrong sign-in = %d and sets %d cookies", w.Code, len(v.cookies))
		}
		pages = append(pages, strings.ReplaceAll(w.Body.String(), try[0], ""))
		if strings.Contains(w.Body.String(), "wrong wrong wrong") {
			t.Error("the page holds the password")
		}
		checkMarkup(t, "/sign-in", w.Body.String())
	}
	if pages[0] != pages[1] {
		t.Error("a known name can be told from an unknown one")
	}
	for range 4 {
		v.signIn("falls-nurse", "wrong wrong wrong")
	}
	w := v.signIn("falls-nurse", webtest.Password)
	if w.Code != 429 || w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), "wait") {
		t.Errorf("after five wrong passwords = %d, Retry-After %q", w.Code, w.Header().Get("Retry-After"))
	}
	large := url.Values{"name": {"x"}, "password": {strings.Repeat("x", 70<<10)}}
	if w := v.do("POST", "/sign-in", large); w.Code != 413 {
		t.Errorf("a form of 70 KB = %d", w.Code)
	}
	m := newVisitor(h).do("GET", "/metrics", nil).Body.String()
	for _, want := range []string{`plumbline_sign_ins_total{result="wrong"} 6`, `plumbline_sign_ins_total{result="wait"} 1`} {
		if !strings.Contains(m, want) {
			t.Errorf("the metrics lack %s", want)
		}
	}
}

func TestSignOut(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	one, two := newVisitor(h), newVisitor(h)
	one.signIn(webtest.Everything, webtest.Password)
	two.signIn(webtest.Everything, webtest.Password)
	stolen := *one.cookies["plumbline_session"]
	checkMarkup(t, "/sign-out", one.do("GET", "/sign-out", nil).Body.String())
	if w := one.do("GET", "/rules", nil); w.Code != 200 {
		t.Errorf("asking to sign out signs out: %d", w.Code)
	}
	w := one.do("POST", "/sign-out", nil)
	if w.Code != 303 || one.cookies["plumbline_session"] != nil || !strings.Contains(w.Header().Get("Clear-Site-Data"), "storage") {
		t.Errorf("sign-out = %d, the cookie is left: %v", w.Code, one.cookies["plumbline_session"] != nil)
	}
	one.cookies["plumbline_session"] = &stolen
	if w := one.do("GET", "/rules", nil); w.Code != 303 {
		t.Errorf("the cookie of a session that was signed out = %d", w.Code)
	}
	if w := two.do("GET", "/rules", nil); w.Code != 200 {
		t.Errorf("another browser = %d", w.Code)
	}
	one.signIn(webtest.Everything, webtest.Password)
	one.do("POST", "/sign-out", url.Values{"everywhere": {"yes"}})
	if w := two.do("GET", "/rules", nil); w.Code != 303 {
		t.Errorf("another browser after sign-out everywhere = %d", w.Code)
	}
}

func TestSessionFixation(t *testing.T) {
	d, _ := open(t)
	v := newVisitor(web.New(d))
	planted := auth.NewToken()
	v.cookies["plumbline_session"] = &http.Cookie{Name: "plumbline_session", Value: planted}
	v.signIn(webtest.Everything, webtest.Password)
	if got := v.cookies["plumbline_session"].Value; got == planted || len(got) < 26 {
		t.Errorf("the session's token after sign-in is %q", got)
	}
	first := *v.cookies["plumbline_session"]
	v.signIn(webtest.Everything, webtest.Password)
	v.cookies["plumbline_session"] = &first
	if w := v.do("GET", "/rules", nil); w.Code != 303 {
		t.Errorf("the session before the second sign-in = %d", w.Code)
	}
}

// What another site makes a browser send is refused, for every route that changes
// anything.
func TestOtherSitesAreRefused(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	for name, headers := range map[string]map[string]string{
		"another origin":   {"Origin": "https://evil.example"},
		"no origin":        {"Origin": "null"},
		"another port":     {"Origin": "http://localhost:8081"},
		"cross-site":       {"Sec-Fetch-Site": "cross-site"},
		"another sub-site": {"Sec-Fetch-Site": "same-site"},
	} {
		for _, w := range ways {
			if w.method == "GET" {
				continue
			}
			v := newVisitor(h)
			v.signIn(webtest.Everything, webtest.Password)
			for k, val := range headers {
				v.headers.Set(k, val)
			}
			path := strings.Replace(w.path, ":account", "1", 1)
			form, _ := url.ParseQuery(w.form)
			if got := v.do(w.method, path, form); got.Code != 403 || !strings.Contains(got.Body.String(), "another site") {
				t.Errorf("%s: %s %s = %d", name, w.method, path, got.Code)
			}
		}
	}
	v := newVisitor(h)
	v.headers.Set("Origin", "http://localhost:8080")
	v.headers.Set("Sec-Fetch-Site", "same-origin")
	if w := v.signIn(webtest.Everything, webtest.Password); w.Code != 303 {
		t.Errorf("the site's own form = %d", w.Code)
	}
}

// Wrong passwords are counted by the client's address, which a header gives only
// where a named proxy wrote it.
func TestForwardedAddresses(t *testing.T) {
	d, _ := open(t)
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.0/24"), netip.MustParsePrefix("fd00::1/128")}
	h := web.New(d)
	waits := func(name, from string, forwarded func(n int) []string) bool {
		t.Helper()
		v := newVisitor(h)
		v.from = from
		for n := range 8 {
			v.headers["X-Forwarded-For"] = forwarded(n)
			v.headers.Set("X-Forwarded-Proto", "https")
			if v.signIn(name, "wrong wrong wrong").Code == 429 {
				return true
			}
		}
		return false
	}
	each := func(format string) func(int) []string {
		return func(n int) []string { return []string{fmt.Sprintf(format, n)} }
	}
	for name, tc := range map[string]struct {
		from      string
		forwarded func(int) []string
		wait      bool
	}{
		"forged, without a proxy":            {"127.0.0.1:9", each("198.51.100.%d"), true},
		"forged before the proxy":            {"10.0.0.1:9", each("198.51.100.%d, 203.0.113.5"), true},
		"forged as if the proxy's":           {"10.0.0.1:9", each("198.51.100.%d, 203.0.113.6, 10.0.0.7"), true},
		"in headers of their own":            {"10.0.0.1:9", func(n int) []string { return []string{fmt.Sprintf("198.51.100.%d", n), "203.0.113.7"} }, true},
		"no address":                         {"10.0.0.1:9", each("unknown%d"), true},
		"different clients behind the proxy": {"10.0.0.1:9", each("198.51.101.%d"), false},
		"with ports":                         {"[fd00::1]:9", each("[2001:db8:0:%d::1]:443"), false},
	} {
		if got := waits("nobody "+name, tc.from, tc.forwarded); got != tc.wait {
			t.Errorf("%s: eight wrong passwords are told to wait: %v, want %v", name, got, tc.wait)
		}
	}
}

func TestUnencryptedNetworksAreRefused(t *testing.T) {
	d, _ := open(t)
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	h := web.New(d)
	v := newVisitor(h)
	v.from = "192.0.2.9:9"
	v.headers.Set("X-Forwarded-Proto", "https")
	for path, want := range map[string]int{"/sign-in": 403, "/units/4W": 403, "/nowhere": 403, "/healthz": 200, "/readyz": 200} {
		if w := v.do("GET", path, nil); w.Code != want {
			t.Errorf("GET %s over a network in the clear = %d, want %d", path, w.Code, want)
		}
	}
	if w := v.signIn(webtest.Everything, webtest.Password); w.Code != 403 || len(v.cookies) > 0 {
		t.Errorf("sign-in over a network in the clear = %d", w.Code)
	}
}

func TestMetricsAreForThisMachine(t *testing.T) {
	d, _ := open(t)
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32"), netip.MustParsePrefix("127.0.0.1/32")}
	h := web.New(d)
	for name, tc := range map[string]struct {
		from, header string
		want         int
	}{
		"this machine":                 {"127.0.0.1:9", "", 200},
		"this machine, IPv6":           {"[::1]:9", "", 200},
		"through a proxy on it":        {"127.0.0.1:9", "X-Forwarded-For", 403},
		"through another proxy on it":  {"127.0.0.1:9", "Forwarded", 403},
		"through a named proxy":        {"10.0.0.1:9", "", 403},
		"that says it is this machine": {"10.0.0.1:9", "X-Forwarded-For", 403},
	} {
		v := newVisitor(h)
		v.from = tc.from
		if tc.header != "" {
			v.headers.Set(tc.header, "127.0.0.1")
		}
		if w := v.do("GET", "/metrics", nil); w.Code != tc.want {
			t.Errorf("%s: GET /metrics = %d, want %d", name, w.Code, tc.want)
		}
	}
}

// A name of another site that leads to this machine (DNS rebinding) makes a browser here
// read what is for this machine, and hand it to that site.
func TestANameOfAnotherSiteIsNotThisMachine(t *testing.T) {
	d, _ := open(t)
	d.Demo = []account.DemoAccount{{Role: records.Screen, Name: "wall", Password: "shown-here", Sees: "beds"}}
	h := web.New(d)
	for host, want := range map[string]int{
		"localhost": 200, "LOCALHOST:8080": 200, "127.0.0.1": 200, "127.0.0.1:8080": 200, "[::1]:8080": 200, "[::1]": 200,
		"rebound.example:8080": 403, "rebound.example": 403, "127.0.0.1.rebound.example": 403, "localhost.rebound.example": 403, "": 403,
	} {
		for _, path := range []string{"/metrics", "/sign-in"} {
			r := httptest.NewRequest("GET", path, nil)
			r.RemoteAddr, r.Host = "127.0.0.1:9", host
			w := ask(h, r)
			if path == "/metrics" && w.Code != want || path == "/sign-in" && strings.Contains(w.Body.String(), "shown-here") != (want == 200) {
				t.Errorf("%s asked for as %q = %d", path, host, w.Code)
			}
		}
	}
}

func TestDemoAccountsAreShownOnThisMachine(t *testing.T) {
	d, _ := open(t)
	d.Demo = []account.DemoAccount{{Role: records.Screen, Name: "wall", Password: "shown-here", Sees: "beds"}}
	d.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("10.0.0.1/32")}
	h := web.New(d)
	near, far := newVisitor(h), newVisitor(h)
	far.from = "10.0.0.1:9"
	page := near.do("GET", "/sign-in", nil).Body.String()
	checkMarkup(t, "/sign-in", page)
	if !strings.Contains(page, "shown-here") || strings.Contains(far.do("GET", "/sign-in", nil).Body.String(), "shown-here") {
		t.Error("the demo's passwords are not shown here, or are shown elsewhere")
	}
}

// An account with a one-time password can do nothing before it has one of its own.
func TestAddingAnAccount(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	admin := newVisitor(h)
	admin.signIn("administrator", webtest.Password)
	w := admin.do("POST", "/accounts", url.Values{"name": {"m.keller"}, "role": {"bedside-nurse", "pharmacist"}, "units": {" 4W , 7E"}})
	checkMarkup(t, "/accounts", w.Body.String())
	made := regexp.MustCompile(`One-time password: <code>([a-z2-7-]{23})</code>`).FindStringSubmatch(w.Body.String())
	if w.Code != 200 || made == nil {
		t.Fatalf("adding an account = %d, no password", w.Code)
	}
	if again := admin.do("GET", "/accounts", nil).Body.String(); strings.Contains(again, made[1]) || !strings.Contains(again, "m.keller") {
		t.Error("the password is shown again, or the account is not")
	}
	nurse := newVisitor(h)
	if w := nurse.signIn("M.Keller", made[1]); w.Code != 303 {
		t.Fatalf("sign-in with the one-time password = %d", w.Code)
	}
	for path, want := range map[string]string{"/": "303 /account", "/units/4W": "303 /account", "/stays/S102": "303 /account", "/rules": "303 /account",
		"/api/v1/units/4W/list": "403 ", "/account": "200 ", "/sign-out": "200 "} {
		if w := nurse.do("GET", path, nil); fmt.Sprint(w.Code, " ", w.Header().Get("Location")) != want {
			t.Errorf("GET %s before the change = %d %s, want %s", path, w.Code, w.Header().Get("Location"), want)
		}
	}
	before := nurse.cookies["plumbline_session"].Value
	for form, want := range map[string]int{
		"current=wrong&new=another four words&again=another four words":         422,
		"current=" + made[1] + "&new=another four words&again=another words":    422,
		"current=" + made[1] + "&new=short&again=short":                         422,
		"current=" + made[1] + "&new=m.keller 12345678&again=m.keller 12345678": 422,
	} {
		values, _ := url.ParseQuery(form)
		w := nurse.do("POST", "/account", values)
		checkMarkup(t, "/account", w.Body.String())
		if w.Code != want || !strings.Contains(w.Body.String(), `role="alert"`) {
			t.Errorf("POST /account %s = %d, want %d and why", form, w.Code, want)
		}
	}
	values := url.Values{"current": {made[1]}, "new": {"another four words"}, "again": {"another four words"}}
	if w := nurse.do("POST", "/account", values); w.Code != 303 || nurse.cookies["plumbline_session"].Value == before {
		t.Errorf("changing the password = %d, the token is new: %v", w.Code, nurse.cookies["plumbline_session"].Value != before)
	}
	for _, path := range []string{"/units/4W", "/units/7E", "/stays/S102", "/account?changed=1"} {
		if w := nurse.do("GET", path, nil); w.Code != 200 {
			t.Errorf("GET %s after the change = %d", path, w.Code)
		}
	}
}

// What an account keeps of the codes of rules lasts beyond its sessions, ends none, and is audited.
func TestTheAccountKeepsWhetherCodesAreShown(t *testing.T) {
	all, d := noted(t, kept)
	h := web.New(d)
	nurse := newVisitor(h)
	nurse.signIn("falls-nurse", webtest.Password)
	shown := func() bool {
		t.Helper()
		return strings.Contains(nurse.do("GET", "/units/4W", nil).Body.String(), `<body class="codes"`)
	}
	if shown() {
		t.Error("codes are shown to whoever has not asked for them")
	}
	if w := nurse.do("POST", "/account/codes", url.Values{"codes": {"on"}}); w.Code != 303 {
		t.Fatalf("asking for codes = %d", w.Code)
	}
	again := newVisitor(h)
	again.signIn("falls-nurse", webtest.Password)
	if page := again.do("GET", "/account", nil).Body.String(); !shown() || !strings.Contains(page, `value="on" checked`) {
		t.Error("the account does not keep that codes are shown, or the session ended")
	}
	if other := newVisitor(h); other.signIn("bedside-nurse", webtest.Password).Code == 303 &&
		strings.Contains(other.do("GET", "/account", nil).Body.String(), `class="codes"`) {
		t.Error("the setting of one account is another's")
	}
	if nurse.do("POST", "/account/codes", nil); shown() {
		t.Error("codes are still shown")
	}
	var notes []string
	for _, e := range *all {
		if e.Did == audit.Manage && e.Who == "falls-nurse" {
			notes = append(notes, e.Note)
		}
	}
	if got := strings.Join(notes, ", "); got != "codes of rules shown, codes of rules hidden" {
		t.Errorf("the audit says %q", got)
	}
}

func TestManagingAnAccount(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	admin, nurse := newVisitor(h), newVisitor(h)
	admin.signIn("administrator", webtest.Password)
	nurse.signIn("bedside-nurse", webtest.Password)
	a, err := d.Accounts.Named(t.Context(), "bedside-nurse")
	if err != nil {
		t.Fatal(err)
	}
	self := fmt.Sprint("/accounts/", a.ID)
	act := func(path string, form url.Values, code int, says string) string {
		t.Helper()
		w := admin.do("POST", path, form)
		checkMarkup(t, path, w.Body.String())
		if w.Code != code || !strings.Contains(w.Body.String(), says) {
			t.Errorf("POST %s = %d, want %d and %q", path, w.Code, code, says)
		}
		return w.Body.String()
	}
	seen := func(path string) int { return nurse.do("GET", path, nil).Code }
	checkMarkup(t, self, admin.do("GET", self, nil).Body.String())

	act(self, url.Values{"role": {"bedside-nurse"}}, 422, "needs units")
	act(self, url.Values{"role": {"boss"}, "units": {"4W"}}, 422, "no role")
	if seen("/units/4W") != 200 {
		t.Error("a change that was refused ended the session")
	}
	act(self, url.Values{"role": {"pharmacist"}, "units": {"7E"}}, 200, "changed")
	if seen("/units/4W") != 303 {
		t.Error("a session outlives a change of roles")
	}
	nurse.signIn("bedside-nurse", webtest.Password)
	if seen("/units/4W") != 404 || seen("/units/7E") != 200 {
		t.Error("the new units do not hold")
	}
	act(self+"/disable", nil, 200, "disabled")
	if seen("/units/7E") != 303 || nurse.signIn("bedside-nurse", webtest.Password).Code != 401 {
		t.Error("a disabled account is let in")
	}
	act(self+"/enable", nil, 200, "sign in again")
	if nurse.signIn("bedside-nurse", webtest.Password).Code != 303 {
		t.Error("an enabled account is kept out")
	}
	act(self+"/sign-out", nil, 200, "signed out everywhere")
	if seen("/units/7E") != 303 {
		t.Error("the session is left")
	}
	page := act(self+"/password", nil, 200, "One-time password")
	made := regexp.MustCompile(`<code>([a-z2-7-]{23})</code>`).FindStringSubmatch(page)
	if made == nil || nurse.signIn("bedside-nurse", made[1]).Header().Get("Location") == "" || seen("/units/7E") != 303 {
		t.Error("the one-time password does not open the account, or opens more")
	}
	root, err := d.Accounts.Named(t.Context(), "administrator")
	if err != nil {
		t.Fatal(err)
	}
	everything, err := d.Accounts.Named(t.Context(), webtest.Everything)
	if err != nil {
		t.Fatal(err)
	}
	act(fmt.Sprint("/accounts/", everything.ID, "/disable"), nil, 200, "disabled")
	act(fmt.Sprint("/accounts/", root.ID, "/disable"), nil, 422, "last administrator")
	for _, path := range []string{"/accounts/0", "/accounts/999", "/accounts/x", "/accounts/1%202"} {
		if w := admin.do("GET", path, nil); w.Code != 404 {
			t.Errorf("GET %s = %d", path, w.Code)
		}
	}
}

// A page that fetches itself does not keep a session alive.
func TestQuietRequestsAreNoUse(t *testing.T) {
	c := newCrawl(t)
	_, cookies := c.account(t, records.BedsideNurse)
	v := newVisitor(c.handler)
	for _, k := range cookies {
		v.cookies[k.Name] = k
	}
	v.headers.Set("Plumbline-Refresh", "1")
	var last int
	for range 16 {
		c.minutes.Add(1)
		last = v.do("GET", "/units/4W", nil).Code
	}
	if last != 303 {
		t.Errorf("after 16 minutes of fetching itself the page = %d", last)
	}
}

func TestNamesAreEscaped(t *testing.T) {
	d, _ := open(t)
	if _, err := d.Accounts.Add(t.Context(), `<b>"x"&'`, webtest.Password, auth.Grants{Roles: []records.Role{records.Administrator, records.FallsNurse}, Units: []string{`<i>"`}}, false); err != nil {
		t.Fatal(err)
	}
	v := newVisitor(web.New(d))
	v.signIn(`<b>"x"&'`, webtest.Password)
	for _, path := range []string{"/account", "/accounts", "/sign-out", "/", "/rules"} {
		body := v.do("GET", path, nil).Body.String()
		if strings.Contains(body, "<b>") || strings.Contains(body, "<i>") {
			t.Errorf("%s: a name is not escaped", path)
		}
		checkMarkup(t, path, body)
	}
}
