package pagetest

import (
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// Names, drugs and identities of 3,000 characters, partly from right to left, make no page
// wider than the screen or the paper, and leave the order of what stands beside them.
func TestTextsOfAnyLengthStayOnThePage(t *testing.T) {
	z, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	d, board := webtest.Demo(t, z)
	_, fall := board.PutHostile(t)
	if _, err := d.Episodes.StepAll(t.Context(), demo.AnchorTime()); err != nil {
		t.Fatal(err)
	}
	doses := httptest.NewServer(webtest.As(web.New(d), string(records.Pharmacist)))
	t.Cleanup(doses.Close)
	site := start(t, d)
	unit := url.PathEscape(webtest.HostileUnit)
	page := browsertest.Start(t).Open(t, "about:blank", 390, 900)
	for _, path := range []string{
		"/units/4W", "/units/" + unit, "/stays/S108", "/stays/S108/history", "/stays/S108/new-set", "/units/4W/episodes",
		"/units/4W/falls", "/falls/" + url.PathEscape(fall), "/units/4W/new-set", "/dose-review", "/dose-review/S108",
		"/feeds",
	} {
		at := site
		if strings.HasPrefix(path, "/dose-review") {
			at = doses.URL
		}
		page.Resize(390, 900)
		scheme(t, page, "", "light")
		page.Navigate(at + path)
		page.Wait("footer")
		width := func(most int, where string) {
			t.Helper()
			if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > most {
				t.Errorf("%s is %d px wide %s of %d", path, got, where, most)
			}
		}
		width(390, "on a screen")
		if strings.HasPrefix(path, "/units/") { // a list stays a list: such a word takes a few lines of it
			tall := browsertest.Eval[[]int](page, `[...document.querySelectorAll(".endless")].map(e => e.offsetHeight)`)
			if len(tall) == 0 || slices.Max(tall) > 130 {
				t.Errorf("%s has words without an end of %v px", path, tall)
			}
		}
		page.Resize(1055, 745) // the inside of an A4 page across
		scheme(t, page, "print", "light")
		width(1055, "on paper")
		if path == "/stays/S108" {
			// The characters of "P7" stand before the name's, and those of the age behind it.
			if !browsertest.Eval[bool](page, `[...document.querySelectorAll("bdi")].every(b => getComputedStyle(b).unicodeBidi == "isolate")`) {
				t.Error("a text from right to left is not isolated")
			}
		}
	}
}
