package pagetest

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
)

// The first screen answers: who, why, latest set, recheck, precautions, dose review. At a
// desk, on a phone, and the whole page on two sheets of paper, of one visit.
func TestThePatientsFirstScreenAnswers(t *testing.T) {
	site := start(t, deps(t))
	browser := browsertest.Start(t)
	for _, stay := range []string{"S102", "S103", "S108"} {
		page := browser.Open(t, "about:blank", 1440, 900)
		page.Navigate(site + "/stays/" + stay)
		page.Wait("footer")
		page.Wait("#panel-pressure canvas")
		pdf := page.PDF()
		keep(t, stay+".pdf", func() []byte { return pdf })
		legible(t, stay, pdf, 2)
		for _, tc := range []struct {
			width, height int
			answers       []string
		}{
			{1440, 900, []string{"h1", ".why .lead", "#h-set + .set", "#h-recheck + .state", "#h-prec + *", "#h-review + *"}},
			{390, 844, []string{"h1", ".why .lead", ".glance li:nth-child(1)", ".glance li:nth-child(2)", ".glance li:nth-child(3)", ".glance li:nth-child(4)"}},
		} {
			page.Resize(tc.width, tc.height)
			for _, answer := range tc.answers {
				bottom := browsertest.Eval[float64](page, fmt.Sprintf(`document.querySelector(%q).getBoundingClientRect().bottom`, answer))
				if bottom > float64(tc.height) || bottom <= 0 {
					t.Errorf("%s at %d: %s ends at %g, below the first screen", stay, tc.width, answer, bottom)
				}
			}
			keep(t, fmt.Sprintf("first-%s-%d.png", stay, tc.width), page.Screenshot)
		}
		quiet(t, page)
	}
}

func TestTheHistoryOfAStayAtEveryWidth(t *testing.T) {
	site := start(t, deps(t))
	browser := browsertest.Start(t)
	for _, width := range []int{1440, 390} {
		page := browser.Open(t, site+"/stays/S103/history", width, 900)
		page.Wait("footer")
		if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > width {
			t.Errorf("scrolls sideways at %d: %d pixels wide", width, got)
		}
		for _, v := range page.Axe() {
			t.Error(v)
		}
		keep(t, fmt.Sprintf("history-%d.png", width), page.Screenshot)
		quiet(t, page)
	}
}

func TestArrowKeysReadAChart(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+"/stays/S108", 1440, 900)
	page.Wait("#panel-precaution canvas")
	focus := func(panel string) {
		browsertest.Eval[bool](page, fmt.Sprintf(`document.querySelector('[data-panel=%q]').focus() === undefined`, panel))
	}
	heard := func(panel string) string {
		return browsertest.Eval[string](page, fmt.Sprintf(`document.querySelector('[data-reading=%q]').textContent`, panel))
	}
	for panel, want := range map[string]string{
		"pressure": "lying ", "drop": "drop ", "dose": "DDD", "fluid": "net ", "weight": " kg", "precaution": "in place: ",
	} {
		focus(panel)
		page.Press(kb.Home)
		first := heard(panel)
		page.Press(kb.End)
		last := heard(panel)
		n := browsertest.Eval[int](page, fmt.Sprintf(`JSON.parse(document.getElementById("chart-data").textContent).stops[%q].length`, panel))
		if !strings.Contains(first+last, want) || !strings.HasSuffix(first, fmt.Sprintf("1 of %d", n)) || !strings.HasSuffix(last, fmt.Sprintf("%d of %d", n, n)) || n < 3 {
			t.Errorf("%s: the first of %d reads %q, the last %q", panel, n, first, last)
		}
		page.Press(kb.ArrowLeft)
		if got := heard(panel); !strings.HasSuffix(got, fmt.Sprintf("%d of %d", n-1, n)) {
			t.Errorf("%s: the one before the last reads %q", panel, got)
		}
	}
	// The reading is seen too, and goes away.
	focus("pressure")
	page.Press(kb.End)
	page.Until(`[...document.querySelectorAll(".readout")].some(e => getComputedStyle(e).visibility !== "hidden" && e.style.opacity !== "0" && e.textContent.includes("Set "))`)
	keep(t, "reading.png", page.Screenshot)
	// Outside of the zoom it takes the zoom along.
	page.Click(`.zoom button[data-span="24"]`)
	focus("pressure")
	page.Press(kb.Home)
	if got := browsertest.Eval[bool](page, `(() => { const c = echarts.getInstanceByDom(document.querySelector('[data-panel="pressure"]')), z = c.getOption().dataZoom[0], d = JSON.parse(document.getElementById("chart-data").textContent);
		return z.startValue <= d.stops.pressure[0] && z.endValue >= d.stops.pressure[0] && Math.round((z.endValue - z.startValue) / 3600000) === 24; })()`); !got {
		t.Error("the zoom did not follow the reading")
	}
	page.Press(kb.Escape)
	quiet(t, page)
}

func TestHelpOnATermOpensByKey(t *testing.T) {
	page := browsertest.Start(t).Open(t, start(t, deps(t))+"/stays/S108", 390, 844)
	page.Wait("footer")
	browsertest.Eval[bool](page, `document.querySelector('[popovertarget="help-ddd"]').focus() === undefined`)
	page.Press(kb.Enter)
	page.Until(`document.getElementById("help-ddd").matches(":popover-open")`)
	if got := page.Text("#help-ddd"); !strings.Contains(got, "not a recommended dose") || !strings.Contains(got, "Source: WHO") {
		t.Errorf("the help says %q", got)
	}
	if got := browsertest.Eval[float64](page, `(() => { const r = document.getElementById("help-ddd").getBoundingClientRect(); return r.left >= 0 && r.right <= 390 ? r.height : 0 })()`); got < 40 {
		t.Errorf("the help is not within the screen: height %g", got)
	}
	keep(t, "help.png", page.Screenshot)
	page.Press(kb.Escape)
	page.Until(`!document.getElementById("help-ddd").matches(":popover-open")`)
	quiet(t, page)
}
