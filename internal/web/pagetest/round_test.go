package pagetest

import (
	"strings"
	"testing"

	"plumbline/internal/browsertest"
)

// Issue: beds by range in one form; the round of each nurse prints on one side of A4; done sets
// are crossed off.
func TestTheRoundOfANurse(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+"/units/4W/round", 1440, 900)
	give := func(from, to, nurse string) {
		page.Click("#give > summary")
		page.Type("#g-from", from)
		page.Type("#g-to", to)
		page.Type("#g-nurse", nurse)
		page.Follow(".beds button")
		page.Wait(".walk")
	}
	give("1A", "6B", "Ann Wu")
	give("7A", "12B", "Bo")
	give("13", "17", "Cy")
	names := browsertest.Eval[[]string](page, `[...document.querySelectorAll(".walk h2 .name")].map(e => e.textContent)`)
	if strings.Join(names, ",") != "Ann Wu,Bo,Cy" {
		t.Fatalf("rounds of %q", names)
	}
	struck := browsertest.Eval[string](page, `getComputedStyle(document.querySelector(".taken .pat")).textDecorationLine`)
	if struck != "line-through" {
		t.Errorf("a set that was taken is not crossed off: %s", struck)
	}
	legible(t, "the rounds of three nurses", page.PDF(), 3)
	keep(t, "round-three.pdf", page.PDF)
	keep(t, "round-three.png", page.Screenshot)
	page.Follow(`.ask li:nth-child(2) a`)
	page.Wait(".walk")
	legible(t, "the round of one nurse", page.PDF(), 1)
	quiet(t, page)
	// Wrong beds are said, with what was typed, and nothing is broken for a reader of screens.
	page.Resize(390, 844)
	give("90", "91", "Dee")
	if page.Text("#give-wrong") == "" || browsertest.Eval[string](page, `document.getElementById("g-nurse").value`) != "Dee" {
		t.Error("wrong beds are not said, or what was typed is lost")
	}
	for _, v := range page.AxeAll(&looks) {
		t.Error(v)
	}
	keep(t, "round-wrong.png", page.Screenshot)
}
