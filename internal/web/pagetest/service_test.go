package pagetest

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"plumbline/internal/browsertest"
	"plumbline/internal/idp"
	"plumbline/internal/idp/idptest"
	"plumbline/internal/web"
)

// A browser keeps the cookie of a begun sign-in while it is on another site, brings it
// back, and no policy of the pages stands in the way.
func TestSigningInAtTheServiceInABrowser(t *testing.T) {
	d := deps(t)
	d.Clock, d.Accounts.Clock = time.Now, time.Now
	var handler http.Handler
	site := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { handler.ServeHTTP(w, r) }))
	t.Cleanup(site.Close)
	p, err := idptest.StartAt("localhost:0", site.URL+idp.BackPath)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	p.Add(idptest.User{Subject: "s-ann", Name: "ann", Groups: []string{"falls"}})
	settings, err := idp.ReadSettings(map[string]string{
		"oidc-issuer": p.URL, "oidc-client-id": idptest.ClientID, "oidc-client-secret": idptest.ClientSecret,
		"oidc-groups-claim": "groups", "oidc-name-claim": "preferred_username", "oidc-map": "falls = falls-nurse @ 4W",
	}, site.URL)
	if err != nil {
		t.Fatal(err)
	}
	d.SignInService = idp.New(settings, time.Now, nil)
	t.Cleanup(d.SignInService.Close)
	handler = web.New(d)

	page := browsertest.Start(t).Open(t, site.URL+"/rules", 390, 900)
	look := func(what string) {
		t.Helper()
		page.Wait("#password")
		judge(t, page, 390, "service-"+what, "light", "dark")
	}
	look("away")
	d.SignInService.Look(t.Context())
	page.Follow(`header a[href="/"]`)
	look("ready")
	page.Follow(`a.button`)
	page.Wait(`button[value="s-ann"]`)
	if got := browsertest.Eval[string](page, "location.hostname"); got != "localhost" {
		t.Fatalf("the browser is at %s", got)
	}
	page.Follow(`button[value="s-ann"]`)
	page.Wait(".who")
	if got := browsertest.Eval[string](page, `document.querySelector(".who a").textContent`); got != "ann" {
		t.Errorf("signed in as %q", got)
	}
	quiet(t, page)
	page.Follow(`.who a[href="/sign-out"]`)
	page.Follow(`form button`)
	look("left")
}
