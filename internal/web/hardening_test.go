package web_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// ask sends a request as an account and returns the answer.
func ask(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// What every answer carries, whatever became of the request. Sources: ASVS 5.0
// V3.4.3 to V3.4.6, V14.3.2.
func TestEveryAnswerCarriesTheHeaders(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), webtest.Everything)
	want := map[string]string{
		"X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer", "Cache-Control": "no-store",
		"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		"Permissions-Policy": "camera=(), geolocation=(), microphone=()",
	}
	for _, c := range []struct {
		method, path string
		status       int
	}{
		{"GET", "/units/4W", 200}, {"GET", "/stays/S101", 200}, {"GET", "/api/v1/units/4W/list", 200}, {"GET", "/accounts", 200},
		{"GET", "/stays/nobody", 404}, {"GET", "/no/such/page", 404}, {"TRACE", "/units/4W", 405}, {"DELETE", "/units/4W", 405},
		{"GET", "/units/4W?as_of=x", 400}, {"GET", "/units/4W?a=" + strings.Repeat("x", 5000), 414}, {"GET", "/healthz", 200},
	} {
		w := ask(h, httptest.NewRequest(c.method, c.path, nil))
		if w.Code != c.status {
			t.Errorf("%s %.40s = %d, want %d", c.method, c.path, w.Code, c.status)
		}
		for name, value := range want {
			if got := w.Header().Values(name); !slices.Equal(got, []string{value}) {
				t.Errorf("%s %.40s: %s is %q, want %q", c.method, c.path, name, got, value)
			}
		}
		policy := w.Header().Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "object-src 'none'", "base-uri 'none'", "form-action 'self'", "frame-ancestors 'none'"} {
			if !strings.Contains(policy, part) {
				t.Errorf("%s %.40s: the content security policy lacks %s", c.method, c.path, part)
			}
		}
		if w.Header().Get("Access-Control-Allow-Origin") != "" || w.Header().Get("Server") != "" {
			t.Errorf("%s %.40s: a header opens the answer to others, or names the program", c.method, c.path)
		}
		if kind := w.Header().Get("Content-Type"); !strings.Contains(kind, "charset=utf-8") {
			t.Errorf("%s %.40s: Content-Type %q names no charset", c.method, c.path, kind)
		}
	}
}

func TestRequestsAreBounded(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), webtest.Everything)
	many := func(n int) string { return "/units/4W?" + strings.TrimSuffix(strings.Repeat("a=1&", n), "&") }
	for _, c := range []struct {
		path   string
		status int
	}{
		{many(32), 200}, {many(33), 400},
		{"/units/4W?a=" + strings.Repeat("x", 4096-len("/units/4W?a=")), 200}, {"/units/4W?a=" + strings.Repeat("x", 4097-len("/units/4W?a=")), 414},
		{"/units/%00", 404}, {"/units/%ff", 404}, {"/stays/S101%00", 404}, {"/static/%00", 404},
		{"/units/4W?as_of=%00", 400}, {"/audit?stay=%ff", 400}, {"/audit?%00=1", 400}, {"/api/v1/stays/%00/sets", 404},
		{"/units/%C3%A9", 404}, {"/units/4W?a=%C3%A9", 200},
	} {
		if w := ask(h, httptest.NewRequest("GET", c.path, nil)); w.Code != c.status {
			t.Errorf("%.40s (%d bytes) = %d, want %d", c.path, len(c.path), w.Code, c.status)
		}
	}
}

// Every route that takes a body bounds it, whether the length is told or not.
func TestEveryBodyIsBounded(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), webtest.Everything)
	posts := 0
	for way := range web.Ways(d) {
		method, path, _ := strings.Cut(way, " ")
		if method == "GET" || method == "HEAD" || path == "/sign-out" {
			continue
		}
		posts++
		path = strings.NewReplacer(":unit", "4W", ":stay", "S101", ":account", "1", ":number", "1").Replace(path)
		told := httptest.NewRequest(method, path, strings.NewReader("a="+strings.Repeat("x", 1<<20)))
		told.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if w := ask(h, told); w.Code != http.StatusRequestEntityTooLarge {
			t.Errorf("%s with more than 1 MiB = %d, want 413", way, w.Code)
		}
		body := &counted{}
		untold := httptest.NewRequest(method, path, body)
		untold.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		untold.ContentLength = -1
		ask(h, untold)
		if body.read > 2<<20 {
			t.Errorf("%s read %d bytes of a body without end", way, body.read)
		}
	}
	if posts < 8 {
		t.Errorf("only %d routes take a body", posts)
	}
}

