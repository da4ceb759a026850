package browsertest_test

import (
	"bytes"
	"fmt"
	"image/png"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
)

const policy = "default-src 'self'"

const goodPage = `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Good</title>
<meta name="viewport" content="width=device-width, initial-scale=1"><script src="/app.js" defer></script></head>
<body><main><h1>Falls</h1><label>Bed <input id="bed" name="bed"></label>
<button id="show">Show</button> <a id="next" href="/next">Next</a><p id="out" hidden></p></main></body></html>`

const badPage = `<!DOCTYPE html><html><head><title>Bad</title></head>
<body><p style="color: red">inline style</p><script>alert(1)</script><img src="/none.png">
<script src="https://charts.example/charts.js"></script><script src="/throws.js"></script></body></html>`

const rows = `<!DOCTYPE html><html lang="en"><head><title>Rows</title><link rel="stylesheet" href="/pale.css"></head>
<body><h1>Rows</h1><p><b>pale</b> <b>pale</b> <b>pale</b></p><p><b>pale</b> <b>pale</b></p><ul>` + row + row + row +
	`<li class="due"><span><i>9</i> <em>bed</em> <img src="/dot.svg"></span> <q>due</q></li></ul></body></html>`

const row = `<li><span><i>1</i> <em>bed</em> <img src="/dot.svg"></span> <q>not due</q></li>`

