package web_test

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

const housePill = "House pill ZQ9"

// giveUnknown orders and gives a drug that nothing tells to the patient of stay S103, who
// is positive.
func giveUnknown(t *testing.T, board *webtest.Answers) {
	t.Helper()
	giveUnknownTo(t, board, "S103")
}

func giveUnknownTo(t *testing.T, board *webtest.Answers, stay string) {
	t.Helper()
	now := demo.AnchorTime()
	drug := clinical.Drug{Text: housePill}
	version := func(kind clinical.Kind, id string, status clinical.Status, b clinical.Body) clinical.Version {
		return clinical.Version{
			Kind: kind, SourceID: id, StayID: stay, RecordedAt: now.Add(-3 * time.Hour), Stated: true, Status: status, Body: b,
		}
	}
	board.Put(t,
		version(clinical.KindOrder, "O-ZQ9", clinical.Active, clinical.Order{Drug: drug, Route: "oral", StartAt: now.Add(-5 * time.Hour)}),
		version(clinical.KindDose, "D-ZQ9", clinical.Completed, clinical.Dose{
			Drug: drug, Route: "oral", OrderID: "O-ZQ9", GivenAt: now.Add(-4 * time.Hour),
		}),
	)
}

// What an administrator says of a drug counts at the moment of a fall too: on its sheet and
// the patient's page as on the list.
func TestADrugThatIsMappedCountsAtTheFall(t *testing.T) {
	d, board := open(t)
	giveUnknownTo(t, board, "S101") // who fell at 05:10, ten minutes after the order began
	admin, see := webtest.As(web.New(d), string(records.Administrator)), asFallsNurse(d)
	pages := []string{demoFall, "/stays/S101"}
	for _, path := range pages {
		if body := see(path).Body.String(); !strings.Contains(body, "may be one") {
			t.Fatalf("%s does not name the drug that nobody knows", path)
		}
	}
	post(admin, "/codes", url.Values{"text": {housePill}, "kind": {"drug"}, "atc": {"B01AF02"}})
	for _, path := range append(pages, "/units/4W") {
		body := see(path).Body.String()
		if !strings.Contains(body, "apixaban") || strings.Contains(body, "may be one") {
			t.Errorf("%s does not say apixaban, or takes the drug for unknown", path)
		}
	}
	post(admin, "/codes", url.Values{"text": {housePill}, "kind": {"nothing"}})
	post(admin, "/codes", url.Values{"text": {housePill}, "kind": {"ignore"}})
	for _, path := range pages {
		if body := see(path).Body.String(); strings.Contains(body, "may be one") {
			t.Errorf("%s takes a drug that does not matter for one that may", path)
		}
	}
}

