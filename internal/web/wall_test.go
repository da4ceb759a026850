package web_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// with sends a request with cookies, as a display does.
func with(h http.Handler, method, path string, form url.Values, cookies ...*http.Cookie) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	r.RemoteAddr = "127.0.0.1:999"
	for _, c := range cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// enrolled is the program as a display of unit 4W sees it.
func enrolled(t *testing.T, d web.Deps, h http.Handler) http.Handler {
	t.Helper()
	code, _, err := d.Screens.Make(t.Context(), "display "+auth.NewToken(), "4W", "root")
	if err != nil {
		t.Fatal(err)
	}
	cookie := with(h, "POST", "/wall/enrol", url.Values{"code": {code}}).Result().Cookies()[0]
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.AddCookie(cookie)
		r.RemoteAddr = "127.0.0.1:999"
		h.ServeHTTP(w, r)
	})
}

// A display is enrolled once by a code, shows its one unit without names for weeks, opens nothing else,
// and shows nothing once an administrator has ended it. All of it is recorded.
func TestAScreenIsEnrolledAndEnded(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Screens.Clock = func() time.Time { return now }
	var noted []records.AuditEntry
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		noted = append(noted, e)
		return nil
	}
	h := web.New(d)
	admin := webtest.As(h, webtest.Everything)
	made := post(admin, "/screens", url.Values{"name": {"Desk north"}, "unit": {"4W"}})
	code := regexp.MustCompile(`<code>([A-Z2-7]{4}-[A-Z2-7]{4}-[A-Z2-7]{4})</code>`).FindStringSubmatch(made.Body.String())
	if code == nil {
		t.Fatalf("made = %d", made.Code)
	}
	if none := post(admin, "/screens", url.Values{"name": {"Lobby"}, "unit": {"4w"}}); none.Code != 422 || !strings.Contains(none.Body.String(), "No feed has named a unit") {
		t.Errorf("a display of a unit that no feed names = %d", none.Code)
	}
	if again := post(admin, "/screens", url.Values{"name": {"desk NORTH"}, "unit": {"4W"}}); again.Code != 422 {
		t.Errorf("a name serves twice: %d", again.Code)
	}
	lacks(t, get(admin, "/screens").Body.String(), code[1])
	if w := with(h, "POST", "/wall/enrol", url.Values{"code": {"AAAA-AAAA-AAAA"}}); w.Code != 422 || len(w.Result().Cookies()) != 0 {
		t.Errorf("a wrong code = %d", w.Code)
	}
	w := with(h, "POST", "/wall/enrol", url.Values{"code": {strings.ToLower(code[1])}})
	if w.Code != http.StatusSeeOther || len(w.Result().Cookies()) != 1 {
		t.Fatalf("enrolled = %d", w.Code)
	}
	cookie := w.Result().Cookies()[0]
	if !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode || cookie.MaxAge != 400*24*3600 {
		t.Errorf("the cookie is %+v", cookie)
	}
	if w := with(h, "POST", "/wall/enrol", url.Values{"code": {code[1]}}); w.Code != 422 {
		t.Errorf("a code serves twice: %d", w.Code)
	}
	now = now.Add(60 * 24 * time.Hour) // a session would have ended long ago
	wall := with(h, "GET", "/wall", nil, cookie)
	holds(t, wall.Body.String(), `id="wall"`, "Unit 4W", `data-bed="7B"`)
	if fresh := wall.Result().Cookies(); len(fresh) != 1 || fresh[0].Value != cookie.Value {
		t.Error("the cookie is not set anew")
	}
	for _, s := range demo.Stories() {
		lacks(t, wall.Body.String(), s.Patient, s.PatientID)
	}
	if e := noted[len(noted)-1]; e.Who != "wall display Desk north" || e.Unit != "4W" || e.What != "GET /wall" {
		t.Errorf("recorded %+v", e)
	}
	for _, path := range []string{"/units/4W", "/units/4W/wall", "/stays/S108", "/rules", "/account", "/units/7E/wall"} {
		if w := with(h, "GET", path, nil, cookie); w.Code != http.StatusSeeOther || !strings.HasPrefix(w.Header().Get("Location"), "/sign-in") {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
	post(admin, "/screens/1/end", nil)
	if w := with(h, "GET", "/wall", nil, cookie); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/wall/enrol" {
		t.Errorf("after the end = %d %s", w.Code, w.Header().Get("Location"))
	}
	notes := ""
	for _, e := range noted {
		notes += e.Note + ";"
	}
	holds(t, notes, "made display Desk north;", "no such code of a screen;", "enrolled;", "ended display Desk north;")
	if w := with(h, "GET", "/wall", nil, &http.Cookie{Name: cookie.Name, Value: "GUESSED"}); w.Code != http.StatusSeeOther {
		t.Errorf("a guess = %d", w.Code)
	}
}

// An address has only so many guesses at codes.
func TestWrongCodesOfScreensMustWait(t *testing.T) {
	d, _ := open(t)
	h := web.New(d)
	for n := range 200 {
		if with(h, "POST", "/wall/enrol", url.Values{"code": {"AAAA"}}).Code == http.StatusTooManyRequests {
			if n < 3 {
				t.Errorf("waits after %d", n)
			}
			return
		}
	}
	t.Error("nobody must wait")
}
