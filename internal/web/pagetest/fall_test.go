package pagetest

import (
	"strings"
	"testing"

	"plumbline/internal/browsertest"
)

const demoFall = "/falls/F-S102-001"

// From the list of falls to what was known six hours before one of them.
func TestAFallIsFoundAndLookedAt(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+"/units/4W/falls", 1440, 900)
	page.Wait("footer")
	page.Click(`a[href="` + demoFall + `"]`)
	page.Wait(".presets")
	if got := browsertest.Eval[string](page, `document.querySelector(".presets [aria-current]").textContent`); got != "just before the fall" {
		t.Errorf("the first moment is %q", got)
	}
	page.Click(`.presets li:nth-child(3) a`)
	page.Wait(`.presets li:nth-child(3) a[aria-current]`)
	if got := browsertest.Eval[string](page, `document.querySelector("#h-then").textContent`); !strings.Contains(got, "6 h before the fall") {
		t.Errorf("the heading is %q", got)
	}
	if !browsertest.Eval[bool](page, `!document.querySelector("[data-print]").hidden`) {
		t.Error("nothing prints the sheet")
	}
	quiet(t, page)
}

func TestTheReviewSheetPrints(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+demoFall, 1440, 900)
	page.Wait("footer")
	pdf := page.PDF()
	keep(t, "fall.pdf", func() []byte { return pdf })
	legible(t, "the sheet of a fall", pdf, 2)
	scheme(t, page, "print", "light")
	if !browsertest.Eval[bool](page, `getComputedStyle(document.querySelector(".choose")).display === "none" && getComputedStyle(document.querySelector(".team")).display !== "none"`) {
		t.Error("what serves the screen prints, or the lines for the team do not")
	}
	quiet(t, page)
}

func TestARowHeldBackIsPutRightByHand(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+"/feeds?kind=vitals", 1440, 900)
	page.Wait("footer")
	page.Click(`table.held a`)
	page.Wait("#cell-position")
	browsertest.Eval[bool](page, `(document.querySelector("#cell-position").value = "lying") !== ""`)
	page.Click(`.form.wide button`)
	page.Wait(".done")
	if got := browsertest.Eval[string](page, `document.querySelector(".done").textContent`); !strings.Contains(got, "1 accepted") {
		t.Errorf("the page says %q", got)
	}
	quiet(t, page)
}
