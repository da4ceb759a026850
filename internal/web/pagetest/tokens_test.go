package pagetest

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"plumbline/internal/browsertest"
)

// The administrator makes a token by the form, sees it once, and revokes it.
func TestTokensOnThePage(t *testing.T) {
	site, _ := signedOut(t, nil)
	for _, width := range []int{1440, 390} {
		page := browsertest.Start(t).Open(t, site+"/tokens", width, 900)
		if width == 1440 {
			signIn(page, "administrator")
		} else {
			signIn(page, "everything")
		}
		page.Wait("#days")
		name := fmt.Sprint("bed board at ", width)
		page.Type("#name", name)
		page.Type("#units", "4W")
		browsertest.Eval[bool](page, `(document.getElementById("scope-list:read").click(), true)`)
		page.Follow(`form[action="/tokens"] button`)
		page.Wait(".secret")
		secret := browsertest.Eval[string](page, `document.querySelector(".secret code").textContent`)
		if !regexp.MustCompile(`^plb_[A-Z2-7]{58}$`).MatchString(secret) {
			t.Errorf("the page shows %q", secret)
		}
		if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > width {
			t.Errorf("%d: the page with the token scrolls sideways: %d pixels wide", width, got)
		}
		for _, v := range page.Axe() {
			t.Errorf("%d: %s", width, v)
		}
		keep(t, "token-made.png", page.Screenshot)
		page.Follow(`table form button`)
		page.Wait(".bar:not([hidden])")
		if text := browsertest.Eval[string](page, "document.body.textContent"); strings.Contains(text, secret) || !strings.Contains(text, name+" is revoked") {
			t.Error("the token is shown again, or the page does not say that it is revoked")
		}
		quiet(t, page)
	}
}
