package web_test

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// noted serves the demo and keeps what is written to the audit.
func noted(t *testing.T, note func(records.AuditEntry) error) (all *[]records.AuditEntry, d web.Deps) {
	t.Helper()
	d, _ = open(t)
	all = &[]records.AuditEntry{}
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		*all = append(*all, e)
		return note(e)
	}
	d.Audit = func(_ context.Context, _ records.AuditQuery, each func(records.AuditEntry) error) (int64, []byte, error) {
		for _, e := range *all {
			if err := each(e); err != nil {
				return 0, nil, err
			}
		}
		return int64(len(*all)), audit.Genesis(), nil
	}
	return all, d
}

func kept(records.AuditEntry) error { return nil }

func lastOf(t *testing.T, all []records.AuditEntry) string {
	t.Helper()
	if len(all) == 0 {
		return "nothing"
	}
	e := all[len(all)-1]
	if e.At.IsZero() || e.From != "127.0.0.1" {
		t.Errorf("neither when nor from where: %+v", e)
	}
	s := fmt.Sprintf("%s %s %s unit=%s stay=%s %s", e.Who, e.Did, e.What, e.Unit, e.Stay, e.Outcome)
	if !e.AsOf.IsZero() {
		s += " as of " + e.AsOf.UTC().Format("2006-01-02T15:04")
	}
	return s
}

// Every view of patient data is recorded, and so is every try that was refused.
func TestEveryViewOfPatientDataIsRecorded(t *testing.T) {
	all, d := noted(t, kept)
	h := web.New(d)
	at := url.QueryEscape("2026-11-05T06:00:00Z")
	for _, c := range []struct{ as, path, want string }{
		{"falls-nurse", "/units/4W", "falls-nurse view GET /units/:unit unit=4W stay= allowed"},
		{"falls-nurse", "/units/4W?as_of=" + at, "falls-nurse view GET /units/:unit unit=4W stay= allowed as of 2026-11-05T06:00"},
		{"falls-nurse", "/units/4W?as_of=2026-11-05T00:00", "falls-nurse view GET /units/:unit unit=4W stay= allowed as of 2026-11-05T06:00"}, // in the site's zone
		{"screen", "/units/4W", "screen view GET /units/:unit unit=4W stay= allowed"},
		{"falls-nurse", "/units/7E", "falls-nurse view GET /units/:unit unit=7E stay= refused"},
		{"falls-nurse", "/stays/S101", "falls-nurse view GET /stays/:stay unit=4W stay=S101 allowed"},
		{"falls-nurse", "/api/v1/stays/S101/sets", "falls-nurse view GET /api/v1/stays/:stay/sets unit=4W stay=S101 allowed"},
		{"falls-nurse", "/api/v1/units/4W/list", "falls-nurse view GET /api/v1/units/:unit/list unit=4W stay= allowed"},
		{"administrator", "/stays/S101", "administrator view GET /stays/:stay unit= stay=S101 refused"},
		{"falls-nurse", "/accounts", "falls-nurse view GET /accounts unit= stay= refused"},
		{"bedside-nurse", "/policy", "bedside-nurse view GET /policy unit= stay= refused"},
		{"administrator", "/feeds", "administrator view GET /feeds unit= stay= allowed"},
		{"administrator", "/feeds/held/1", "administrator view GET /feeds/held/:row unit= stay=S125 allowed"},
		{"falls-nurse", "/falls/F-S101-001", "falls-nurse view GET /falls/:fall unit=4W stay=S101 allowed as of 2026-11-02T05:09"},
		{"falls-nurse", "/falls/F-S101-001?as_of=2026-11-01T22:10", "falls-nurse view GET /falls/:fall unit=4W stay=S101 allowed as of 2026-11-02T04:10"},
		{"administrator", "/falls/F-S101-001", "administrator view GET /falls/:fall unit= stay= refused"},
		{"falls-nurse", "/units/7E/falls", "falls-nurse view GET /units/:unit/falls unit=7E stay= refused"},
		{"administrator", "/audit?stay=S101", "administrator view GET /audit unit= stay=S101 allowed"},
	} {
		before := len(*all)
		w := httptest.NewRecorder()
		webtest.As(h, c.as).ServeHTTP(w, httptest.NewRequest("GET", c.path, nil))
		if got := lastOf(t, *all); got != c.want || len(*all) == before {
			t.Errorf("%s as %s: %s, want %s", c.path, c.as, got, c.want)
		}
	}
	for _, path := range []string{"/rules", "/account", "/static/app.css", "/healthz"} {
		before := len(*all)
		webtest.As(h, "falls-nurse").ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", path, nil))
		for _, e := range (*all)[before:] {
			if e.Did != audit.SignIn {
				t.Errorf("%s holds no patient data, and %+v was recorded", path, e)
			}
		}
	}
}

