package pagetest

import (
	"strings"
	"testing"

	"plumbline/internal/browsertest"
)

// The way from the form over the preview to the version and back, without a mouse's
// precision, at the width of a phone and of a desk.
func TestChangingThePolicy(t *testing.T) {
	for _, width := range []int{1440, 390} {
		site := start(t, deps(t))
		page := browsertest.Start(t).Open(t, site+"/policy", width, 900)
		page.Wait("#k-recheck-fall_hours")
		look := func(name string) {
			t.Helper()
			judge(t, page, width, name, "light", "dark")
		}
		look("policy")
		set := func(id, value string) {
			t.Helper()
			browsertest.Eval[bool](page, `(document.querySelector("#`+id+`").value = "`+value+`") !== ""`)
		}
		set("k-recheck-positive_hours", "999")
		page.Follow(`form[action="/policy/preview"] button`)
		page.Wait("#wrong")
		look("policy-wrong")
		set("k-recheck-positive_hours", "60")
		set("k-recheck-positive_stable_hours", "72")
		set("k-recheck-due_within_hours", "1")
		page.Follow(`form[action="/policy/preview"] button`)
		page.Wait("#note")
		look("policy-preview")
		page.Type("#note", "agreed")
		page.Follow(`form[action="/policy"] button`)
		page.Wait(".bar:not([hidden])")
		if got := browsertest.Eval[string](page, `document.querySelector("#main").textContent`); !strings.Contains(got, "In force: version 1") {
			t.Error("the version is not said to be in force")
		}
		page.Navigate(site + "/policy/versions/0")
		page.Wait("#back")
		look("policy-version")
		for _, m := range page.Console() {
			if !strings.Contains(m, "status of 422") { // of the wrong form above
				t.Errorf("console: %s", m)
			}
		}
	}
}