// counted is a body without end.
type counted struct{ read int }

func (b *counted) Read(p []byte) (int, error) {
	if b.read > 8<<20 {
		return 0, errors.New("read too far")
	}
	for n := range p {
		p[n] = 'x'
	}
	b.read += len(p)
	return len(p), nil
}

func TestFormsAreText(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	for _, form := range []string{"name=falls%00nurse&password=x", "name=%ff&password=x", "name=a&password=%00", "%ff=1"} {
		r := httptest.NewRequest("POST", "/sign-in", strings.NewReader(form))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = "127.0.0.1:999"
		if w := ask(h, r); w.Code != http.StatusBadRequest {
			t.Errorf("%s = %d, want 400", form, w.Code)
		}
	}
}

// timed notes how long the board is given for an answer.
type timed struct {
	web.Answers
	left time.Duration
}

func (b *timed) Stay(ctx context.Context, id string, at time.Time) (assess.StayView, error) {
	if until, ok := ctx.Deadline(); ok {
		b.left = time.Until(until)
	}
	return b.Answers.Stay(ctx, id, at)
}

func TestAnAnswerHasATimeLimit(t *testing.T) {
	d, _ := open(t)
	board := &timed{Answers: d.Answers}
	d.Answers = board
	h := webtest.As(web.New(d), webtest.Everything)
	if w := ask(h, httptest.NewRequest("GET", "/stays/S101", nil)); w.Code != 200 || board.left <= 0 || board.left > 25*time.Second {
		t.Errorf("answered %d with %v left, want up to 25 s", w.Code, board.left)
	}
}

// late never has an answer in time.
type late struct{ web.Answers }

func (late) Stay(context.Context, string, time.Time) (assess.StayView, error) {
	return assess.StayView{}, context.DeadlineExceeded
}

func (late) Live(context.Context, string, time.Time) ([]alerts.Assessment, error) {
	return nil, context.DeadlineExceeded
}

// It may work in a moment: 503 and what to do, as where the database is down.
func TestWhatTakesTooLongIsSaid(t *testing.T) {
	d, _ := open(t)
	d.Answers = late{d.Answers}
	h := webtest.As(web.New(d), webtest.Everything)
	for _, path := range []string{"/stays/S101", "/units/4W"} {
		if w := ask(h, httptest.NewRequest("GET", path, nil)); w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "try again in a minute") {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}

// A request's path and query never reach the log: they may name a patient.
func TestTheLogNamesNoPatient(t *testing.T) {
	d, _ := open(t)
	logged := logInto(&d)
	h := webtest.As(web.New(d), webtest.Everything)
	for _, path := range []string{"/stays/S101", "/stays/Miller-Anna", "/units/Miller", "/stays/S101?as_of=Miller", "/audit?stay=Miller", "/Miller", "/units/Miller%00"} {
		ask(h, httptest.NewRequest("GET", path, nil))
	}
	form := url.Values{"name": {"Miller"}, "password": {"Miller's password"}}
	r := httptest.NewRequest("POST", "/sign-in", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	ask(h, r)
	if text := logged.String(); !strings.Contains(text, "route=/stays/:stay") || strings.Contains(text, "Miller") || strings.Contains(text, "S101") {
		t.Errorf("the log says: %s", text)
	}
}

// Anybody may send any word as a method. It is no label: each would be kept for good.
func TestMethodsOfTheSendersOwnAreNotKept(t *testing.T) {
	d, _ := open(t)
	logged := logInto(&d)
	v := newVisitor(web.New(d))
	for _, path := range []string{"/units/4W", "/nowhere", "/sign-in"} {
		for _, method := range []string{"MILLER", "MILLER-ANNA", "get", "PUT"} {
			v.do(method, path, nil)
		}
	}
	text := v.do("GET", "/metrics", nil).Body.String()
	if strings.Contains(text+logged.String(), "MILLER") || !strings.Contains(text, `method="other",route="none",status="405"} 6`) || !strings.Contains(text, `method="PUT"`) {
		t.Errorf("the figures name methods: %s", text)
	}
}

// logInto makes the server log every line into a text.
func logInto(d *web.Deps) *bytes.Buffer {
	var b bytes.Buffer
	d.Log = slog.New(slog.NewTextHandler(&b, &slog.HandlerOptions{Level: slog.LevelDebug}))
	return &b
}
