package web_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/parts"
	"plumbline/internal/web/webtest"
)

func chicago(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func open(t testing.TB) (web.Deps, *webtest.Answers) {
	t.Helper()
	return webtest.Demo(t, chicago(t))
}

// signedIn is the program as somebody sees it who sees everything.
func signedIn(d web.Deps) http.Handler { return webtest.As(web.New(d), webtest.Everything) }

// pagesOfStays are the pages of the stays of the demo as it stands, by stay: for tests that
// read them all, fetched once.
func pagesOfStays(t *testing.T) map[string]string {
	t.Helper()
	stayPages.once.Do(func() {
		d, _ := open(t)
		h := signedIn(d)
		stayPages.byStay = map[string]string{}
		for _, s := range drill.Few(5, demo.Stories()) {
			stayPages.byStay[s.StayID] = get(h, "/stays/"+s.StayID).Body.String()
		}
	})
	return stayPages.byStay
}

var stayPages struct {
	once   sync.Once
	byStay map[string]string
}

func get(h http.Handler, target string, headers ...string) *httptest.ResponseRecorder {
	return send(h, http.MethodGet, target, headers...)
}

func send(h http.Handler, method, target string, headers ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, nil)
	r.Host = "localhost"
	for n := 0; n+1 < len(headers); n += 2 {
		r.Header.Set(headers[n], headers[n+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestRoutes(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	for _, tc := range []struct {
		path, kind string
		status     int
		holds      string
	}{
		{"/units/4W", "text/html", 200, "Unit 4W"},
		{"/units/7E", "text/html", 200, "Unit 7E"},
		{"/stays/S102", "text/html", 200, "T-FALL"},
		{"/feeds", "text/html", 200, "Rows held back"},
		{"/rules", "text/html", 200, "R-POSITIVE"},
		{"/healthz", "text/plain", 200, "ok"},
		{"/readyz", "text/plain", 200, "ready"},
		{"/metrics", "text/plain", 200, "plumbline_feed_age_seconds 200"},
		{"/api/v1/units/4W/list", "application/json", 200, `"patients"`},
		{"/api/v1/stays/S102/sets", "application/json", 200, `"sets"`},
		{"/favicon.ico", "image/svg+xml", 200, "<svg"},
		{"/nowhere", "text/html", 404, "Not found"},
		{"/static/app.css", "text/html", 404, "Not found"}, // only under its hashed name
	} {
		w := get(h, tc.path)
		if w.Code != tc.status || !strings.HasPrefix(w.Header().Get("Content-Type"), tc.kind) || !strings.Contains(w.Body.String(), tc.holds) {
			t.Errorf("GET %s = %d %s, holds %q: %v; want %d %s", tc.path, w.Code, w.Header().Get("Content-Type"),
				tc.holds, strings.Contains(w.Body.String(), tc.holds), tc.status, tc.kind)
		}
		if got := w.Header().Get("Content-Security-Policy"); !strings.Contains(got, "default-src 'none'") || strings.Contains(got, "unsafe") {
			t.Errorf("GET %s: policy %q", tc.path, got)
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer"} {
			if got := w.Header().Get(name); got != want {
				t.Errorf("GET %s: %s = %q, want %q", tc.path, name, got, want)
			}
		}
		kept := strings.Contains(w.Header().Get("Cache-Control"), "max-age")
		if public := tc.path == "/favicon.ico"; kept != public {
			t.Errorf("GET %s: Cache-Control %q", tc.path, w.Header().Get("Cache-Control"))
		}
		if head := send(h, http.MethodHead, tc.path); head.Code != tc.status {
			t.Errorf("HEAD %s = %d, want %d", tc.path, head.Code, tc.status)
		}
		wrong, allowed := http.MethodPost, "GET, HEAD"
		if strings.HasSuffix(tc.path, "/sets") { // which machines hand in there, see TestADeviceHandsInASetOnce
			wrong, allowed = http.MethodPut, "GET, HEAD, POST"
		}
		if got := send(h, wrong, tc.path); tc.status == 200 && (got.Code != http.StatusMethodNotAllowed || got.Header().Get("Allow") != allowed) {
			t.Errorf("%s %s = %d, Allow %q; want 405, %q", wrong, tc.path, got.Code, got.Header().Get("Allow"), allowed)
		}
	}
	w := get(h, "/")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/units/4W" {
		t.Errorf("GET / = %d to %q, want the first unit", w.Code, w.Header().Get("Location"))
	}
}

func TestNoUnitsSaysWhatToDo(t *testing.T) {
	d, _ := open(t)
	d.Answers = emptyBoard{d.Answers}
	w := get(signedIn(d), "/")
	if w.Code != 200 || !strings.Contains(w.Body.String(), "PLUMBLINE_FEED_DIR") {
		t.Errorf("GET / without units = %d, does not say what to do", w.Code)
	}
}

type emptyBoard struct{ web.Answers }

func (emptyBoard) Units(context.Context) ([]string, error) { return nil, nil }

func TestNotFoundAlike(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	page := get(h, "/units/9Z").Body.String()
	for _, path := range []string{"/stays/S000", "/units/", "/nowhere", "/units/9Z?as_of=2026-11-02T10:00:00Z"} {
		if w := get(h, path); w.Code != 404 || w.Body.String() != page {
			t.Errorf("GET %s = %d, differs from another page that is not there", path, w.Code)
		}
	}
	answer := get(h, "/api/v1/units/9Z/list").Body.String()
	if w := get(h, "/api/v1/stays/S000/sets"); w.Code != 404 || w.Body.String() != answer || !strings.Contains(answer, `{"error":`) {
		t.Errorf("the API answers %d %s, want 404 %s", w.Code, w.Body.String(), answer)
	}
}

func TestEveryPageIsWellFormed(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	paths := []string{"/units/4W", "/units/7E", "/feeds", "/rules", "/nowhere", "/units/4W?as_of=2026-11-01T12:00:00Z"}
	pages := map[string]string{}
	for _, path := range paths {
		pages[path] = get(h, path).Body.String()
	}
	for stay, page := range pagesOfStays(t) {
		pages["/stays/"+stay] = page
	}
	for path, body := range pages {
		if !strings.Contains(body, text.Caution) {
			t.Errorf("%s: does not show the caution", path)
		}
		if strings.Contains(strings.ToLower(body), "low risk") {
			t.Errorf("%s: speaks of low risk", path)
		}
		checkMarkup(t, path, body)
	}
}

// checkMarkup holds a page to what the security policy asks, and to closed tags
// and ids that stand once.
func checkMarkup(t *testing.T, path, body string) {
	t.Helper()
	void := map[string]bool{"meta": true, "link": true, "br": true, "input": true}
	var stack []string
	ids := map[string]bool{}
	z := html.NewTokenizer(strings.NewReader(body))
	for {
		kind := z.Next()
		if kind == html.ErrorToken {
			if z.Err() != io.EOF {
				t.Errorf("%s: %v", path, z.Err())
			}
			if len(stack) > 0 {
				t.Errorf("%s: not closed: %v", path, stack)
			}
			return
		}
		tag := z.Token()
		switch kind {
		case html.EndTagToken:
			if len(stack) == 0 || stack[len(stack)-1] != tag.Data {
				t.Fatalf("%s: </%s> closes %v", path, tag.Data, stack)
			}
			stack = stack[:len(stack)-1]
		case html.StartTagToken:
			if !void[tag.Data] {
				stack = append(stack, tag.Data)
			}
			if tag.Data == "style" {
				t.Errorf("%s: inline style", path)
			}
			attrs := map[string]string{}
			for _, a := range tag.Attr {
				attrs[a.Key] = a.Val
				if a.Key == "style" || strings.HasPrefix(a.Key, "on") {
					t.Errorf("%s: attribute %s of <%s>", path, a.Key, tag.Data)
				}
			}
			if tag.Data == "script" && attrs["src"] == "" && attrs["type"] != "application/json" {
				t.Errorf("%s: inline script", path)
			}
			if id := attrs["id"]; id != "" {
				if ids[id] {
					t.Errorf("%s: id %q stands twice", path, id)
				}
				ids[id] = true
			}
		}
	}
}

func TestListShowsEveryStory(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	pages := get(h, "/units/4W").Body.String() + get(h, "/units/7E").Body.String()
	for _, s := range demo.Stories() {
		if link := `href="/stays/` + s.StayID + `"`; strings.Contains(pages, link) != (s.Tier != "") {
			t.Errorf("%s (%s): listed %v", s.StayID, s.Name, strings.Contains(pages, link))
		}
	}
	for _, rule := range []string{"T-FALL", "T-GAP", "R-POSITIVE", "D-ALPHA"} {
		if !strings.Contains(pages, `href="/rules#`+rule+`"`) {
			t.Errorf("no link to rule %s", rule)
		}
	}
}

func TestEveryRuleNamedIsExplained(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	rules := get(h, "/rules").Body.String()
	link := regexp.MustCompile(`href="/rules#([A-Z-]+)"`)
	for stay, page := range pagesOfStays(t) {
		for _, m := range link.FindAllStringSubmatch(page, -1) {
			if !strings.Contains(rules, `id="`+m[1]+`"`) {
				t.Errorf("%s names %s, which the rules do not explain", stay, m[1])
			}
		}
	}
}

func TestAsOf(t *testing.T) {
	d, answers := open(t)
	h := signedIn(d)
	for _, tc := range []struct{ value, shown string }{
		{"2026-11-01T12:00:00Z", "1 Nov 06:00"},
		{"2026-11-01T06:00", "1 Nov 06:00"}, // in the site's zone
		{"2026-11-01T13:00:00+01:00", "1 Nov 06:00"},
	} {
		for _, path := range []string{"/units/4W", "/stays/S108"} {
			body := get(h, path+"?as_of="+url.QueryEscape(tc.value)).Body.String()
			if !strings.Contains(body, "As known at") || !strings.Contains(body, tc.shown) {
				t.Errorf("%s as of %s does not say %s", path, tc.value, tc.shown)
			}
			if strings.Contains(body, "data-refresh") || strings.Contains(body, "data-rel") && path != "/units/4W" {
				t.Errorf("%s as of %s moves with the clock", path, tc.value)
			}
		}
	}
	if body := get(h, "/units/4W").Body.String(); strings.Contains(body, "As known at") {
		t.Error("the live list says that it is not live")
	}
	// A plus sign that was not escaped arrives as a space.
	if w := get(h, "/api/v1/units/4W/list?as_of=2026-11-01T13:00:00+01:00"); w.Code != 200 {
		t.Errorf("an unescaped offset = %d", w.Code)
	}
	for _, path := range []string{"/units/4W", "/stays/S108", "/api/v1/units/4W/list"} {
		if w := get(h, path+"?as_of=yesterday"); w.Code != 400 || !strings.Contains(w.Body.String(), "as_of") {
			t.Errorf("%s?as_of=yesterday = %d, want 400 and how to write it", path, w.Code)
		}
	}
	before := answers.Lives
	get(h, "/units/4W?as_of=2026-11-01T12:00:00Z")
	if answers.Lives != before || answers.Lists == 0 {
		t.Error("a question about another moment was answered from the live list")
	}
	before, lists := answers.Lives, answers.Lists
	for _, path := range []string{"/stays/S108", "/stays/S108?as_of=2026-11-01T12:00:00Z"} {
		if w := get(h, path); w.Code != 200 || answers.Lives != before || answers.Lists != lists {
			t.Errorf("%s = %d; it worked out the list of its unit", path, w.Code)
		}
	}
}

func TestDocumentsAreThoseOfReport(t *testing.T) {
	d, answers := open(t)
	h := signedIn(d)
	now := demo.AnchorTime()
	list, err := answers.Service.List(context.Background(), "4W", now)
	if err != nil {
		t.Fatal(err)
	}
	same(t, get(h, "/api/v1/units/4W/list").Body.Bytes(), report.ListOf("4W", d.Policy.Current().Hash, d.Policy.Current().Policy.Unit, list, answers.Catalogue(now)))

	at := now.Add(-30 * time.Hour)
	list, err = answers.Service.List(context.Background(), "4W", at)
	if err != nil {
		t.Fatal(err)
	}
	same(t, get(h, "/api/v1/units/4W/list?as_of="+at.Format(time.RFC3339)).Body.Bytes(), report.ListOf("4W", d.Policy.Current().Hash, d.Policy.Current().Policy.Unit, list, answers.Catalogue(at)))

	view, err := answers.Stay(context.Background(), "S108", now)
	if err != nil {
		t.Fatal(err)
	}
	same(t, get(h, "/api/v1/stays/S108/sets").Body.Bytes(), report.SetsOf("S108", view.Assessment.Digest.Sets))
}

func same(t *testing.T, got []byte, want any) {
	t.Helper()
	wanted, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	var a, b any
	if err := errors.Join(json.Unmarshal(got, &a), json.Unmarshal(wanted, &b)); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(b, a); diff != "" {
		t.Errorf("document differs (-want +got):\n%s", diff)
	}
}

func TestETag(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	for _, path := range []string{"/units/4W", "/stays/S102", "/rules"} {
		first := get(h, path)
		again := get(h, path, "If-None-Match", first.Header().Get("ETag"))
		if first.Header().Get("ETag") == "" || again.Code != http.StatusNotModified || again.Body.Len() != 0 {
			t.Errorf("%s again = %d with %d bytes, want 304", path, again.Code, again.Body.Len())
		}
		if other := get(h, path, "If-None-Match", `W/"other"`); other.Code != 200 {
			t.Errorf("%s with another tag = %d", path, other.Code)
		}
	}
}

func TestCompressed(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	plain := get(h, "/units/4W")
	css := regexp.MustCompile(`/static/app\.[0-9a-f]+\.css`).FindString(plain.Body.String())
	for _, path := range []string{"/units/4W", css} {
		packed := get(h, path, "Accept-Encoding", "gzip")
		if packed.Header().Get("Content-Encoding") != "gzip" || packed.Header().Get("Vary") != "Accept-Encoding" {
			t.Fatalf("%s is not compressed", path)
		}
		r, err := gzip.NewReader(packed.Body)
		if err != nil {
			t.Fatal(err)
		}
		unpacked, err := io.ReadAll(r)
		if err != nil || !bytes.Equal(unpacked, get(h, path).Body.Bytes()) {
			t.Errorf("%s unpacks to something else (%v)", path, err)
		}
	}
	if got := get(h, css).Header().Get("Cache-Control"); !strings.Contains(got, "immutable") {
		t.Errorf("a hashed file has Cache-Control %q", got)
	}
}

func TestManyViewersCostOneComputation(t *testing.T) {
	d, answers := open(t)
	var mu sync.Mutex
	now := demo.AnchorTime()
	d.Clock = func() time.Time { mu.Lock(); defer mu.Unlock(); return now }
	h := signedIn(d)
	look := func() {
		var all sync.WaitGroup
		for range 50 {
			all.Go(func() {
				if w := get(h, "/units/4W"); w.Code != 200 {
					t.Errorf("GET = %d", w.Code)
				}
			})
		}
		all.Wait()
	}
	look()
	if answers.Lives != 1 {
		t.Errorf("50 viewers cost %d computations", answers.Lives)
	}
	mu.Lock()
	now = now.Add(time.Minute)
	mu.Unlock()
	look()
	if answers.Lives != 2 {
		t.Errorf("a minute later %d computations, want 2", answers.Lives)
	}
}

func TestAViewerWhoLeavesSpoilsNothing(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	h.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest(http.MethodGet, "/units/4W", nil).WithContext(ctx))
	if w := get(h, "/units/4W"); w.Code != 200 {
		t.Errorf("the next viewer gets %d", w.Code)
	}
}

func TestUnitNamesAreEscaped(t *testing.T) {
	d, _ := open(t)
	const odd = `A/B+C "&<x>`
	d.Answers = oddBoard{d.Answers, odd}
	h := signedIn(d)
	w := get(h, "/")
	if got := w.Header().Get("Location"); got != "/units/A%2FB%2BC%20%22&%3Cx%3E" {
		t.Fatalf("GET / leads to %q", got)
	}
	page := get(h, w.Header().Get("Location"))
	if page.Code != 200 || strings.Contains(page.Body.String(), "<x>") {
		t.Errorf("the unit's page = %d, or its name is not escaped", page.Code)
	}
	checkMarkup(t, "odd unit", page.Body.String())
}

type oddBoard struct {
	web.Answers
	unit string
}

func (b oddBoard) Units(context.Context) ([]string, error) { return []string{b.unit}, nil }
func (b oddBoard) Live(_ context.Context, unit string, _ time.Time) ([]alerts.Assessment, error) {
	if unit != b.unit {
		return nil, clinical.Errorf(clinical.NotFound, "no unit %q", unit)
	}
	return nil, nil
}

func TestFaultsTellNothingOfPatients(t *testing.T) {
	d, _ := open(t)
	var log bytes.Buffer
	d.Log = slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	d.Answers = faultyBoard{d.Answers}
	h := signedIn(d)
	for _, path := range []string{"/stays/SECRET-PANIC", "/stays/SECRET-ERROR", "/api/v1/stays/SECRET-PANIC/sets"} {
		w := get(h, path)
		if w.Code != 500 || strings.Contains(w.Body.String(), "SECRET") || strings.Contains(w.Body.String(), "Featherstonhaugh") {
			t.Errorf("%s = %d %s", path, w.Code, w.Body.String())
		}
		if w.Header().Get("Content-Security-Policy") == "" {
			t.Errorf("%s: a fault has no security headers", path)
		}
	}
	get(h, "/stays/S102")
	if s := log.String(); strings.Contains(s, "SECRET") || strings.Contains(s, "Featherstonhaugh") || !strings.Contains(s, "/stays/:stay") {
		t.Errorf("the log holds what it should not, or no route:\n%s", s)
	}
	if m := get(h, "/metrics").Body.String(); strings.Contains(m, "SECRET") || strings.Contains(m, "S102") ||
		!strings.Contains(m, `plumbline_http_requests_total{method="GET",route="/stays/:stay",status="500"} 2`) {
		t.Error("the metrics hold an id, or do not count the faults")
	}
}

type faultyBoard struct{ web.Answers }

// StayPlace lets the accounts see the stays that do not exist, so that Stay is asked for them.
func (b faultyBoard) StayPlace(ctx context.Context, stay string, at time.Time) (assess.Place, error) {
	if strings.HasPrefix(stay, "SECRET") {
		return assess.Place{StayID: stay, Unit: "4W"}, nil
	}
	return b.Answers.StayPlace(ctx, stay, at)
}

func (b faultyBoard) Stay(ctx context.Context, stay string, at time.Time) (assess.StayView, error) {
	switch stay {
	case "SECRET-PANIC":
		panic("bed of Featherstonhaugh")
	case "SECRET-ERROR":
		return assess.StayView{}, errors.New("disk full")
	}
	return b.Answers.Stay(ctx, stay, at)
}

func TestFeedStatesDiffer(t *testing.T) {
	d, _ := open(t)
	seen := map[string]string{}
	for name, feeds := range map[string]func(context.Context) (parts.FeedHealth, error){
		"known":   d.Feeds,
		"unset":   func(context.Context) (parts.FeedHealth, error) { return parts.FeedHealth{}, nil },
		"never":   func(context.Context) (parts.FeedHealth, error) { return parts.FeedHealth{Folder: "/feed"}, nil },
		"unknown": func(context.Context) (parts.FeedHealth, error) { return parts.FeedHealth{}, errors.New("gone") },
	} {
		d.Feeds = feeds
		h := signedIn(d)
		list, page := get(h, "/units/7E"), get(h, "/feeds")
		if list.Code != 200 || page.Code != 200 {
			t.Errorf("%s: list %d, feeds %d", name, list.Code, page.Code)
		}
		line := regexp.MustCompile(`(?s)<p class="feedline.*?</p>`).FindString(list.Body.String())
		for other, l := range seen {
			if l == line {
				t.Errorf("the feeds read alike when %s and when %s", name, other)
			}
		}
		seen[name] = line
		checkMarkup(t, "/feeds "+name, page.Body.String())
	}
}

// Whoever looks after the program is told that a clock was wrong, and what that means.
func TestAWrongClockIsSaid(t *testing.T) {
	d, _ := open(t)
	of := d.Feeds
	for _, c := range []struct {
		trouble parts.ClockTrouble
		says    string
		seconds string
	}{
		{parts.ClockTrouble{By: -24 * time.Hour}, "ran 24 h ahead and was put right", "-86400"},
		{parts.ClockTrouble{By: time.Hour}, "set forward by 1 h", "3600"},
		{parts.ClockTrouble{By: -time.Hour, Waits: true}, "Nothing is opened or told", "-3600"},
	} {
		c.trouble.At = demo.AnchorTime()
		d.Feeds = func(ctx context.Context) (parts.FeedHealth, error) {
			h, err := of(ctx)
			h.Clock = &c.trouble
			return h, err
		}
		h := signedIn(d)
		if page := get(h, "/feeds").Body.String(); !strings.Contains(page, c.says) {
			t.Errorf("the page of the feeds does not say %q", c.says)
		}
		if figures := get(h, "/metrics").Body.String(); !strings.Contains(figures, "plumbline_clock_set_seconds "+c.seconds+"\n") {
			t.Errorf("the metrics do not say %s", c.seconds)
		}
	}
}

func TestNotReady(t *testing.T) {
	d, _ := open(t)
	d.Ready = func(context.Context) error { return errors.New("password wrong for postgres://u:p@h") }
	w := get(signedIn(d), "/readyz")
	if w.Code != 503 || strings.Contains(w.Body.String(), "postgres") {
		t.Errorf("GET /readyz = %d %s", w.Code, w.Body.String())
	}
}

// The list page of 33 patients made anew each time, against the page kept for the
// minute; digests are kept in both.
func BenchmarkListPage(b *testing.B) {
	d, _ := open(b)
	now := demo.AnchorTime()
	d.Clock = func() time.Time { return now }
	h := signedIn(d)
	look := func(b *testing.B) {
		if w := get(h, "/units/4W", "Accept-Encoding", "gzip"); w.Code != 200 {
			b.Fatal(w.Code)
		}
	}
	look(b)
	var fresh float64
	b.Run("fresh", func(b *testing.B) {
		n := 0
		for b.Loop() {
			n++
			now = demo.AnchorTime().Add(time.Duration(n%180) * time.Minute) // another minute each time
			look(b)
		}
		fresh = float64(b.Elapsed().Nanoseconds()) / float64(b.N)
	})
	b.Run("kept", func(b *testing.B) {
		for b.Loop() {
			look(b)
		}
		if kept := float64(b.Elapsed().Nanoseconds()) / float64(b.N); fresh > 0 {
			b.ReportMetric(fresh/kept, "fresh/kept")
		}
	})
}
