// Package pagetest looks at the pages in a browser. It is apart from the server's
// other tests because chromedp compiles slowly.
package pagetest

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// zone is the site's; browsers of these tests are elsewhere.
const zone = "America/Chicago"

func deps(t *testing.T) web.Deps {
	t.Helper()
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	d, _ := webtest.DemoStepped(t, z)
	return d
}

func start(t *testing.T, d web.Deps) string {
	t.Helper()
	site := httptest.NewServer(webtest.As(web.New(d), webtest.Everything))
	t.Cleanup(site.Close)
	return site.URL
}

func scheme(t *testing.T, p *browsertest.Page, media, colours string) {
	t.Helper()
	err := chromedp.Do(p.Context(), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Media: media, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: colours}},
		})
		return err
	}))
	if err != nil {
		t.Fatal(err)
	}
}

// keep writes a picture where PLUMBLINE_SHOTS names a folder, to be looked at.
func keep(t *testing.T, name string, take func() []byte) {
	t.Helper()
	if dir := os.Getenv("PLUMBLINE_SHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name), take(), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// quiet holds a page to silence: no console message, no violation of the policy.
func quiet(t *testing.T, p *browsertest.Page) {
	t.Helper()
	for _, m := range p.Console() {
		t.Errorf("console: %s", m)
	}
}

// looks are the looks of texts that the tests of this package have held to the rules of colour.
var looks browsertest.Looks

// everyWidth opens an address on a phone, and judges it there and at every greater width
// in both colours. (TestEveryStoryOnItsPages loads each page at the greatest.)
func everyWidth(t *testing.T, page *browsertest.Page, url, name string) {
	t.Helper()
	page.Resize(390, 900)
	scheme(t, page, "", "light")
	page.Navigate(url)
	page.Wait("footer")
	judge(t, page, 390, name, "light", "dark")
	for _, width := range []int{768, 1440} {
		page.Resize(width, 900)
		judge(t, page, width, name, "dark", "light")
	}
}

// judge holds a page as it stands to what each must keep in every colour: nothing scrolls
// sideways, axe-core finds nothing. A picture of each colour is kept as name.
//
// A phone's page is held to every rule as a whole; at other widths one of each kind of row
// to every rule that can see a width, and in each colour to the rules of colour the looks
// of texts that no page has shown before.
func judge(t *testing.T, page *browsertest.Page, width int, name string, colours ...string) {
	t.Helper()
	var found []browsertest.AxeViolation
	if width == 390 {
		found = page.AxeAll(&looks)
	} else {
		found = page.AxeTemplates()
	}
	for _, v := range found {
		t.Errorf("%s at %d: %s", name, width, v)
	}
	for _, now := range colours {
		scheme(t, page, "", now)
		if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > width {
			t.Errorf("%s at %d, %s: scrolls sideways: %d pixels wide", name, width, now, got)
		}
		for _, v := range page.AxeColours(&looks) {
			t.Errorf("%s at %d, %s: %s", name, width, now, v)
		}
		keep(t, fmt.Sprintf("%s-%d-%s.png", name, width, now), page.Screenshot)
	}
}

// fileName is an address as the name of a file.
func fileName(path string) string {
	return strings.NewReplacer("/", "_", "?", "_", "&", "_", "=", "-", ":", "").Replace(path[1:])
}

func TestChartsAreDrawn(t *testing.T) {
	site := start(t, deps(t))
	browser := browsertest.Start(t)
	page := browser.Open(t, "about:blank", 1440, 900)
	page.Zone("Asia/Tokyo") // the browser's zone must not show
	page.Navigate(site + "/stays/S108")
	page.Wait("#panel-pressure canvas")
	const sized = `[...document.querySelectorAll(".chart canvas")].filter(c => c.width > 600 && c.height > 80).length`
	if got := browsertest.Eval[int](page, sized); got != 7 {
		t.Fatalf("%d charts are drawn, want 7", got)
	}
	const charts = `[...document.querySelectorAll(".chart")].map(e => echarts.getInstanceByDom(e))`

	// A moment stands at the same place in every panel.
	at := demo.AnchorTime().Add(-50 * time.Hour).UnixMilli()
	where := browsertest.Eval[[]float64](page, fmt.Sprintf(charts+`.map(c => c.convertToPixel({xAxisIndex: 0}, %d))`, at))
	for _, x := range where {
		if x != where[0] || x < 54 {
			t.Errorf("one moment stands at %v in the panels", where)
			break
		}
	}

	// Labels are the site's: midnight in Chicago on 31 October is 05:00 UTC.
	label := browsertest.Eval[string](page, fmt.Sprintf(charts+`[0].getOption().xAxis[0].axisLabel.formatter(%d)`,
		time.Date(2026, 10, 31, 5, 0, 0, 0, time.UTC).UnixMilli()))
	if label != "31 Oct" {
		t.Errorf("midnight of the site reads %q", label)
	}

	// The tooltip reads off every panel, without styles of its own.
	tip := browsertest.Eval[string](page, fmt.Sprintf(charts+`[1].getOption().tooltip[0].formatter([{axisValue: %d}]).textContent`,
		demo.AnchorTime().Add(-8*time.Hour).UnixMilli()))
	for _, want := range []string{"1 Nov 20:00", "Set 2 Nov 01:40: lying 126/70", "loop diuretic 2 DDD", "Shift from 1 Nov 19:00", "weight"} {
		if !strings.Contains(tip, want) {
			t.Errorf("the tooltip does not say %q: %s", want, tip)
		}
	}
	browsertest.Eval[bool](page, charts+`[1].dispatchAction({type: "showTip", seriesIndex: 1, dataIndex: 2}) || true`)
	page.Wait(".readout")

	// One zoom for all, by button and by slider.
	page.Click(`.zoom button[data-span="72"]`)
	const spans = charts + `.map(c => { const z = c.getOption().dataZoom[0]; return Math.round((z.endValue - z.startValue) / 3600000) })`
	if got := fmt.Sprint(browsertest.Eval[[]int](page, spans)); got != "[72 72 72 72 72 72 72]" {
		t.Errorf("after the button the panels show %s hours", got)
	}
	browsertest.Eval[bool](page, charts+`[0].dispatchAction({type: "dataZoom", dataZoomIndex: 1, start: 50, end: 75}) || true`)
	page.Until(`new Set(` + spans + `).size === 1 && ` + spans + `[0] !== 72`)
	if got := browsertest.Eval[string](page, `[...document.querySelectorAll(".zoom button")].map(b => b.getAttribute("aria-pressed")).join()`); strings.Contains(got, "true") {
		t.Errorf("a button still looks pressed after the slider moved: %s", got)
	}
	quiet(t, page)
}

func TestListRefreshesInPlace(t *testing.T) {
	d := deps(t)
	var minutes atomic.Int64
	var down atomic.Bool
	d.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(minutes.Load()) * time.Minute) }
	handler := webtest.As(web.New(d), webtest.Everything)
	site := httptest.NewServer(switchable(handler, &down))
	defer site.Close()
	page := browsertest.Start(t).Open(t, site.URL+"/units/4W", 1440, 900)
	page.Wait("footer")

	page.Press(kb.F2)
	browsertest.Eval[bool](page, `(document.querySelectorAll(".row details.more")[9].open = true) && document.querySelectorAll(".row")[9].querySelector("a.rule").focus() === undefined && scrollTo(0, 700) === undefined`)
	was := browsertest.Eval[string](page, `document.activeElement.getAttribute("href") + scrollY`)
	minutes.Store(4)
	browsertest.Eval[bool](page, `document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`document.querySelector(".listhead .sub").textContent.includes("04:04")`)
	if got := browsertest.Eval[string](page, `document.activeElement.getAttribute("href") + scrollY`); got != was {
		t.Errorf("focus and scroll after the refresh: %s, before: %s", got, was)
	}

	// Nothing is new, so that the script alone writes the words beside times: as the server does.
	browsertest.Eval[bool](page, `document.querySelectorAll("[data-rel]").forEach(e => { e.textContent = ""; }) === undefined && document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`document.querySelector("[data-rel]").textContent`)
	differ := browsertest.Eval[[]string](page, `(() => {
		const ask = new XMLHttpRequest();
		ask.open("GET", location.href, false);
		ask.send();
		const served = [...new DOMParser().parseFromString(ask.responseText, "text/html").querySelectorAll("[data-rel]")].map(e => e.textContent);
		const ahead = /^in |^under a minute/; // a moment later than the server, so perhaps a minute less, or due by now
		const written = [...document.querySelectorAll("[data-rel]")].map(e => e.textContent);
		if (written.length !== served.length || !written.some(w => / h \d+ min ago$/.test(w)) || !written.some(w => w.endsWith("overdue"))) return ["too few", ...written];
		return written.filter((w, n) => ahead.test(served[n]) ? !ahead.test(w) : w !== served[n]);
	})()`)
	if len(differ) > 0 {
		t.Errorf("the script writes beside times otherwise than the server: %q", differ)
	}
	quiet(t, page)

	down.Store(true)
	browsertest.Eval[bool](page, `document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`!document.querySelector("#stale").hidden`)
	if got := page.Text("#stale"); !strings.Contains(got, "Not refreshed") {
		t.Errorf("a page that cannot be refreshed says %q", got)
	}
}

func TestByKeyboard(t *testing.T) {
	page := browsertest.Start(t).Open(t, start(t, deps(t))+"/units/4W", 1440, 900)
	page.Wait("footer")
	page.Press(kb.Tab)
	if got := browsertest.Eval[string](page, "document.activeElement.textContent"); got != "Skip to content" {
		t.Errorf("the first stop is %q", got)
	}
	page.Press(kb.Enter)
	for range 40 {
		page.Press(kb.Tab)
		if strings.HasPrefix(browsertest.Eval[string](page, `document.activeElement.getAttribute("href") || ""`), "/stays/") {
			return
		}
	}
	t.Error("40 tabs from the content reach no patient")
}
