package pagetest

import (
	"strings"
	"testing"

	"plumbline/internal/browsertest"
)

// swell makes each list of a page that grows with a stay or a unit eight times as long.
const swell = `(() => {
	for (const list of document.querySelectorAll("[class*=upto]")) {
		const items = [...list.children].filter(e => !e.matches(".left"));
		for (let n = 0; n < 7; n++) for (const item of items) list.append(item.cloneNode(true));
	}
	return true;
})()`

// Issue: the patient on two sheets however long the stay, no letter under 7 points. What is
// left off is said with its count.
func TestALongStayPrintsOnTwoSheets(t *testing.T) {
	site := start(t, deps(t))
	browser := browsertest.Start(t)
	page := browser.Open(t, site+demoFall, 1440, 900)
	page.Wait("footer")
	browsertest.Eval[bool](page, swell)
	pdf := page.PDF()
	keep(t, "fall-long.pdf", func() []byte { return pdf })
	legible(t, "the sheet of a fall in a long stay", pdf, 2)
	for _, stay := range []string{"S103", "S108"} {
		page := browser.Open(t, site+"/stays/"+stay, 1440, 900)
		page.Wait("#panel-pressure canvas")
		if stay == "S108" { // seven sets, of which six print
			if says := browsertest.Eval[string](page, `document.querySelector(".panel.printonly tbody tr:last-child").textContent`); !strings.Contains(says, "1 more") {
				t.Errorf("what is left off is told as %q", says)
			}
		}
		browsertest.Eval[bool](page, swell)
		pdf = page.PDF()
		keep(t, stay+"-long.pdf", func() []byte { return pdf })
		legible(t, stay+" in a long stay", pdf, 2)
	}
}
