package pagetest

import (
	"os"
	"testing"

	"plumbline/internal/browsertest"
)

func TestZZShots(t *testing.T) {
	if os.Getenv("PLUMBLINE_SHOTS") == "" {
		t.Skip()
	}
	year := start(t, yearOf(t))
	browser := browsertest.Start(t)
	page := browser.Open(t, year+"/units/4W/over-time", 1440, 900)
	page.Wait("#panel-falls canvas")
	keep(t, "z-year.png", page.Screenshot)
	keep(t, "z-year.pdf", page.PDF)
	page.Resize(390, 900)
	keep(t, "z-year-390.png", page.Screenshot)
	page.Resize(768, 900)
	keep(t, "z-year-768.png", page.Screenshot)
	page.Resize(1440, 900)
	page.Navigate(year + "/units/4W/over-time?by=week")
	page.Wait("#panel-falls canvas")
	keep(t, "z-week.png", page.Screenshot)
	keep(t, "z-week.pdf", page.PDF)
	quiet(t, page)
}
