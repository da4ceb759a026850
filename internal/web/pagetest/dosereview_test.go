package pagetest

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// pharmacist is the site as the pharmacist of unit 4W sees it.
func pharmacist(t *testing.T) string {
	t.Helper()
	return seenBy(t, records.Pharmacist)
}

// seenBy is the site as somebody of unit 4W with one role sees it.
func seenBy(t *testing.T, role records.Role) string {
	t.Helper()
	site := httptest.NewServer(webtest.As(web.New(deps(t)), string(role)))
	t.Cleanup(site.Close)
	return site.URL
}

// Two clicks from the queue: which patients on an alpha-blocker dropped after a
// dose change.
func TestWhoDroppedAfterAChangeOfAnAlphaBlocker(t *testing.T) {
	site := pharmacist(t)
	page := browsertest.Start(t).Open(t, site+"/dose-review", 1440, 900)
	page.Wait(".ask")
	all := browsertest.Eval[int](page, `document.querySelectorAll(".stayrow").length`)
	page.Follow(`.ask a[href*="alpha"]`)
	page.Follow(`.ask a[href*="dropped"]`)
	rows := browsertest.Eval[[]string](page, `[...document.querySelectorAll(".stayrow")].map(r => r.innerText)`)
	if len(rows) == 0 || len(rows) >= all {
		t.Fatalf("%d of %d stays are shown", len(rows), all)
	}
	for _, row := range rows {
		if !strings.Contains(row, "alpha-1 blocker") || !strings.Contains(row, "first positive set") {
			t.Errorf("shown without its drug or its drop:\n%s", row)
		}
	}
	quiet(t, page)
}

func TestAReviewIsRecordedByKeyboard(t *testing.T) {
	site := pharmacist(t)
	page := browsertest.Start(t).Open(t, site+"/dose-review", 1440, 900)
	page.Wait(".stayrow")
	first := browsertest.Eval[string](page, `document.querySelector("section[aria-labelledby=to_review] .stayrow h3").innerText`)
	page.Follow(`section[aria-labelledby=to_review] .stayrow h3 a`)
	page.Wait("#note")
	// What is wrong is said beside the field, and nothing typed is lost.
	const tomorrow = `(document.querySelector("#look-again-on").value = document.querySelector("#look-again-on").min, true)`
	browsertest.Eval[bool](page, `(document.querySelector("#outcome-other").checked = true)`)
	browsertest.Eval[bool](page, tomorrow)
	page.Follow(".record button")
	page.Wait("#note-error")
	for _, v := range page.Axe() {
		t.Errorf("with an error: %s", v)
	}
	keep(t, "review-wrong.png", page.Screenshot)
	if !browsertest.Eval[bool](page, `document.querySelector("#outcome-other").checked && document.querySelector("#look-again-on").value !== ""`) {
		t.Error("what was chosen is lost")
	}
	browsertest.Eval[bool](page, `(document.querySelector("#outcome-no_change").focus(), true)`)
	page.Press(" \t")
	for range 12 { // past the fields of a suggestion
		if browsertest.Eval[bool](page, `document.activeElement.id === "note"`) {
			break
		}
		page.Press("\t")
	}
	page.Press("seen with the ward")
	browsertest.Eval[bool](page, tomorrow)
	page.Follow(".record button")
	page.Wait(".reviews")
	keep(t, "review-recorded.png", page.Screenshot)
	if got := page.Text(".reviews"); !strings.Contains(got, "no change") || !strings.Contains(got, "seen with the ward") {
		t.Errorf("the history says %q", got)
	}
	page.Follow(".crumb a")
	page.Wait("section[aria-labelledby=reviewed]")
	if got := page.Text("section[aria-labelledby=reviewed]"); !strings.Contains(got, first) {
		t.Errorf("%q is not among the reviewed: %q", first, got)
	}
	keep(t, "queue-reviewed.png", page.Screenshot)
	for _, m := range page.Console() {
		if !strings.Contains(m, "422") { // Chromium tells of the answer that was asked for
			t.Errorf("console: %s", m)
		}
	}
}

func TestDoseReviewPrints(t *testing.T) {
	site := pharmacist(t)
	browser := browsertest.Start(t)
	for name, path := range map[string]string{"queue": "/dose-review", "review": "/dose-review/S108"} {
		page := browser.Open(t, site+path, 1440, 900)
		page.Wait("footer")
		pdf := page.PDF()
		if len(pdf) < 5000 {
			t.Errorf("%s: the print has %d bytes", name, len(pdf))
		}
		keep(t, name+".pdf", func() []byte { return pdf })
		scheme(t, page, "print", "light")
		for _, hidden := range []string{".sieve", ".record", "nav"} {
			if browsertest.Eval[bool](page, fmt.Sprintf(`[...document.querySelectorAll(%q)].some(e => e.offsetParent)`, hidden)) {
				t.Errorf("%s: %s is printed", name, hidden)
			}
		}
	}
}

// The drop stands over the doses at one place of the time axis, and the arrow keys read each dose.
func TestTheDropStandsOverItsDoses(t *testing.T) {
	site := pharmacist(t)
	page := browsertest.Start(t).Open(t, site+"/dose-review/S108", 1440, 900)
	page.Wait("#panel-lanes canvas")
	const charts = `[...document.querySelectorAll(".chart")].map(e => echarts.getInstanceByDom(e))`
	at := demo.AnchorTime().Add(-50 * time.Hour).UnixMilli()
	where := browsertest.Eval[[]float64](page, fmt.Sprintf(charts+`.slice(0, 2).map(c => c.convertToPixel({xAxisIndex: 0}, %d))`, at))
	if len(where) != 2 || where[0] != where[1] {
		t.Errorf("one moment stands at %v", where)
	}
	browsertest.Eval[bool](page, `(document.querySelector("#panel-lanes .chart").focus(), true)`)
	page.Press(kb.End)
	page.Press(kb.ArrowLeft)
	if said := page.Text(`[data-reading="lanes"]`); !strings.Contains(said, "80 mg, given") && !strings.Contains(said, "10 mg, given") && !strings.Contains(said, "25 mg, given") {
		t.Errorf("the keys read %q", said)
	}
	quiet(t, page)
}
