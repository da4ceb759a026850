package frame

import (
	"net/http"
	"testing"
)

// A page that is registered as something else would be left out by the tests of all pages: it is refused.
func TestAPageIsShownByARouteOfAPage(t *testing.T) {
	page, _ := Show(http.StatusOK, "rules", nil)
	file, _ := Plain(http.StatusOK, "ok")
	for _, c := range []struct {
		route Route
		page  Page
		fits  bool
	}{
		{Get("/x", SignedIn, nil), page, true}, {Post("/x", SignedIn, nil), page, true}, {GetOther("/x", SignedIn, nil), file, true},
		{GetOther("/x", SignedIn, nil), page, false},
	} {
		if err := c.route.fits(c.page); (err == nil) != c.fits {
			t.Errorf("%v of a page %v: %v", c.route.methods, c.route.page, err)
		}
	}
}
