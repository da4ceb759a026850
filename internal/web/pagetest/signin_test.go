package pagetest

import (
	"fmt"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/browsertest"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/account"
	"plumbline/internal/web/webtest"
)

// signedOut serves the pages to whoever comes, and moves the accounts' clock.
func signedOut(t *testing.T, change func(*web.Deps)) (site string, minutes *atomic.Int64) {
	t.Helper()
	d := deps(t)
	minutes = &atomic.Int64{}
	d.Accounts.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(minutes.Load()) * time.Minute) }
	if change != nil {
		change(&d)
	}
	s := httptest.NewServer(web.New(d))
	t.Cleanup(s.Close)
	return s.URL, minutes
}

func signIn(p *browsertest.Page, name string) {
	p.Wait("#password")
	p.Type("#name", name)
	p.Type("#password", webtest.Password)
	p.Press(kb.Enter)
	p.Wait(".who")
}

func TestSigningInAndOut(t *testing.T) {
	site, _ := signedOut(t, func(d *web.Deps) {
		d.Demo = []account.DemoAccount{{Role: records.Screen, Name: "wall", Password: "invented-password", Sees: "beds"}}
	})
	for _, width := range []int{1440, 390} {
		page := browsertest.Start(t).Open(t, site+"/stays/S108", width, 900)
		page.Wait("#password")
		judge(t, page, width, "sign-in", "light", "dark")
		page.Type("#name", "falls-nurse")
		page.Type("#password", "wrong wrong wrong")
		page.Follow(`button[type="submit"]`)
		page.Wait("#error")
		for _, v := range page.Axe() {
			t.Errorf("the sign-in that failed: %s", v)
		}
		if got := browsertest.Eval[string](page, `document.getElementById(document.querySelector("#password").getAttribute("aria-describedby")).textContent`); !strings.Contains(got, "not right") {
			t.Errorf("the field is described by %q", got)
		}
		browsertest.Eval[bool](page, `(document.querySelector("#name").value = "") === ""`)
		signIn(page, "falls-nurse")
		if got := browsertest.Eval[string](page, "location.pathname"); got != "/stays/S108" {
			t.Errorf("after sign-in the page is %s", got)
		}
		page.Follow(`.who a[href="/sign-out"]`)
		page.Follow(`form button`)
		page.Wait("#password")
		// The way back leads to no patient.
		browsertest.Eval[bool](page, `setTimeout(() => history.go(-2), 0) > 0`)
		page.Wait("#password")
		page.Until(`location.search.includes("next=") && document.readyState === "complete"`)
		if text := browsertest.Eval[string](page, "document.body.textContent"); strings.Contains(text, "S108") || strings.Contains(text, "Over time") {
			t.Error("after sign-out the way back shows the patient")
		}
	}
}

// The page leaves by itself when its session ends for want of use, and while somebody
// is at it the session goes on. The clocks of both are the test's: no step is too slow.
func TestIdlePagesLeave(t *testing.T) {
	const idle = 4 * time.Second // of which the script draws how often it looks
	var ahead atomic.Int64
	site, _ := signedOut(t, func(d *web.Deps) {
		d.Accounts.Idle = idle
		d.Accounts.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(ahead.Load()) * time.Second) }
	})
	page := browsertest.Start(t).Open(t, "about:blank", 1440, 900)
	page.Before(`Date.now = () => 1e12 + 1000 * (sessionStorage.ahead || 0)`)
	page.Navigate(site + "/stays/S108")
	signIn(page, "falls-nurse")
	forward := func(seconds int64) {
		now := ahead.Add(seconds)
		browsertest.Eval[int](page, fmt.Sprintf(`sessionStorage.ahead = %d`, now))
	}
	for n := range 3 { // one and a half times the limit
		forward(2)
		page.Press(kb.Tab)
		page.Until(fmt.Sprintf(`performance.getEntriesByName(location.origin + "/account").length > %d`, n))
	}
	if got := browsertest.Eval[string](page, "location.pathname"); got != "/stays/S108" {
		t.Fatalf("while somebody is at it the page goes to %s", got)
	}
	forward(7)
	page.Wait("#password")
	if text := browsertest.Eval[string](page, "document.body.textContent"); strings.Contains(text, "S108") {
		t.Error("the page that was left is still shown")
	}
	quiet(t, page)
}

func TestADisplayShowsBeds(t *testing.T) {
	site, _ := signedOut(t, nil)
	page := browsertest.Start(t).Open(t, site+"/", 1440, 900)
	signIn(page, "screen")
	if n := browsertest.Eval[int](page, `document.querySelectorAll(".w-beds > li").length`); n < 24 { // it lands on the wall
		t.Errorf("%d beds are on the wall", n)
	}
	page.Navigate(site + "/units/4W")
	page.Wait(".rank")
	for _, v := range page.Axe() {
		t.Errorf("the display: %s", v)
	}
	if n := browsertest.Eval[int](page, `document.querySelectorAll(".rank .bed").length`); n < 24 {
		t.Errorf("%d beds are shown", n)
	}
	if n := browsertest.Eval[int](page, `document.querySelectorAll('a[href^="/stays/"], .rank .name').length`); n > 0 {
		t.Errorf("%d names or ways to patients are shown", n)
	}
	quiet(t, page)
}
