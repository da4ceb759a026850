package pagetest

import (
	"net/http/httptest"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// One sheet of A4 for the demo's unit of 33, with every bed on it.
func TestTheHuddleIsOneSheetOfPaper(t *testing.T) {
	d := deps(t)
	list, err := d.Answers.Live(t.Context(), "4W", demo.AnchorTime())
	if err != nil || len(list) < 33 {
		t.Fatalf("%d patients on 4W (%v), want 33", len(list), err)
	}
	page := browsertest.Start(t).Open(t, start(t, d)+"/units/4W", 1440, 900)
	page.Wait("footer")
	pdf := page.PDF()
	keep(t, "huddle.pdf", func() []byte { return pdf })
	legible(t, "the huddle", pdf, 1)
	if box := regexp.MustCompile(`/MediaBox \[0 0 59[45]\S* 84[12]\S*\]`); !box.Match(pdf) {
		t.Error("the sheet is not A4 upright")
	}
	scheme(t, page, "print", "light")
	shown := browsertest.Eval[string](page, `document.querySelector(".sheet").innerText`)
	for _, a := range list {
		if !strings.Contains(shown, a.Digest.Stay.Bed+" "+a.Digest.Stay.Name) && !strings.Contains(shown, a.Digest.Stay.Bed+"\n"+a.Digest.Stay.Name) {
			t.Errorf("bed %s is not on the sheet", a.Digest.Stay.Bed)
		}
	}
	if n := browsertest.Eval[int](page, `[...document.querySelectorAll(".sheet tr svg.drawn")].filter(e => e.checkVisibility()).length`); n < 25 {
		t.Errorf("%d sets are drawn on the sheet", n)
	}
	if browsertest.Eval[bool](page, `getComputedStyle(document.querySelector(".screen")).display !== "none"`) {
		t.Error("the screen's list prints too")
	}
	quiet(t, page)
}

// More beds than a sheet holds run on to another one, in letters no smaller.
func TestALongHuddleTakesASecondSheet(t *testing.T) {
	page := browsertest.Start(t).Open(t, start(t, deps(t))+"/units/4W", 1440, 900)
	page.Wait("footer")
	browsertest.Eval[int](page, `(() => {
		const body = document.querySelector(".sheet tbody");
		for (const row of [...body.rows]) { // all but the cell that spans the rows of a tier
			const again = row.cloneNode(true);
			again.querySelector(".s-tier")?.remove();
			body.append(again);
		}
		body.rows[29].prepend(Object.assign(document.createElement("th"), { rowSpan: 29 }));
		return body.rows.length;
	})()`)
	pdf := page.PDF()
	keep(t, "huddle-long.pdf", func() []byte { return pdf })
	if p := legible(t, "a huddle of 62", pdf, 2); p.pages != 2 {
		t.Errorf("a huddle of twice the rows takes %d sheets", p.pages)
	}
}

// From the first look to a name beside what is owed, without the mouse.
func TestWhatIsOwedIsGivenByKeyboard(t *testing.T) {
	d := deps(t)
	page := browsertest.Start(t).Open(t, start(t, d)+"/units/4W", 1440, 900)
	page.Wait("footer")
	const bed = `document.activeElement.querySelector(".bed").textContent`
	browsertest.Eval[bool](page, `document.querySelector("ol.rank .c-who a").focus() === undefined`)
	first := browsertest.Eval[string](page, bed)
	page.Press("j")
	page.Press(kb.ArrowDown)
	third := browsertest.Eval[string](page, bed)
	page.Press("k")
	page.Press(kb.ArrowUp)
	if got := browsertest.Eval[string](page, bed); got != first || third == first {
		t.Errorf("j, down, k, up lead from bed %s over %s to %s", first, third, got)
	}
	open := `document.activeElement.closest(".row").querySelector("details.more").open`
	page.Press(kb.ArrowRight)
	if !browsertest.Eval[bool](page, open) {
		t.Error("the key to the right does not open the row")
	}
	page.Press("c")
	if browsertest.Eval[bool](page, open) {
		t.Error("c does not close the row")
	}
	browsertest.Eval[bool](page, `document.querySelector("details.more:has(details.whom)").open = true`)
	browsertest.Eval[bool](page, `document.querySelector("details.whom > summary").focus() === undefined`)
	page.Press(kb.Enter)
	page.Until(`document.activeElement.name === "name"`)
	page.Press("jk Invented") // letters are letters in a field
	if got := browsertest.Eval[string](page, `document.activeElement.value`); got != "jk Invented" {
		t.Fatalf("the field holds %q", got)
	}
	page.Follow("details.whom[open] button") // as Enter in the field does
	page.Until(`document.querySelector("details.whom summary strong")?.textContent === "jk Invented" && location.hash.startsWith("#e-")`)
	quiet(t, page)
}

// A name half typed, the place and the focus outlast the refresh.
func TestWhatIsTypedOutlastsTheRefresh(t *testing.T) {
	d := deps(t)
	var minutes atomic.Int64
	d.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(minutes.Load()) * time.Minute) }
	site := httptest.NewServer(webtest.As(web.New(d), webtest.Everything))
	defer site.Close()
	page := browsertest.Start(t).Open(t, site.URL+"/units/4W?sort=bed", 1440, 900)
	page.Wait("footer")
	browsertest.Eval[bool](page, `[...document.querySelectorAll("details.more")].every(d => d.open = true)`)
	browsertest.Eval[bool](page, `[...document.querySelectorAll("details.whom > summary")][3].focus() === undefined`)
	page.Press(kb.Enter)
	page.Until(`document.activeElement.name === "name"`)
	page.Press("Half a na")
	page.Press(kb.ArrowLeft)
	const state = `document.activeElement.id + " " + document.activeElement.value + " " + document.activeElement.selectionStart + " " + scrollY`
	was := browsertest.Eval[string](page, state)
	minutes.Store(4)
	browsertest.Eval[bool](page, `document.dispatchEvent(new Event("visibilitychange"))`)
	page.Until(`document.querySelector(".listhead .sub").textContent.includes("04:04")`)
	if got := browsertest.Eval[string](page, state); got != was || !strings.Contains(was, "Half a na 8 ") {
		t.Errorf("after the refresh %q, before %q", got, was)
	}
	quiet(t, page)
}