// An administrator says what a text of the feeds means. It counts at once, on the live list
// as for earlier moments; who said it stands on the page and in the audit; it can be taken back.
func TestADrugThatNothingTellsIsMappedInTheApp(t *testing.T) {
	d, board := open(t)
	giveUnknown(t, board)
	var noted []records.AuditEntry
	d.Note = func(_ context.Context, e records.AuditEntry) error { noted = append(noted, e); return nil }
	admin := webtest.As(web.New(d), string(records.Administrator))
	now := demo.AnchorTime()
	unknown := func() bool {
		t.Helper()
		live, err := board.Live(t.Context(), "4W", now)
		if err != nil {
			t.Fatal(err)
		}
		past, err := board.List(t.Context(), "4W", now.Add(-time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		var found []bool
		for _, a := range slices.Concat(live, past) {
			if a.Digest.StayID == "S103" {
				found = append(found, slices.Contains(a.Digest.Unrecognised, housePill))
			}
		}
		if len(found) != 2 || found[0] != found[1] {
			t.Fatalf("live and an hour ago: %v", found)
		}
		return found[0]
	}
	say := func(form url.Values, want int) string {
		t.Helper()
		w := post(admin, "/codes", form)
		if w.Code != want {
			t.Fatalf("%v = %d, want %d", form, w.Code, want)
		}
		return w.Body.String()
	}
	if !unknown() || !strings.Contains(get(admin, "/codes").Body.String(), housePill) {
		t.Fatal("the drug is known already, or not on the page")
	}
	wrong := say(url.Values{"text": {housePill}, "kind": {"drug"}, "atc": {"water"}}, http.StatusUnprocessableEntity)
	if !strings.Contains(wrong, "no ATC code") {
		t.Error("a wrong code is not named")
	}
	page := say(url.Values{"text": {housePill}, "kind": {"drug"}, "atc": {"c03ca01"}}, http.StatusOK)
	if unknown() || !strings.Contains(page, "the drug C03CA01") || !strings.Contains(page, string(records.Administrator)) {
		t.Error("what was said does not count, or does not stand on the page")
	}
	view, err := board.Stay(t.Context(), "S103", now)
	if err != nil {
		t.Fatal(err)
	}
	active := false
	for _, a := range view.Assessment.Exposures.Active {
		active = active || a.Name == "furosemide"
	}
	if !active {
		t.Error("the drug is not active as the one that it was said to be")
	}
	say(url.Values{"text": {housePill}, "kind": {"nothing"}}, http.StatusOK)
	if !unknown() {
		t.Error("what was taken back counts still")
	}
	page = say(url.Values{"text": {housePill}, "kind": {"ignore"}}, http.StatusOK)
	if unknown() || strings.Count(page, "taken back") == 0 || strings.Count(page, "the drug C03CA01") == 0 {
		t.Error("a drug that does not matter is listed still, or the history is lost")
	}
	var notes []string
	for _, e := range noted {
		if e.Did == "manage" {
			notes = append(notes, e.Note)
		}
	}
	want := []string{"the drug C03CA01: " + housePill, "taken back: " + housePill, "not a drug that matters: " + housePill}
	if !slices.Equal(notes, want) {
		t.Errorf("the audit says %q, want %q", notes, want)
	}
}

// Those who are positive with drugs that nobody knows are a part of the queue of dose
// reviews, and the search finds them by the text as charted.
func TestTheQueueShowsDrugsThatAreNotRecognised(t *testing.T) {
	d, board := open(t)
	giveUnknown(t, board)
	h := webtest.As(web.New(d), string(records.Pharmacist))
	const row = `href="/dose-review/S103"`
	for query, want := range map[string]bool{
		"?unknown=1": true, "?drug=house+pill": true, "?drug=zq": false, "?drug=pill+zq9": true, "?drug=nothing+such": false,
	} {
		page := get(h, "/dose-review"+query).Body.String()
		if strings.Contains(page, row) != want {
			t.Errorf("%s shows the patient: %v, want %v", query, !want, want)
		}
		if query == "?unknown=1" && strings.Contains(page, `href="/dose-review/S108"`) {
			t.Error("a patient all of whose drugs are known is among them")
		}
	}
	// A trade name finds what it means: Cardura is doxazosin (from memory).
	generic, trade := get(h, "/dose-review?drug=doxazosin").Body.String(), get(h, "/dose-review?drug=Cardura").Body.String()
	if n := strings.Count(generic, `class="stayrow`); n == 0 || strings.Count(trade, `class="stayrow`) != n {
		t.Errorf("%d patients by the ingredient, %d by the trade name", n, strings.Count(trade, `class="stayrow`))
	}
}

// What a code of the feeds means is said by the rules of the site's file; it can be taken back.
func TestACodeOfTheFeedsIsMappedInTheApp(t *testing.T) {
	d, _ := open(t)
	admin := webtest.As(web.New(d), string(records.Administrator))
	form := url.Values{"system": {"urn:site"}, "code": {"RAIL"}, "kind": {"precaution"}, "value": {"rails"}}
	rec := post(admin, "/codes", form)
	if page := rec.Body.String(); rec.Code != http.StatusUnprocessableEntity ||
		!strings.Contains(page, "alue is none of assisted rising") || !strings.Contains(page, `value="rails"`) {
		t.Errorf("a word of no list: %d %.1800s", rec.Code, page)
	}
	form.Set("value", "bed alarm")
	if rec := post(admin, "/codes", form); rec.Code != http.StatusOK || !strings.Contains(rec.Body.String(), "precaution, bed alarm") {
		t.Errorf("%d %.1800s", rec.Code, rec.Body)
	}
	if rec := post(admin, "/codes", url.Values{"system": {"urn:site"}, "code": {"RAIL"}, "kind": {"nothing"}}); rec.Code != http.StatusOK {
		t.Errorf("taking it back: %d", rec.Code)
	}
	if list, err := d.Codes.All(t.Context()); err != nil || len(list) != 2 || list[0].Kind != records.CodeNothing || list[1].Value != "bed alarm" {
		t.Errorf("%+v %v", list, err)
	}
}
