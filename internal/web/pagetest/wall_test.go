package pagetest

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
)

// Issue: for four metres: beds alone, at least 24 of 1920 x 1080 at once, pages that turn by themselves
// every 15 s and stop by a key or touch, changes marked, clock, and a lost network said.
func TestTheWall(t *testing.T) {
	w := openWard(t, "")
	w.ahead.Add(41_000)
	page := w.browser.Open(t, w.site+"/units/4W/wall", 1920, 1080)
	w.page = page
	page.Wait(".w-beds")
	at := demo.AnchorTime().Add(41 * time.Second).UTC().Format(time.RFC3339)
	if got := browsertest.Eval[string](page, `document.getElementById("w-clock").dataset.server`); got != at {
		t.Errorf("the clock begins at %s, want the second of the server, %s", got, at)
	}
	shown := func() []string {
		return browsertest.Eval[[]string](page, `[...document.querySelectorAll(".w-beds > li")].filter(e => e.checkVisibility()).map(e => e.dataset.bed)`)
	}
	first := shown()
	if len(first) < 24 {
		t.Errorf("%d beds at once", len(first))
	}
	cut := browsertest.Eval[[]string](page, `[...document.querySelectorAll(".w-beds > li")].filter(e => e.checkVisibility())
		.filter(e => e.scrollHeight > e.clientHeight + 1 || e.getBoundingClientRect().bottom > innerHeight).map(e => e.dataset.bed + " " + e.scrollHeight + " of " + e.clientHeight)`)
	if len(cut) > 0 {
		t.Errorf("cut off: %q", cut)
	}
	size := browsertest.Eval[float64](page, `parseFloat(getComputedStyle(document.querySelector(".w-bed b")).fontSize)`)
	small := browsertest.Eval[float64](page, `Math.min(...[...document.querySelectorAll(".w-beds li li, .w-line, .sign")].filter(e => e.checkVisibility()).map(e => parseFloat(getComputedStyle(e).fontSize)))`)
	if size < 48 || small < 20 {
		t.Errorf("beds have %v pixels, the least %v", size, small)
	}
	keep(t, "wall-1920.png", page.Screenshot)
	w.shift(16 * time.Second)
	page.Until(`!document.querySelector('[data-bed="` + first[0] + `"]').checkVisibility()`)
	second := shown()
	if all := len(first) + len(second); all != 33 {
		t.Errorf("%d beds on two pages", all)
	}
	keep(t, "wall-1920-second.png", page.Screenshot)
	page.Press("s") // any key stops the turning
	page.Until(`document.body.classList.contains("w-stopped")`)
	w.shift(16 * time.Second)
	time.Sleep(2 * time.Second)
	if now := shown(); strings.Join(now, " ") != strings.Join(second, " ") {
		t.Error("it turns though it was stopped")
	}
	page.Click("#w-stop")
	page.Until(`!document.body.classList.contains("w-stopped")`)
	w.shift(16 * time.Second)
	page.Until(`document.querySelector('[data-bed="` + first[0] + `"]').checkVisibility()`)

	// A tile that holds more than its place is written smaller: no row grows, and no bed leaves the display.
	long := browsertest.Eval[[]string](page, `(() => {
		const tiles = [...document.querySelectorAll(".w-beds > li")];
		const li = tiles.find(e => e.checkVisibility() && e.querySelector("ul")), list = li.querySelector("ul");
		while (list.children.length < 2) list.append(list.firstElementChild.cloneNode(true));
		for (const one of list.children) one.textContent = "recheck overdue since 19 Nov 16:37; set after the fall late: 30 Nov 23:37";
		dispatchEvent(new Event("resize"));
		return [...document.querySelectorAll(".w-beds > li")].filter(e => e.checkVisibility())
			.filter(e => e.scrollHeight > e.clientHeight + 1 || e.getBoundingClientRect().bottom > innerHeight).map(e => e.dataset.bed);
	})()`)
	if len(long) > 0 || browsertest.Eval[int](page, `document.documentElement.scrollHeight`) > 1080 {
		t.Errorf("with a long tile these beds are cut off or below the edge: %q", long)
	}

	// What changes is marked, and unmarked after a while.
	browsertest.Eval[bool](page, fmt.Sprintf(`(() => { const li = document.querySelector('[data-bed=%q]'); li.dataset.state += "x";
		document.getElementById("main").append(document.createElement("i")); return true; })()`, first[0]))
	page.Until(`document.querySelector('[data-bed="` + first[0] + `"].changed .w-changed')?.textContent === "changed"`)
	keep(t, "wall-changed.png", page.Screenshot)
	w.shift(16 * time.Minute)
	browsertest.Eval[bool](page, `document.getElementById("main").append(document.createElement("i")) === undefined`)
	page.Until(`!document.querySelector(".changed")`)
	for _, v := range page.AxeAll(&looks) {
		t.Error(v)
	}
	quiet(t, page)

	// A lost network is said.
	w.down.Store(true)
	browsertest.Eval[bool](page, `document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`!document.getElementById("stale").hidden`)
	w.down.Store(false)
	browsertest.Eval[bool](page, `document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`document.getElementById("stale").hidden`)
}

// A display that starts while the network is away says since when, shows no bed, and comes back by itself.
func TestADisplayThatStartsWithoutANetworkSaysSo(t *testing.T) {
	w := openWard(t, "")
	code, _, err := w.deps.Screens.Make(t.Context(), "North wall", "4W", "root")
	if err != nil {
		t.Fatal(err)
	}
	page := w.browser.Open(t, w.site+"/wall/enrol", 1920, 1080)
	w.page = page
	page.Type("#code", code)
	page.Click("main button")
	page.Wait(".w-beds")
	page.Until(`navigator.serviceWorker.controller && caches.match("/wall/heard").then(kept => !!kept)`)
	w.offline(true)
	page.Navigate(w.site + "/wall")
	page.Until(`/^No network since \d+ \w+ \d\d:\d\d$/.test(document.getElementById("offline").textContent)`)
	keep(t, "wall-offline.png", page.Screenshot)
	if text := page.Text("main"); strings.Contains(text, "4W") || strings.Contains(text, "12A") {
		t.Errorf("without a network the display shows %q", text)
	}
	if n := browsertest.Eval[int](page, `caches.keys().then(async all => { let n = 0; for (const name of all) for (const kept of await (await caches.open(name)).matchAll())
		if (/Okonfell|data-bed|4W/.test(await kept.text())) n++; return n; })`); n > 0 {
		t.Errorf("%d of the files that are kept hold something of the unit", n)
	}
	for _, v := range page.AxeAll(&looks) {
		t.Error(v)
	}
	w.offline(false)
	browsertest.Eval[bool](page, `dispatchEvent(new Event("online"))`)
	page.Wait(".w-beds")
	quiet(t, page)
}
