package pagetest

import (
	"context"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/browsertest"
	"plumbline/internal/records"
	"plumbline/internal/web"
)

// examples are addresses of each page of the demo unit, by the pattern of its route: the
// tests of widths, of paper and of accessibility open them all.
var examples = map[string][]string{
	"/units/:unit": {
		"/units/4W", // the one list of full length: axe-core takes seconds over it
		"/units/4W?as_of=2026-11-01T12:00:00Z&tier=now&tier=this_shift", "/units/4W?tier=now&tier=this_shift&sort=bed",
		"/units/4W?names=off&tier=this_shift", "/units/7E",
	},
	"/":                           {"/"}, // where there is no unit
	"/hospital":                   {"/hospital", "/hospital?as_of=2026-11-01T12:00:00Z"},
	"/units/:unit/wall":           {"/units/4W/wall"},
	"/wall":                       {"/wall"}, // leads to the page that enrols a display
	"/wall/enrol":                 {"/wall/enrol"},
	"/wall/offline":               {"/wall/offline"},
	"/screens":                    {"/screens"},
	"/units/:unit/round":          {"/units/4W/round", "/units/4W/round?as_of=2026-11-01T12:00:00Z&nurse="},
	"/units/:unit/episodes":       {"/units/4W/episodes"},
	"/units/:unit/episodes/tally": {"/units/4W/episodes/tally"},
	"/units/:unit/over-time":      {"/units/4W/over-time", "/units/4W/over-time?with=intervals&slide=falls"},
	"/units/:unit/falls":          {"/units/4W/falls"},
	"/units/:unit/new-set":        {"/units/4W/new-set"},
	"/stays/:stay":                {"/stays/S108", "/stays/S103"},
	"/stays/:stay/history":        {"/stays/S108/history"},
	"/stays/:stay/new-set":        {"/stays/S108/new-set"},
	"/falls/:fall":                {demoFall},
	"/dose-review":                {"/dose-review?dropped=1"},
	"/dose-review/:stay":          {"/dose-review/S108"},
	"/suggestions":                {"/suggestions"},
	"/asked":                      {"/asked"},
	"/new-set-shell":              {"/new-set-shell"},
	"/new-set-beds-shell":         {"/new-set-beds-shell"},
	"/feeds":                      {"/feeds"},
	"/feeds/held/:row":            {"/feeds/held/1"},
	"/feeds/all-there":            {"/feeds/all-there"},
	"/rules":                      {"/rules"},
	"/sign-in":                    {"/sign-in"}, // where nobody is signed in
	"/sign-out":                   {"/sign-out"},
	"/account":                    {"/account"},
	"/accounts":                   {"/accounts"},
	"/accounts/:account":          {"/accounts/1"},
	"/tokens":                     {"/tokens"},
	"/audit":                      {"/audit"},
	"/policy":                     {"/policy"},
	"/codes":                      {"/codes"},
	"/policy/versions/:number":    {"/policy/versions/0"},
}

// Whoever adds a page gives an example of it, and no test of all pages leaves it out.
func TestEveryPageHasAnExample(t *testing.T) {
	pages := web.Pages()
	if len(pages) < 20 {
		t.Fatalf("only %d pages are known", len(pages))
	}
	for _, pattern := range pages {
		if len(examples[pattern]) == 0 {
			t.Errorf("the page %s has no example: add an address of the demo unit to examples", pattern)
		}
	}
	for pattern := range examples {
		if !slices.Contains(pages, pattern) {
			t.Errorf("there is no page %s any more: take its example out", pattern)
		}
	}
}

// noUnits are answers of a site of which no feed has named a unit yet.
type noUnits struct{ web.Answers }

func (noUnits) Units(context.Context) ([]string, error) { return nil, nil }

// everyExample calls open with the addresses of each page, and the site to open it at: of
// the sign-in, one where nobody is signed in; of dose reviews, the pharmacist's. first tells
// the first address of a page from its variants.
func everyExample(t *testing.T, open func(site, path string, first bool)) {
	t.Helper()
	in := start(t, deps(t))
	out, _ := signedOut(t, nil)
	d := deps(t)
	d.Answers = noUnits{d.Answers}
	bare := start(t, d)
	asked := seenBy(t, records.Prescriber)
	doses := pharmacist(t) // whose pages the account with every other permission may not see
	for _, pattern := range web.Pages() {
		for n, path := range examples[pattern] {
			switch {
			case pattern == "/":
				open(bare, path, n == 0)
			case pattern == "/sign-in":
				open(out, path, n == 0)
			case pattern == "/asked":
				open(asked, path, n == 0)
			case strings.HasPrefix(pattern, "/dose-review"), pattern == "/suggestions":
				open(doses, path, n == 0)
			default:
				open(in, path, n == 0)
			}
		}
	}
}

// Each page at every width, in a window that is made narrow afterwards (a phone that is
// turned), within its paper, and the first of its addresses printed, all of one visit.
func TestPagesAtEveryWidthAndInBothColours(t *testing.T) {
	browser := browsertest.Start(t)
	everyExample(t, func(site, path string, first bool) {
		t.Run(path, func(t *testing.T) {
			t.Parallel()
			page := browser.Open(t, "about:blank", 390, 900)
			everyWidth(t, page, site+path, fileName(path))
			staysWithin(t, page, path)
			noCodes(t, page, path)
			if first {
				prints(t, page, path)
			}
			quiet(t, page)
		})
	})
}

// staysWithin holds a page that was loaded on a phone and stands at the greatest width to
// be no wider than a window that is made narrow, nor than its paper.
func staysWithin(t *testing.T, page *browsertest.Page, path string) {
	t.Helper()
	fits := func(most int, where string) {
		t.Helper()
		page.Resize(most, 900)
		if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > most {
			t.Errorf("%s, %s: %d pixels wide of %d", path, where, got, most)
		}
	}
	fits(390, "made narrow")
	page.Resize(1440, 900)
	scheme(t, page, "print", "light")
	if browsertest.Eval[string](page, `getComputedStyle(document.body).page`) == "sheet" {
		fits(1054, "on A4 across")
	} else {
		fits(710, "on A4 upright")
	}
	scheme(t, page, "", "light")
	page.Resize(1440, 900)
}

// prints holds a page at the greatest width to come out on paper, without the ways to other pages.
func prints(t *testing.T, page *browsertest.Page, path string) {
	t.Helper()
	pdf := page.PDF()
	keep(t, fileName(path)+".pdf", func() []byte { return pdf })
	if !strings.HasPrefix(string(pdf), "%PDF-") || len(pdf) < 20_000 {
		t.Errorf("%s: the print is %d bytes", path, len(pdf))
	}
	scheme(t, page, "print", "light")
	page.Wait("footer")
	if browsertest.Eval[bool](page, `!!document.querySelector("nav")?.checkVisibility()`) {
		t.Errorf("%s: the navigation prints", path)
	}
	page.Resize(1055, 745) // the inside of an A4 page across
	keep(t, fileName(path)+"-print.png", page.Screenshot)
}
