package pagetest

import (
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// pictured is a page as one of the people who use it sees it.
type pictured struct{ as, path string }

// general are the pages that belong to no patient.
var general = []pictured{
	{"unit-manager", "/units/4W"},
	{"screen", "/units/4W"},
	{"falls-nurse", "/units/4W/episodes"},
	{"falls-nurse", "/units/4W/episodes/tally"},
	{"falls-nurse", "/units/4W/over-time"},
	{"pharmacist", "/dose-review"},
	{webtest.Everything, "/feeds"},
	{"falls-nurse", "/units/4W/falls"},
	{"bedside-nurse", "/units/4W/new-set"},
	{"falls-nurse", "/rules"},
	{"falls-nurse", "/account"},
	{"administrator", "/accounts"},
	{"administrator", "/tokens"},
	{"administrator", "/policy"},
	{"administrator", "/audit"},
	{"falls-nurse", "/sign-out"},
}

// ofStory are the pages of one patient.
func ofStory(s demo.Story) []pictured {
	if s.Unit != "4W" {
		return []pictured{{webtest.Everything, "/stays/" + s.StayID}}
	}
	return []pictured{
		{"falls-nurse", "/stays/" + s.StayID},
		{"falls-nurse", "/stays/" + s.StayID + "/history"},
		{"pharmacist", "/dose-review/" + s.StayID},
		{"bedside-nurse", "/stays/" + s.StayID + "/new-set"},
	}
}

// sites serves the demo unit to each of its people.
func sites(t *testing.T, pages []pictured) map[string]string {
	t.Helper()
	h := web.New(deps(t))
	at := map[string]string{}
	for _, p := range pages {
		if at[p.as] == "" {
			site := httptest.NewServer(webtest.As(h, p.as))
			t.Cleanup(site.Close)
			at[p.as] = site.URL
		}
	}
	return at
}

func everyPage() []pictured {
	pages := append([]pictured{}, general...)
	for _, s := range demo.Stories() {
		pages = append(pages, ofStory(s)...)
	}
	return pages
}

// Each story of the demo unit is opened once on each of its pages: nothing on the
// console, nothing that scrolls sideways, and no word missing from the catalogue.
func TestEveryStoryOnItsPages(t *testing.T) {
	pages := everyPage()
	at := sites(t, pages)
	browser := browsertest.Start(t)
	of := map[string][]string{} // account -> its pages
	for _, p := range pages {
		of[p.as] = append(of[p.as], p.path)
	}
	for as, paths := range of {
		t.Run(as, func(t *testing.T) {
			t.Parallel()
			page := browser.Open(t, "about:blank", 1440, 900)
			for _, path := range paths {
				page.Navigate(at[as] + path)
				page.Wait("footer")
				if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > 1440 {
					t.Errorf("%s: scrolls sideways: %d pixels wide", path, got)
				}
				if h := page.Text("h1"); h == "" || strings.Contains(h, "Not found") {
					t.Errorf("%s is headed %q", path, h)
				}
			}
			quiet(t, page)
		})
	}
}

// TestPictures is `make pictures`: every page at every width, in both colours and
// on paper, written to the folder that PLUMBLINE_PICTURES names, to be looked at;
// PLUMBLINE_PICTURES_ONLY holds it to the pages whose address has these words.
func TestPictures(t *testing.T) {
	folder := os.Getenv("PLUMBLINE_PICTURES")
	if folder == "" {
		t.Skip("writes pictures where PLUMBLINE_PICTURES names a folder: make pictures")
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	pages := everyPage()
	at := sites(t, pages)
	page := browsertest.Start(t).Open(t, "about:blank", 1440, 900)
	write := func(name string, body []byte) {
		if err := os.WriteFile(filepath.Join(folder, name), body, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, p := range pages {
		if !strings.Contains(p.path, os.Getenv("PLUMBLINE_PICTURES_ONLY")) {
			continue
		}
		name := p.as + strings.NewReplacer("/", "_", "?", "_", ":", "", "=", "_").Replace(p.path)
		for _, width := range []int{1440, 768, 390} {
			page.Resize(width, 900)
			for _, colours := range []string{"light", "dark"} {
				scheme(t, page, "", colours)
				page.Navigate(at[p.as] + p.path)
				page.Wait("footer")
				write(fmt.Sprintf("%s-%d-%s.png", name, width, colours), page.Screenshot())
			}
		}
		scheme(t, page, "", "light")
		page.Resize(1440, 900)
		page.Navigate(at[p.as] + p.path)
		page.Wait("footer")
		write(name+".pdf", page.PDF())
	}
}
