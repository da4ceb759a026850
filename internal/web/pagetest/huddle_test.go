package pagetest

import (
	"bytes"
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
	if n := bytes.Count(pdf, []byte("/Type /Page\n")); n != 1 {
		t.Errorf("the huddle prints on %d pages, want 1", n)
	}
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
	if browsertest.Eval[bool](page, `getComputedStyle(document.querySelector(".screen")).display !== "none"`) {
		t.Error("the screen's list prints too")
	}
	quiet(t, page)
}

// From the first look to a name beside what is owed, without the mouse.
func TestWhatIsOwedIsGivenByKeyboard(t *testing.T) {
	d := deps(t)
	page := browsertest.Start(t).Open(t, start(t, d)+"/units/4W", 1440, 900)
	page.Wait("footer")
	const bed = `document.activeElement.querySelector(".bed").textContent`
	browsertest.Eval[bool](page, `document.querySelector("table.rank .c-who a").focus() === undefined`)
	first := browsertest.Eval[string](page, bed)
	page.Press("j")
	page.Press(kb.ArrowDown)
	third := browsertest.Eval[string](page, bed)
	page.Press("k")
	page.Press(kb.ArrowUp)
	if got := browsertest.Eval[string](page, bed); got != first || third == first {
		t.Errorf("j, down, k, up lead from bed %s over %s to %s", first, third, got)
	}
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
