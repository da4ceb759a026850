package web_test

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var askedForms = regexp.MustCompile(`(?s)<form method="post" action="([^"]+)"(.*?)</form>`)
var askedFields = regexp.MustCompile(`<input type="hidden" name="([^"]+)" value="([^"]*)">`)

// askedForm is the form of the page whose address matches.
func askedForm(t *testing.T, h http.Handler, match string) (string, url.Values) {
	t.Helper()
	for _, f := range askedForms.FindAllStringSubmatch(get(h, "/asked").Body.String(), -1) {
		if !regexp.MustCompile(match).MatchString(f[1]) {
			continue
		}
		form := url.Values{}
		for _, field := range askedFields.FindAllStringSubmatch(f[2], -1) {
			form.Set(field[1], html.UnescapeString(field[2]))
		}
		return html.UnescapeString(f[1]), form
	}
	t.Fatalf("the page has no form to %s", match)
	return "", nil
}

func TestAPrescriberClearsToStandAndTakesItBack(t *testing.T) {
	d, board := webtest.DemoStepped(t, time.UTC)
	h := webtest.As(web.New(d), string(records.Prescriber))
	state := func() string {
		view, err := board.Stay(t.Context(), "S102", d.Clock())
		if err != nil {
			t.Fatal(err)
		}
		return view.Assessment.Recheck.State
	}
	body := get(h, "/asked").Body.String()
	for _, want := range []string{"May this patient stand?", "Teodor Vasquelin", "3A", "Fell 1 Nov", ": moderate injury"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	lying := []float64{78, 40}
	// What speaks against standing stands beside the button, and in what it asks to be confirmed.
	board.Put(t, clinical.Version{
		Kind: clinical.KindCondition, SourceID: "con-hip", StayID: "S102", RecordedAt: d.Clock().Add(-time.Hour), Stated: true,
		Status: clinical.Final, Body: clinical.Condition{ICD10: "S72.00"},
	}, clinical.Version{
		Kind: clinical.KindVitals, SourceID: "low-now", StayID: "S102", RecordedAt: d.Clock().Add(-30 * time.Minute), Stated: true,
		Status: clinical.Final, Body: clinical.Vitals{
			TakenAt: d.Clock().Add(-30 * time.Minute), Position: clinical.Lying, Systolic: &lying[0], Diastolic: &lying[1],
			Symptoms: []string{"chest pain"},
		},
	})
	again := get(h, "/asked").Body.String()
	for _, want := range []string{"fracture coded (S72.00)", "78/40", "chest pain"} {
		if strings.Count(again, want) < 2 || strings.Contains(body, want) {
			t.Errorf("%q stands %d times, want it beside the button and in the question", want, strings.Count(again, want))
		}
	}
	if strings.Contains(body, "owed for under a minute") {
		t.Error("an old debt is told as young as the program's own record")
	}
	if state() != alerts.Blocked {
		t.Fatalf("before the clearance the recheck is %s", state())
	}
	address, form := askedForm(t, h, "/clear$")
	for range 2 { // the button is pressed twice
		if w := post(h, address, form); w.Code != 303 || w.Header().Get("Location") != "/asked" {
			t.Fatalf("cleared = %d to %q: %s", w.Code, w.Header().Get("Location"), words(w))
		}
	}
	if state() == alerts.Blocked {
		t.Error("a clearance ends no block")
	}
	back, form := askedForm(t, h, "/take-back$")
	if w := post(h, back, form); w.Code != 422 {
		t.Errorf("taken back without a reason = %d", w.Code)
	}
	form.Set("why", "it was meant for bed 4")
	if w := post(h, back, form); w.Code != 303 {
		t.Fatalf("taken back = %d: %s", w.Code, words(w))
	}
	if state() != alerts.Blocked {
		t.Errorf("taken back, the recheck is %s", state())
	}
	notes, err := d.Shift.HandoverNotes(t.Context(), "", []string{"S102"}, d.Clock())
	if err != nil || !slices.ContainsFunc(notes, func(n records.HandoverNote) bool { return strings.Contains(n.Text, "meant for bed 4") }) {
		t.Errorf("the reason is told to nobody: %v, %v", notes, err)
	}
	if w := post(h, back, form); w.Code != 409 {
		t.Errorf("taken back twice = %d", w.Code)
	}
}

func TestAPrescriberAnswersASuggestion(t *testing.T) {
	d, _ := webtest.DemoStepped(t, time.UTC)
	asker := reviewing(d)
	form := reviewFormIn(t, asker, "S103")
	form["suggest"] = []string{"doxazosin|stop"}
	if w := post(asker, "/dose-review/S103", form); w.Code != 303 {
		t.Fatalf("a suggestion = %d", w.Code)
	}
	d.Clock = func() time.Time { return demo.AnchorTime().Add(time.Hour + 7*time.Second) } // an answer shows within its minute
	asker, h := reviewing(d), webtest.As(web.New(d), string(records.Prescriber))
	if body := get(h, "/asked").Body.String(); !strings.Contains(body, "doxazosin: stop it") || !strings.Contains(body, "Bartholomew Okonfell") {
		t.Fatal("the suggestion does not wait")
	}
	address, _ := askedForm(t, h, "^/asked/S103/reviews/1$")
	if w := post(h, address, url.Values{"answer": {"2 mg"}}); w.Code != 422 {
		t.Errorf("an answer that is none = %d", w.Code)
	}
	for range 2 {
		if w := post(h, address, url.Values{"answer": {dosereview.Agreed}}); w.Code != 303 {
			t.Errorf("answered = %d", w.Code)
		}
	}
	if reviews, err := d.DoseReviews.DoseReviewsOf(t.Context(), []string{"S103"}, d.Clock()); err != nil || len(reviews["S103"][0].Steps) != 1 {
		t.Errorf("one answer sent twice is kept as %v, %v", reviews, err)
	}
	if body := get(h, "/asked").Body.String(); strings.Contains(body, "doxazosin: stop it") {
		t.Error("what was answered waits still")
	}
	for _, path := range []string{"/suggestions", "/dose-review/S103", "/dose-review"} {
		if body := get(asker, path).Body.String(); !strings.Contains(body, "agreed, by") {
			t.Errorf("%s does not tell the answer to who asked", path)
		}
	}
}

func TestEachRoleLandsWhereItWorks(t *testing.T) {
	d, _ := webtest.Demo(t, time.UTC)
	for role, want := range map[records.Role]string{
		records.Pharmacist: "/dose-review", records.Prescriber: "/asked", records.BedsideNurse: "/units/4W/new-set", records.FallsNurse: "/",
	} {
		w := newVisitor(web.New(d)).signIn(string(role), webtest.Password)
		if got := w.Header().Get("Location"); w.Code != 303 || got != want {
			t.Errorf("%s lands on %q (%d), want %q", role, got, w.Code, want)
		}
	}
}
