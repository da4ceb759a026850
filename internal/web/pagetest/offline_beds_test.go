package pagetest

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/browsertest"
	"plumbline/internal/clinical"
)

// Issue: the choice of bed works without the network for the whole unit once it was opened in the
// shift: beds, limbs, all that is missing, clear_minutes and the last set, with the hour; no name and no
// patient number; gone when the shift ends.
func TestABedIsChosenWithoutTheNetwork(t *testing.T) {
	w := openWard(t, "")
	w.page = w.browser.Open(t, w.site+"/units/4W/new-set", 390, 844)
	page := w.page
	page.Wait("[data-kept]")
	names := browsertest.Eval[[]string](page, `[...document.querySelectorAll(".beds .name")].map(e => e.textContent)`)
	rows := browsertest.Eval[int](page, `document.querySelectorAll("[data-kept]").length`)
	if len(names) < 30 || rows < 30 {
		t.Fatalf("%d names, %d beds to keep", len(names), rows)
	}
	browsertest.Eval[bool](page, `navigator.serviceWorker.ready.then(() => true)`)
	page.Until(`caches.keys().then(async all => { for (const n of all) if (await (await caches.open(n)).match("/new-set-beds-shell")) return true; return false; })`)
	w.offline(true)
	page.Navigate(w.site + "/units/4W/new-set")
	page.Wait("#offline-beds li")
	keep(t, "beds-offline.png", page.Screenshot)
	if got := browsertest.Eval[int](page, `document.querySelectorAll("#offline-beds li").length`); got != rows {
		t.Errorf("%d beds of %d", got, rows)
	}
	all := browsertest.Eval[string](page, `document.body.textContent + JSON.stringify(localStorage)`)
	for _, name := range names {
		if strings.Contains(all, name) {
			t.Errorf("the name %q is kept", name)
		}
	}
	if strings.Contains(all, "P410") {
		t.Error("a patient number is kept")
	}
	list := page.Text("#chooser")
	for _, want := range []string{"As known", "04:00", "Check the wristband", "stand only when cleared", "84/48"} {
		if !strings.Contains(strings.ToLower(list), strings.ToLower(want)) {
			t.Errorf("the beds do not say %q", want)
		}
	}
	if strings.Contains(list, " ago") {
		t.Error("an age is kept that stands still")
	}
	for _, v := range page.AxeAll(&looks) {
		t.Error(v)
	}

	// A bed whose drop came late is opened for the first time, and a set of it is begun and sent later.
	page.Follow(`#offline-beds a[href="/stays/S108/new-set"]`)
	w.step("before")
	for _, want := range []string{"As known at 04:00", "Last set: "} {
		if got := page.Text("#shell-fetched"); !strings.Contains(got, want) {
			t.Errorf("%q does not say %q", got, want)
		}
	}
	if got := page.Text(".patient-line"); !strings.Contains(got, "6A") || !strings.Contains(got, "Check the wristband") {
		t.Errorf("the head reads %q", got)
	}
	w.untilLying()
	w.forward(6 * time.Minute)
	w.fallsOnStanding()
	w.pick("symptom", "dizziness")
	page.Click("#go")
	w.step("review")
	page.Click("#go")
	page.Until(`document.querySelector("#answer").textContent.includes("No network")`)
	w.offline(false)
	page.Wait(".bedside-result")
	facts := w.sets.All()
	if len(facts) != 2 {
		t.Fatalf("%d facts", len(facts))
	}
	for _, f := range facts {
		if f.StayID != "S108" || f.Kind != clinical.KindVitals {
			t.Errorf("%s of %s", f.Kind, f.StayID)
		}
	}

	// The shift ends: nothing of the beds is left.
	page.Navigate(w.site + "/units/4W/new-set")
	page.Wait("[data-kept]")
	w.offline(true)
	page.Navigate(w.site + "/units/4W/new-set")
	page.Wait("#offline-beds li")
	w.shift(4 * time.Hour)
	browsertest.Eval[bool](page, `(dispatchEvent(new Event("pageshow")), true)`)
	page.Until(`!Object.keys(localStorage).some(k => k.includes(".beds."))`)
}
