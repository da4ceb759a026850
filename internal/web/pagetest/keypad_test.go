package pagetest

import (
	"testing"
	"time"

	"plumbline/internal/browsertest"
)

// Issue: with the keypad open "sit down now" is always in sight. Half of 390 x 844 is covered:
// as a browser does that shrinks the page, and as one that lays the keypad over it.
func TestSitDownIsInSightWithTheKeypadOpen(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.page.Wait("#go")
	w.untilLying()
	w.forward(6 * time.Minute)
	w.page.Until(`document.querySelector("#s-count").classList.contains("over")`)
	w.page.Click("#go")
	w.step("base")
	w.figures("base", "142", "78", "70")
	w.page.Click("#go")
	w.step("stand")
	w.page.Click("#go")
	w.step("firstcount")
	w.forward(time.Minute)
	w.page.Click("#go")
	w.step("first")

	// covers tells what of the field in focus and of the buttons lies below so many pixels, or under the deck.
	const covers = `(() => {
		const deck = document.querySelector("#deck").getBoundingClientRect(), out = [];
		for (const id of ["stop", "go", "back"]) {
			const r = document.getElementById(id).getBoundingClientRect();
			if (r.top < 0 || r.bottom > 422.5 || r.height < 44) out.push(id + " from " + r.top + " to " + r.bottom);
		}
		const field = document.activeElement.getBoundingClientRect();
		if (field.top < 0 || field.bottom > deck.top) out.push("the field from " + field.top + " to " + field.bottom + " of " + deck.top);
		return out;
	})()`
	open := func(how string) {
		t.Helper()
		for _, part := range []string{"systolic", "diastolic", "pulse"} {
			browsertest.Eval[bool](w.page, `(e => { e.focus(); e.scrollIntoView({ block: "nearest" }); return true; })(document.querySelector("#first_`+part+`"))`)
			for _, found := range browsertest.Eval[[]string](w.page, covers) {
				t.Errorf("%s, %s: %s", how, part, found)
			}
		}
	}
	w.page.Resize(390, 422)
	keep(t, "keypad.png", w.page.Screenshot)
	open("the page shrinks")
	w.page.Resize(390, 844)
	browsertest.Eval[bool](w.page, `Object.defineProperty(visualViewport, "height", { value: 422, configurable: true }) && visualViewport.dispatchEvent(new Event("resize"))`)
	if bottom := browsertest.Eval[float64](w.page, `document.querySelector("#stop").getBoundingClientRect().bottom`); bottom > 422.5 || bottom < 300 {
		t.Errorf("a keypad over the page covers the button, which ends at %v of 422", bottom)
	}
	quiet(t, w.page)
}

// The ways to other pages are as large on the bedside pages as what is tapped with gloves.
func TestWaysOnBedsidePagesAreLarge(t *testing.T) {
	site := start(t, deps(t))
	browser := browsertest.Start(t)
	for _, path := range []string{"/units/4W/new-set", "/stays/S108/new-set"} {
		for _, width := range []int{390, 1440} {
			page := browser.Open(t, site+path, width, 844)
			page.Wait("footer")
			small := browsertest.Eval[[]string](page, `[...document.querySelectorAll("header.site nav a, nav.sub a, .who a")]
				.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 44).map(e => e.textContent + " " + e.getBoundingClientRect().height)`)
			if len(small) > 0 {
				t.Errorf("%s at %d: under 44 pixels: %q", path, width, small)
			}
		}
	}
}