func TestSignInsAreRecordedWithoutWhatWasTyped(t *testing.T) {
	all, d := noted(t, kept)
	h := web.New(d)
	signIn := func(name, password string) {
		form := url.Values{"name": {name}, "password": {password}}
		r := httptest.NewRequest("POST", "/sign-in", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.RemoteAddr = "127.0.0.1:999"
		h.ServeHTTP(httptest.NewRecorder(), r)
	}
	signIn("falls-nurse", webtest.Password)
	if got := lastOf(t, *all); got != "falls-nurse sign-in POST /sign-in unit= stay= allowed" {
		t.Errorf("right: %s", got)
	}
	signIn("falls-nurse", "not the password")
	if got := lastOf(t, *all); got != "falls-nurse sign-in POST /sign-in unit= stay= refused" {
		t.Errorf("wrong: %s", got)
	}
	signIn("my secret in the wrong field", "x")
	if got := lastOf(t, *all); got != " sign-in POST /sign-in unit= stay= refused" || strings.Contains(fmt.Sprintf("%+v", *all), "secret") {
		t.Errorf("what was typed stands in the audit: %+v", *all)
	}
	for range 4 {
		signIn("bedside-nurse", "x")
	}
	before := len(*all)
	for range 50 {
		signIn("bedside-nurse", "x")
	}
	if got := lastOf(t, *all); got != "bedside-nurse sign-in POST /sign-in unit= stay= made to wait" || len(*all) != before+2 {
		t.Errorf("50 attempts, 49 of them too early, left %d entries, the last %s", len(*all)-before, got)
	}
}

// What cannot be recorded is not shown.
func TestWithoutARecordNothingIsShown(t *testing.T) {
	full := false
	_, d := noted(t, func(records.AuditEntry) error {
		if full {
			return errors.New("the disk is full")
		}
		return nil
	})
	h := webtest.As(web.New(d), "falls-nurse")
	if w := get(h, "/stays/S101"); w.Code != 200 {
		t.Fatal(w.Code)
	}
	full = true
	for _, path := range []string{"/units/4W", "/stays/S101", "/api/v1/units/4W/list", "/api/v1/stays/S101/sets"} {
		w := get(h, path)
		if w.Code != 503 || strings.Contains(w.Body.String(), "S101") {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}

// What an account was given stands in the audit, by name, before it is given.
func TestChangesOfAccountsAreRecordedWithWhatTheyGive(t *testing.T) {
	full := false
	all, d := noted(t, func(records.AuditEntry) error {
		if full {
			return errors.New("the disk is full")
		}
		return nil
	})
	v := newVisitor(web.New(d))
	v.signIn("administrator", webtest.Password)
	post := func(path string, form url.Values) (int, []string) {
		before := len(*all)
		w := v.do("POST", path, form)
		var got []string
		for _, e := range (*all)[before:] {
			got = append(got, fmt.Sprint(e.Who, " ", e.Did, " ", e.Outcome, ": ", e.Note))
		}
		return w.Code, got
	}
	status, got := post("/accounts", url.Values{"name": {"m.keller"}, "role": {"falls-nurse", "pharmacist"}, "units": {"7E, 4W"}})
	if want := "administrator manage allowed: add m.keller: falls-nurse, pharmacist; units: 4W, 7E"; status != 200 || fmt.Sprint(got) != "["+want+"]" {
		t.Errorf("adding = %d %q", status, got)
	}
	made, err := d.Accounts.Named(t.Context(), "m.keller")
	if err != nil {
		t.Fatal(err)
	}
	at := fmt.Sprint("/accounts/", made.ID)
	for _, c := range []struct {
		path   string
		form   url.Values
		status int
		want   string
	}{
		{at, url.Values{"role": {"administrator"}, "units": {"*"}}, 200, "[administrator manage allowed: m.keller: administrator; units: all units]"},
		{at + "/disable", nil, 200, "[administrator manage allowed: disable m.keller]"},
		{at + "/enable", nil, 200, "[administrator manage allowed: enable m.keller]"},
		{at + "/password", nil, 200, "[administrator manage allowed: new password for m.keller]"},
		{at + "/sign-out", nil, 200, "[administrator manage allowed: sign out m.keller]"},
		{at, url.Values{"role": {"no such"}}, 422, "[]"},
		{"/accounts", url.Values{"name": {"M.Keller"}, "role": {"administrator"}}, 422, "[administrator manage allowed: add M.Keller: administrator; units: none administrator manage not changed: conflict: add M.Keller: administrator; units: none]"},
		{"/accounts/999/disable", nil, 404, "[]"},
		{at + "/disable", nil, 200, "[administrator manage allowed: disable m.keller]"},
	} {
		if status, got := post(c.path, c.form); status != c.status || fmt.Sprint(got) != c.want {
			t.Errorf("%s %v = %d %q, want %d %s", c.path, c.form, status, got, c.status, c.want)
		}
	}
	full = true
	for _, c := range []struct {
		path string
		form url.Values
	}{
		{"/accounts", url.Values{"name": {"eve"}, "role": {"administrator"}}}, {at, url.Values{"role": {"falls-nurse"}, "units": {"4W"}}}, {at + "/enable", nil}, {at + "/password", nil},
	} {
		if status, _ := post(c.path, c.form); status != 503 {
			t.Errorf("%s without a record = %d", c.path, status)
		}
	}
	after, err := d.Accounts.Named(t.Context(), "m.keller")
	if err != nil || !after.Disabled() || len(after.Roles) != 1 || after.Roles[0] != "administrator" {
		t.Errorf("changed without a record: %+v, %v", after, err)
	}
	if _, err := d.Accounts.Named(t.Context(), "eve"); err == nil {
		t.Error("an account was added without a record")
	}
}

func TestThePageOfTheAudit(t *testing.T) {
	_, d := noted(t, kept)
	for range 101 {
		if err := d.Note(t.Context(), records.AuditEntry{N: 7, At: d.Clock(), Who: "<b>eve</b>", From: "127.0.0.1", Did: audit.View, AsOf: d.Clock()}); err != nil {
			t.Fatal(err)
		}
	}
	h := webtest.As(web.New(d), "administrator")
	body := get(h, "/audit?who=eve&stay=S1&unit=4W").Body.String()
	checkMarkup(t, "/audit", body)
	for _, want := range []string{"&lt;b&gt;eve", `value="S1"`, `value="4W"`, "unit=4W", "before=7", "Older entries", `<a href="/account">administrator</a>`, "saw the patient there, too"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
	for _, path := range []string{"/audit?before=x", "/audit?before=0"} {
		if w := get(h, path); w.Code != 400 {
			t.Errorf("%s = %d", path, w.Code)
		}
	}
}
