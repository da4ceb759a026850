package pagetest

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/web/webtest"
)

// typeIntoAll types into every field of text of every form of the page, and tells what
// stands in them: a password is none.
const typeIntoAll = `(() => {
	const fields = [...document.querySelectorAll('main form[method="post"] :is(input, textarea)')].filter(e => ["text", "textarea"].includes(e.type));
	fields.forEach((e, n) => { e.value = "typed " + n; });
	return fields.map(e => e.name + "=" + e.value).join("\n");
})()`

const tellAll = `[...document.querySelectorAll('main form[method="post"] :is(input, textarea)')].filter(e => ["text", "textarea"].includes(e.type))
	.map(e => e.name + "=" + e.value).join("\n")`

// The session ends while somebody types, on each page that has a form: the sign-in says why,
// goes on where one was, and what was typed stands there again. Whoever else signs in finds
// nothing of it.
func TestWhatWasTypedOutlivesTheSession(t *testing.T) {
	site, minutes := signedOut(t, nil)
	browser := browsertest.Start(t)
	for _, c := range []struct{ path, account string }{
		{"/stays/S101", "falls-nurse"},
		{"/units/4W", "falls-nurse"},
		{"/dose-review/S103", "pharmacist"},
		{"/accounts", "administrator"},
		{"/tokens", "administrator"},
		{"/policy", "administrator"},
	} {
		minutes.Add(16) // the session of the page before
		page := browser.Open(t, site+c.path, 1440, 900)
		signIn(page, c.account)
		page.Wait("main form")
		typed := browsertest.Eval[string](page, typeIntoAll)
		if typed == "" {
			t.Fatalf("%s has no form", c.path)
		}
		minutes.Add(16)
		browsertest.Eval[bool](page, `(() => { const f = document.querySelector('main form[method="post"]'); f.noValidate = true; setTimeout(() => f.requestSubmit(), 0); return true; })()`)
		page.Wait("#password")
		if got := page.Text("#typed-kept"); !strings.Contains(got, "What you typed is kept in this window") {
			t.Errorf("%s: the sign-in says %q", c.path, got)
		}
		signIn(page, c.account)
		if got := browsertest.Eval[string](page, "location.pathname"); got != c.path {
			t.Errorf("%s: signing in goes on at %s", c.path, got)
		}
		if got := browsertest.Eval[string](page, tellAll); got != typed {
			t.Errorf("%s: what was typed\n%s\nis\n%s", c.path, typed, got)
		}
		if got := page.Text("#typed-back"); !strings.Contains(got, "is here again") {
			t.Errorf("%s says %q", c.path, got)
		}
		if c.path == "/stays/S101" {
			keep(t, "typed-back.png", page.Screenshot)
		}
	}
	quiet(t, browser.Open(t, site+"/sign-in", 390, 844))
}

func TestWhatWasTypedIsNobodyElses(t *testing.T) {
	site, minutes := signedOut(t, nil)
	page := browsertest.Start(t).Open(t, site+"/stays/S101", 1440, 900)
	signIn(page, "falls-nurse")
	page.Wait("main form")
	typed := browsertest.Eval[string](page, typeIntoAll)
	minutes.Add(16)
	browsertest.Eval[bool](page, `setTimeout(() => document.querySelector('main form[method="post"]').requestSubmit(), 0) > 0`)
	signIn(page, "bedside-nurse")
	if got := browsertest.Eval[string](page, tellAll); got == typed || strings.Contains(got, "typed") {
		t.Errorf("somebody else finds %s", got)
	}
	if kept := browsertest.Eval[string](page, `JSON.stringify(sessionStorage)`); strings.Contains(kept, "typed 0") {
		t.Errorf("it is still kept: %s", kept)
	}
	// Passwords are not kept at all.
	page.Navigate(site + "/account")
	page.Wait("main form")
	browsertest.Eval[bool](page, `[...document.querySelectorAll('input[type="password"]')].every(e => e.value = "secret secret")`)
	minutes.Add(16)
	browsertest.Eval[bool](page, `setTimeout(() => document.querySelector('main form[method="post"]').requestSubmit(), 0) > 0`)
	page.Wait("#password")
	if kept := browsertest.Eval[string](page, `JSON.stringify(sessionStorage) + JSON.stringify(localStorage)`); strings.Contains(kept, "secret") {
		t.Errorf("a password is kept: %s", kept)
	}
	page.Type("#name", "bedside-nurse")
	page.Type("#password", webtest.Password)
	page.Press(kb.Enter)
	page.Wait(".who")
}