// Issue: 33 patients within two screens of 1440 x 900, at most 90 px a patient on a phone, and
// nothing cut; the figures of a set are drawn in each row that has one.
func TestTheListFitsTwoScreens(t *testing.T) {
	d := deps(t)
	page := browsertest.Start(t).Open(t, start(t, d)+"/units/4W", 1440, 900)
	page.Wait("footer")
	const rows = `[...document.querySelectorAll(".row")]`
	if n := browsertest.Eval[int](page, rows+".length"); n != 33 {
		t.Fatalf("%d rows, want 33", n)
	}
	if end := browsertest.Eval[float64](page, rows+".at(-1).getBoundingClientRect().bottom + scrollY"); end > 1800 {
		t.Errorf("the last patient ends at %v px, want 1800 at most", end)
	}
	if words := browsertest.Eval[int](page, `document.querySelector("main").innerText.split(/\s+/).length`); words > 1100 {
		t.Errorf("%d words are in sight", words)
	}
	if n := browsertest.Eval[int](page, rows+`.filter(r => r.querySelector(".c-set .finding") && !r.querySelector(".c-set svg.drawn")).length`); n > 0 {
		t.Errorf("%d sets are not drawn", n)
	}
	page.Resize(390, 844)
	for _, high := range browsertest.Eval[[]string](page, rows+`.filter(r => r.offsetHeight > 90).map(r => r.innerText + r.offsetHeight)`) {
		t.Errorf("a row on a phone is over 90 px: %s", high)
	}
	cut := rows + `.flatMap(r => [...r.querySelectorAll(".reason, .name, .c-owed li, .sign")])
		.filter(e => e.checkVisibility() && (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline" ||
			e.getBoundingClientRect().right > innerWidth)).map(e => e.innerText)`
	for _, text := range browsertest.Eval[[]string](page, cut) {
		t.Errorf("cut on a phone: %s", text)
	}
	over := `[...document.querySelectorAll(".line")].filter(l => {
		const box = q => [...l.querySelectorAll(q)].filter(e => e.checkVisibility()).map(e => e.getBoundingClientRect());
		const apart = (a, b) => a.right <= b.left + 1 || b.right <= a.left + 1 || a.bottom <= b.top + 3 || b.bottom <= a.top + 3;
		const parts = [".name", ".signs", ".finding", ".c-owed li", ".more > summary"].map(box);
		return parts.some((p, n) => parts.slice(n + 1).flat().some(b => p.some(a => !apart(a, b))));
	}).map(l => l.innerText)`
	for _, text := range browsertest.Eval[[]string](page, over) {
		t.Errorf("parts of a row lie over each other on a phone: %s", text)
	}
	quiet(t, page)
}

// Every count of the question bar leads to its rows: as many things as it says, of those
// patients alone.
func TestEveryCountLeadsToItsRows(t *testing.T) {
	d := deps(t)
	site := start(t, d)
	page := browsertest.Start(t).Open(t, site+"/units/4W?owed=set&owed=precautions", 1440, 900)
	page.Wait("footer")
	if got := page.Text(".chosen"); !strings.Contains(got, "hidden") || !strings.Contains(got, "owed: precautions or set") {
		t.Errorf("what is chosen is told as %q", got)
	}
	page.Navigate(site + "/units/4W")
	type answer struct {
		URL   string
		Count int
	}
	asked := browsertest.Eval[[]answer](page, `[...document.querySelectorAll(".ask a")].filter(a => a.querySelector("b"))
		.map(a => ({ URL: a.href, Count: +a.querySelector("b").textContent }))`)
	if len(asked) < 10 {
		t.Fatalf("%d counts", len(asked))
	}
	for _, a := range asked {
		page.Navigate(a.URL)
		page.Wait("footer")
		// Whose it is counts things, of which a patient may have several; all else counts patients.
		rows := browsertest.Eval[int](page, `document.querySelectorAll(".row").length`)
		if strings.Contains(a.URL, "given=") {
			rows = browsertest.Eval[int](page, `document.querySelectorAll(".row .c-owed > li:not(.rest)").length`)
		}
		if rows != a.Count {
			t.Errorf("%s says %d and shows %d", a.URL, a.Count, rows)
		}
	}
	quiet(t, page)
}
