package pagetest

import (
	"strings"
	"testing"
	"unicode/utf8"

	"plumbline/internal/browsertest"
	"plumbline/internal/web/parts"
)

// Issue: one tap copies a patient's or a nurse's state as plain text of no more than 600
// characters a patient. "mine" chooses the nurse's; the button copies what is shown.
func TestAHandoverIsCopiedInOneTap(t *testing.T) {
	page := browsertest.Start(t).Open(t, start(t, deps(t))+"/units/4W", 1440, 900)
	page.Wait("footer")
	for _, text := range browsertest.Eval[[]string](page, `[...document.querySelectorAll(".handover")].map(t => t.value)`) {
		if n := utf8.RuneCountInString(text); n > parts.MaxHandover || n < 60 {
			t.Errorf("%d characters: %q", n, text)
		}
		for _, want := range []string{"4W ", "Latest set: ", "Owed: ", "As known "} {
			if !strings.Contains(text, want) {
				t.Errorf("%q lacks %q", text, want)
			}
		}
	}
	// The clipboard of the test stands in for the machine's.
	copied := browsertest.Eval[string](page, `(async () => {
		let got = "";
		Object.defineProperty(navigator, "clipboard", { value: { writeText: async t => { got = t; } }, configurable: true });
		document.querySelector("p.hand [data-copy]").click();
		await new Promise(r => setTimeout(r, 50));
		return got + "|" + document.querySelector("p.hand [role=status]").textContent;
	})()`)
	if n := strings.Count(copied, "As known "); n != 33 || !strings.HasSuffix(copied, "|Copied.") {
		t.Errorf("%d patients were copied: %.300q", n, copied)
	}
}

// A note is typed in the row and on the patient's page, and stands in both; nothing is broken for
// a reader of screens with the form open, on a phone too.
func TestANoteIsTyped(t *testing.T) {
	site := start(t, deps(t))
	page := browsertest.Start(t).Open(t, site+"/units/4W", 1440, 900)
	page.Wait("footer")
	page.Click("#m-row-S108 > summary")
	page.Click("#d-notes-S108 > summary")
	page.Type("#t-notes-S108", "Prefers the left side")
	page.Follow("#d-notes-S108 button")
	page.Wait("#notes-S108 .note")
	if !browsertest.Eval[bool](page, `document.getElementById("m-row-S108").open`) {
		t.Error("the row of the note is shut")
	}
	keep(t, "note-row.png", page.Screenshot)
	page.Resize(390, 844)
	page.Navigate(site + "/stays/S108")
	page.Wait("#notes-S108 .note")
	page.Click("#d-notes-S108 > summary")
	for _, v := range page.AxeAll(&looks) {
		t.Error(v)
	}
	keep(t, "note-stay.png", page.Screenshot)
	quiet(t, page)
}
