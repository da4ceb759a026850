package pagetest

import (
	"net/http/httptest"
	"testing"

	"plumbline/internal/browsertest"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// That a unit is in commissioning is seen on the screen, on the wall and on paper, and what is seen
// can be read by everybody.
func TestCommissioningIsSeenOnScreenWallAndPaper(t *testing.T) {
	d := deps(t)
	if err := d.Checks.Say(t.Context(), "7E", false, "root"); err != nil {
		t.Fatal(err)
	}
	if err := d.Checks.Say(t.Context(), "4W", false, "root"); err != nil {
		t.Fatal(err)
	}
	wall := httptest.NewServer(webtest.As(web.New(d), string(records.Screen)))
	t.Cleanup(wall.Close)
	page := browsertest.Start(t).Open(t, "about:blank", 390, 900)
	for _, address := range []string{start(t, d) + "/units/7E", wall.URL + "/units/4W"} {
		page.Navigate(address)
		for _, media := range []string{"", "print"} {
			scheme(t, page, media, "light")
			page.Until(`document.querySelectorAll(".unchecked").length === 1 && document.querySelector(".unchecked").offsetHeight > 8`)
		}
	}
	scheme(t, page, "", "light")
	for _, v := range page.AxeTemplates() {
		t.Errorf("accessibility: %+v", v)
	}
}
