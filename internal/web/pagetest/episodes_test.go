package pagetest

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/browsertest"
	"plumbline/internal/episodes"
)

// What is owed is taken, put off and closed with the buttons of the page alone.
func TestEpisodesAreActedOnInABrowser(t *testing.T) {
	d := deps(t)
	list, err := d.Episodes.Unit(t.Context(), "4W")
	if err != nil {
		t.Fatal(err)
	}
	e := list[len(list)-1]
	page := browsertest.Start(t).Open(t, start(t, d)+"/units/4W/episodes", 390, 844)
	page.Wait("footer")
	article := "#e-" + e.ID
	says := func(want string) {
		t.Helper()
		page.Wait(article)
		if got := browsertest.Eval[string](page, `document.querySelector("`+article+`").textContent`); !strings.Contains(got, want) {
			t.Fatalf("it does not say %q: %s", want, got)
		}
	}
	form := func(verb string) string { return fmt.Sprintf(`%s form[action$="/%s"] button`, article, verb) }
	says("Nobody's; owed")
	page.Follow(form("take"))
	says("Taken by everything")
	page.Follow(form("release"))
	says("Nobody's; owed")

	page.Click("#d-" + e.ID + " summary")
	browsertest.Eval[bool](page, fmt.Sprintf(`(document.querySelector("#why-%s").value = "asleep") !== ""`, e.ID))
	page.Follow(form("defer"))
	says("Put off by everything until")

	page.Click("#c-" + e.ID + " summary")
	quiet(t, page) // of the answer below, 422, the browser says so
	browsertest.Eval[bool](page, fmt.Sprintf(`(document.querySelector("#reason-%s").value = %q) !== ""`, e.ID, episodes.OtherReason))
	page.Follow(form("close"))
	page.Wait("[role=alert]")
	if got := page.Text("[role=alert]"); !strings.Contains(got, "needs a note") {
		t.Errorf("the alert says %q", got)
	}
	for _, v := range page.Axe() {
		t.Error(v)
	}
	for _, m := range page.Violations() {
		t.Error(m)
	}
	browsertest.Eval[bool](page, fmt.Sprintf(`(document.querySelector("#note-%s").value = "spoken with the ward") !== ""`, e.ID))
	page.Follow(form("close"))
	says("another reason (spoken with the ward)")
	if got := browsertest.Eval[string](page, `document.querySelector("`+article+`").tagName`); got != "TR" {
		t.Errorf("it stands in a %s, not among what has ended", got)
	}
}
