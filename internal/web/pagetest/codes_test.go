package pagetest

import (
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// code is what a code of a rule looks like.
var code = regexp.MustCompile(`\b[A-Z]-[A-Z]{3,}(-[A-Z]+)*\b`)

// codesIn are the codes of rules that can be read on a page, with every row opened.
func codesIn(page *browsertest.Page) []string {
	browsertest.Eval[bool](page, `[...document.querySelectorAll("main details")].every(d => d.open = true)`)
	return code.FindAllString(browsertest.Eval[string](page, `document.querySelector("main").innerText`), -1)
}

// Issue: codes of rules stand in no running text. A key and a button show them, and the
// account keeps whether they stand there for good, without a script and on paper too.
func TestCodesOfRulesAppearOnDemand(t *testing.T) {
	h := web.New(deps(t))
	site := httptest.NewServer(webtest.As(h, "falls-nurse"))
	t.Cleanup(site.Close)
	browser := browsertest.Start(t)
	page := browser.Open(t, site.URL+"/units/4W", 1440, 900)
	page.Wait("footer")
	if found := codesIn(page); len(found) > 0 {
		t.Errorf("%d codes are read on the list: %s", len(found), found)
	}
	words := func() int {
		return browsertest.Eval[int](page, `document.querySelector("main").innerText.split(/\s+/).length`)
	}
	without := words()
	page.Press(kb.F2)
	page.Until(`document.querySelector("#show-codes").getAttribute("aria-pressed") === "true"`)
	with := codesIn(page)
	if len(with) < 50 || words() < without+50 {
		t.Errorf("F2 shows %d codes; %d words with them, %d without", len(with), words(), without)
	}
	page.Click("#show-codes")
	if found := codesIn(page); len(found) > 0 {
		t.Errorf("the button leaves %d codes", len(found))
	}
	quiet(t, page)

	keep := func(codes string) {
		t.Helper()
		page.Navigate(site.URL + "/account")
		page.Wait("footer")
		if browsertest.Eval[bool](page, `document.querySelector("#show").checked`) != (codes == "on") {
			page.Click("#show")
		}
		page.Follow(`form[action="/account/codes"] button`)
		page.Wait(`p[role="status"]:not([id])`)
		page.Navigate(site.URL + "/units/4W")
		page.Wait("footer")
	}
	keep("on")
	if found := codesIn(page); len(found) != len(with) {
		t.Errorf("the setting shows %d codes, the key %d", len(found), len(with))
	}
	page.Navigate(site.URL + "/stays/S108")
	page.Wait("footer")
	scheme(t, page, "print", "light")
	if len(codesIn(page)) < 10 {
		t.Error("paper leaves codes out that the account shows")
	}
	scheme(t, page, "", "light")
	keep("")
	if found := codesIn(page); len(found) > 0 {
		t.Errorf("%d codes are read after the setting was taken back", len(found))
	}
	quiet(t, page)
}

// noCodes holds a page to running text without codes of rules. The pages of rules and of
// the policy tell the codes themselves.
func noCodes(t *testing.T, page *browsertest.Page, path string) {
	t.Helper()
	u, err := url.Parse(path)
	if err != nil {
		t.Fatal(err)
	}
	if u.Path == "/rules" || strings.HasPrefix(u.Path, "/policy") {
		return
	}
	if found := codesIn(page); len(found) > 0 {
		t.Errorf("%s: codes of rules in running text: %s", path, found)
	}
}