func TestChromium(t *testing.T) {
	site := httptest.NewServer(pages())
	defer site.Close()
	browser := browsertest.Start(t)

	t.Run("a good page", func(t *testing.T) {
		page := browser.Open(t, site.URL+"/good", 1280, 800)
		page.Wait("h1")
		page.Type("#bed", "12")
		page.Press(kb.Tab)
		page.Press(kb.Enter) // the focus is on the button now
		page.Until(`!document.querySelector("#out").hidden`)
		if got := page.Text("#out"); got != "Bed 12" {
			t.Errorf("text = %q, want %q", got, "Bed 12")
		}
		empty(t, "axe violations", page.Axe())
		empty(t, "console", page.Console())
		empty(t, "policy violations", page.Violations())
		if pdf := page.PDF(); !bytes.HasPrefix(pdf, []byte("%PDF-")) {
			t.Errorf("the print starts with %q, want a PDF", pdf[:min(len(pdf), 8)])
		}
		page.Follow("#next")
		if got := page.Text("h1"); got != "Next" {
			t.Errorf("heading after the link = %q, want %q", got, "Next")
		}
	})

	t.Run("a bad page", func(t *testing.T) {
		page := browser.Open(t, site.URL+"/bad", 1280, 800)
		if got := page.Violations(); len(got) != 3 { // style, script, foreign script
			t.Errorf("policy violations = %q, want 3", got)
		}
		console := strings.Join(page.Console(), "\n")
		for _, want := range []string{"exception: Uncaught Error: no bed", "404 (Not Found) at " + site.URL + "/none.png"} {
			if !strings.Contains(console, want) {
				t.Errorf("console does not contain %q:\n%s", want, console)
			}
		}
		found := fmt.Sprint(page.Axe())
		for _, rule := range []string{"html-has-lang", "image-alt"} {
			if !strings.Contains(found, rule) {
				t.Errorf("axe did not find %s: %s", rule, found)
			}
		}
	})

	t.Run("colours by their looks, rows by their kinds", func(t *testing.T) {
		var known browsertest.Looks
		page := browser.Open(t, site.URL+"/rows", 1280, 800)
		if got := page.AxeColours(&known); len(got) != 1 || got[0].Rule != "color-contrast" || len(got[0].Where) != 3 {
			t.Errorf("of five pale texts that look alike axe found %v, want three of them", got)
		}
		// What was right is not asked for again.
		browsertest.Eval[bool](page, `document.querySelectorAll("b").forEach(e => e.remove()) === undefined`)
		empty(t, "colours", page.AxeColours(&known))
		browsertest.Eval[bool](page, `(axe.run = () => { throw new Error("asked again") }) !== null`)
		empty(t, "colours", page.AxeColours(&known))

		// The check of a whole page judges the looks on it, but for those with something wrong.
		var ofWhole browsertest.Looks
		page.Navigate(site.URL + "/rows")
		if all := page.AxeAll(&ofWhole); fmt.Sprint(all) != fmt.Sprint(page.Axe()) {
			t.Errorf("the whole page is judged as %v", all)
		}
		if got := page.AxeColours(&ofWhole); len(got) != 1 || len(got[0].Where) != 3 {
			t.Errorf("after the whole page axe found %v, want the pale texts again", got)
		}
		browsertest.Eval[bool](page, `document.querySelectorAll("b").forEach(e => e.remove()) === undefined`)
		browsertest.Eval[bool](page, `(axe.run = () => { throw new Error("asked again") }) !== null`)
		empty(t, "colours", page.AxeColours(&ofWhole))

		page.Navigate(site.URL + "/rows")
		found := page.AxeTemplates()
		if len(found) != 1 || found[0].Rule != "image-alt" || len(found[0].Where) != 2 {
			t.Errorf("of rows of two kinds with an image each axe found %v, want the first of each", found)
		}
		if found := page.Axe(); len(found) != 2 || len(found[1].Where)+len(found[0].Where) != 5+4 {
			t.Errorf("of the whole page axe found %v, want five pale texts and four images", found)
		}
	})

	t.Run("nothing from outside", func(t *testing.T) {
		page := browser.Open(t, site.URL+"/next", 1280, 800)
		if answer := browsertest.Eval[string](page, `fetch("http://charts.example/").then(() => "answered", () => "failed")`); answer != "failed" {
			t.Errorf("a request to another host %s, want it failed", answer)
		}
	})

	t.Run("sizes and zones", func(t *testing.T) {
		for _, width := range []int{390, 1280} {
			page := browser.Open(t, site.URL+"/good", width, 800)
			picture, err := png.Decode(bytes.NewReader(page.Screenshot()))
			if err != nil {
				t.Fatal(err)
			}
			if got := picture.Bounds().Dx(); got != width {
				t.Errorf("the picture is %d pixels wide, want %d", got, width)
			}
		}
		page := browser.Open(t, "about:blank", 1280, 800)
		page.Zone("Asia/Kathmandu")
		if got := browsertest.Eval[int](page, "new Date(0).getTimezoneOffset()"); got != -330 {
			t.Errorf("offset in Kathmandu in 1970 = %d minutes, want -330", got)
		}
	})

	t.Run("a guest has no cookies", func(t *testing.T) {
		page := browser.Open(t, site.URL+"/good", 1280, 800)
		browsertest.Eval[string](page, `document.cookie = "session=1"`)
		const cookies = "document.cookie"
		if got := browsertest.Eval[string](browser.Open(t, site.URL+"/good", 1280, 800), cookies); got != "session=1" {
			t.Errorf("cookies in another tab = %q, want those of the first", got)
		}
		if got := browsertest.Eval[string](browser.Guest(t).Open(t, site.URL+"/good", 1280, 800), cookies); got != "" {
			t.Errorf("cookies of a guest = %q, want none", got)
		}
	})
}

func pages() http.Handler {
	mux := http.NewServeMux()
	serve := func(path, kind, body string) {
		mux.HandleFunc("GET "+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			w.Header().Set("Content-Security-Policy", policy)
			fmt.Fprint(w, body)
		})
	}
	serve("/good", "text/html", goodPage)
	serve("/bad", "text/html", badPage)
	serve("/next", "text/html", `<!DOCTYPE html><html lang="en"><title>Next</title><h1>Next</h1></html>`)
	serve("/favicon.ico", "image/x-icon", "") // Chromium asks every site for it
	serve("/rows", "text/html", rows)
	serve("/pale.css", "text/css", "b { color: #ccc }")
	serve("/dot.svg", "image/svg+xml", `<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>`)
	serve("/app.js", "text/javascript", `document.querySelector("#show").addEventListener("click", () => {
		const out = document.querySelector("#out")
		out.textContent = "Bed " + document.querySelector("#bed").value
		setTimeout(() => { out.hidden = false }, 50)
	})`)
	serve("/throws.js", "text/javascript", `throw new Error("no bed")`)
	return mux
}

func empty[T any](t *testing.T, what string, found []T) {
	t.Helper()
	for _, one := range found {
		t.Errorf("%s: %v", what, one)
	}
}

func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }
