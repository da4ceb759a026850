package web_test

import (
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/report"
	"plumbline/internal/text"
)

var factCards = regexp.MustCompile(`<h2 class="fact">`)

func TestTheHistoryHoldsEveryFactOnce(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	view, err := board.Stay(t.Context(), "S108", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	facts := report.HistoryOf(view.Chart, view.Policy.Policy.Plausible)
	seen, pages := "", 0
	for next := "/stays/S108/history"; next != ""; pages++ {
		w := get(h, next)
		if w.Code != 200 {
			t.Fatalf("GET %s = %d", next, w.Code)
		}
		body := w.Body.String()
		seen += body
		if n := len(factCards.FindAllString(body, -1)); n > 50 {
			t.Errorf("%s: %d facts on a page", next, n)
		}
		next = ""
		if m := regexp.MustCompile(`<a href="([^"]*)">` + text.Say("history.older")).FindStringSubmatch(body); m != nil {
			next = html.UnescapeString(m[1])
		}
	}
	if n := len(factCards.FindAllString(seen, -1)); n != len(facts) || pages < 2 || !strings.Contains(seen, fmt.Sprintf("of %d facts", len(facts))) {
		t.Errorf("%d facts on %d pages, want %d", n, pages, len(facts))
	}
	for _, f := range facts {
		if !strings.Contains(seen, `<span class="ids">`+f.SourceID+`</span>`) {
			t.Errorf("%s %s is not shown", f.Kind, f.SourceID)
		}
	}
}

func TestTheHistoryTellsWhatACorrectionReplaced(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	corrected := 0
	for _, s := range demo.Stories() {
		view, err := board.Stay(t.Context(), s.StayID, demo.AnchorTime())
		if err != nil {
			continue // a story of a stay that is not known any more
		}
		for _, f := range report.HistoryOf(view.Chart, view.Policy.Policy.Plausible) {
			if len(f.Versions) < 2 || len(f.Versions[1].Changed) == 0 {
				continue
			}
			corrected++
			body := get(h, "/stays/"+s.StayID+"/history?several=yes&kind="+string(f.Kind)).Body.String()
			if !strings.Contains(body, `class="replaced"`) || !strings.Contains(body, "→") || !strings.Contains(body, text.Say("history.counts")) {
				t.Errorf("%s: what replaced %s %s is not told", s.StayID, f.Kind, f.SourceID)
			}
		}
	}
	if corrected == 0 {
		t.Fatal("no story has a correction: nothing was checked")
	}
}

func TestTheHistoryByKindAndAtAMoment(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	vitals := get(h, "/stays/S108/history?kind=vitals").Body.String()
	if strings.Contains(vitals, "<span class=\"kind\">"+text.FactKind("doses")) || !strings.Contains(vitals, "<span class=\"kind\">"+text.FactKind("vitals")) {
		t.Error("the filter by kind shows other kinds, or not its own")
	}
	at := demo.AnchorTime().Add(-72 * time.Hour)
	then := get(h, "/stays/S108/history?as_of="+url.QueryEscape(at.Format(time.RFC3339))).Body.String()
	if !strings.Contains(then, "As known at") || strings.Contains(then, "2 Nov 01:40") {
		t.Error("the history of a moment shows what was recorded later")
	}
	for _, query := range []string{"kind=bogus", "page=0", "page=x", "page=-1"} {
		if w := get(h, "/stays/S108/history?"+query); w.Code != 400 || !strings.Contains(w.Body.String(), text.Say("history.no-such")) {
			t.Errorf("?%s = %d, want 400 with what to do", query, w.Code)
		}
	}
	for query, want := range map[string]string{"page=999": text.Say("history.beyond"), "kind=treatments": text.Say("history.none-here")} {
		if w := get(h, "/stays/S108/history?"+query); w.Code != 200 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("?%s = %d, does not say %q", query, w.Code, want)
		}
	}
}

// An anticoagulant at a fall stands by the fall and, while the fall is why the
// patient is on the list, at the top of the page.
func TestAnAnticoagulantStandsByTheFall(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	found, top := 0, 0
	for _, s := range demo.Stories() {
		body := get(h, "/stays/"+s.StayID).Body.String()
		found += strings.Count(body, "an anticoagulant at the fall: ")
		if strings.Contains(body, `class="bar bleeding"`) {
			top++
			if s.Rule != "T-FALL" && !strings.Contains(body, "T-FALL") && !strings.Contains(body, "T-FELL") {
				t.Errorf("%s: drugs stand at the top without a recent fall", s.StayID)
			}
		}
	}
	m := regexp.MustCompile(`href="(/falls/[^"]+)"`).FindStringSubmatch(get(h, "/stays/S102").Body.String())
	if m == nil {
		t.Fatal("the fall does not lead to its page")
	}
	if body := get(h, m[1]).Body.String(); !strings.Contains(body, "fall: enoxaparin") {
		t.Errorf("%s does not say that enoxaparin was given", m[1])
	}
	if found < 2 || top < 2 {
		t.Errorf("%d falls on an anticoagulant, %d at the top of a page: the demo has a fall on enoxaparin", found, top)
	}
}

func TestNoPageOfAStayGivesTwoPartsOneID(t *testing.T) {
	id := regexp.MustCompile(` id="([^"]+)"`)
	pages := pagesOfStays(t)
	d, _ := open(t)
	h := signedIn(d)
	for _, s := range drill.Few(5, demo.Stories()) {
		for path, page := range map[string]string{
			"/stays/" + s.StayID:              pages[s.StayID],
			"/stays/" + s.StayID + "/history": get(h, "/stays/"+s.StayID+"/history").Body.String(),
		} {
			seen := map[string]bool{}
			for _, m := range id.FindAllStringSubmatch(page, -1) {
				if seen[m[1]] {
					t.Errorf("%s: two parts are called %s", path, m[1])
				}
				seen[m[1]] = true
			}
		}
	}
}
