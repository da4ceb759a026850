package pagetest

import (
	"testing"

	"plumbline/internal/browsertest"
)

// No page is wider than a phone or the paper, whether it is opened there or its window is
// made narrow afterwards (a phone that is turned); printed from any width.
func TestNoPageIsWiderThanItsScreenOrPaper(t *testing.T) {
	const wide = "document.documentElement.scrollWidth"
	browser := browsertest.Start(t)
	page := browser.Open(t, "about:blank", 390, 900)
	everyExample(t, 9, func(site, path string) {
		fits := func(most int, where string) {
			t.Helper()
			page.Resize(most, 900)
			if got := browsertest.Eval[int](page, wide); got > most {
				t.Errorf("%s, %s: %d pixels wide of %d", path, where, got, most)
			}
		}
		scheme(t, page, "", "light")
		page.Resize(390, 900)
		page.Navigate(site + path)
		page.Wait("footer")
		fits(390, "on a phone")
		fits(1440, "on a desk")
		fits(390, "made narrow")
		page.Resize(1440, 900)
		scheme(t, page, "print", "light")
		if browsertest.Eval[string](page, `getComputedStyle(document.body).page`) == "sheet" {
			fits(1054, "on A4 across")
		} else {
			fits(710, "on A4 upright")
		}
	})
	quiet(t, page)
}
