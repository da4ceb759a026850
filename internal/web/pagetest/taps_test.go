package pagetest

import (
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/alerts"
	"plumbline/internal/browsertest"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// offered is a patient whose last set tells its limb, and whose chart holds nothing against standing.
func offered(a alerts.Assessment) bool {
	set := a.Digest.LatestSet()
	return set != nil && set.Baseline != nil && set.Baseline.Limb == trends.Word("left arm") && set.Finding == trends.Positive &&
		len(alerts.Hindrances(a.Digest)) == 0 && len(a.Restrictions()) == 0 && !set.Meets(trends.CritStopped) && !set.StoppedEarly &&
		a.LowAtRest == nil && a.ChestPain == nil && len(set.AtRest) == 0 && a.Digest.Serial.LongStand() == nil &&
		set.Decisive() != nil && set.Decisive().Position == clinical.Standing
}

// Issue: a full normal set in at most 32 taps with typing. Each digit and each button is one. The drop
// is said in big digits while the patient stands, and what was felt with it.
func TestAFullSetInThirtyTwoTaps(t *testing.T) {
	w := openWard(t, "")
	w.open(offered)
	taps := 0
	tap := func(selector string) {
		t.Helper()
		taps++
		w.page.Click(selector)
	}
	typed := func(figures string) {
		t.Helper()
		taps += len(figures)
		w.page.Press(figures)
	}
	w.step("before")
	tap("#as-last")
	w.step("restcount")
	w.forward(6 * time.Minute)
	w.page.Until(`document.querySelector("#s-count").classList.contains("over")`)
	tap("#go")
	w.step("base")
	typed("1427870")
	tap("#go")
	w.step("stand")
	tap("#go")
	for n, figures := range []string{"1387674", "1367572"} {
		w.step([]string{"firstcount", "secondcount"}[n])
		w.forward(time.Duration(n+1) * time.Minute)
		w.page.Until(`document.querySelector("#s-count").classList.contains("over")`)
		tap("#go")
		w.step([]string{"first", "second"}[n])
		typed(figures)
		name := []string{"first", "second"}[n]
		got := browsertest.Eval[string](w.page, `["systolic", "diastolic", "pulse"].map(p => document.getElementById("`+name+`_" + p).value).join(" ")`)
		if strings.ReplaceAll(got, " ", "") != figures {
			t.Errorf("%s: %q was typed, the fields hold %q", name, figures, got)
		}
		if n == 0 {
			w.page.Until(`document.querySelector("[data-drop=first]").textContent === "4/2 down"`)
			size := browsertest.Eval[float64](w.page, `parseFloat(getComputedStyle(document.querySelector("[data-drop=first]")).fontSize)`)
			if size < 30 {
				t.Errorf("the drop has %v pixels", size)
			}
		}
		tap("#go")
	}
	w.step("symptoms")
	tap(`label:has(input[name="no_symptoms"])`)
	tap("#go")
	w.step("review")
	tap("#go")
	w.page.Wait(".bedside-result")
	if got := w.page.Text(".bedside-result"); !strings.Contains(got, "quality complete") || !strings.Contains(got, "negative") {
		t.Errorf("the set reads:\n%s", got)
	}
	for _, v := range w.sets.All() {
		if limb := vitalsOf(t, v).Limb; limb != "left arm" {
			t.Errorf("the limb is %q", limb)
		}
	}
	if taps > 32 {
		t.Errorf("%d taps, want 32 at most", taps)
	}
	t.Logf("%d taps", taps)
	quiet(t, w.page)
}

// A drop at one minute asks whether to sit the patient, with what is felt; Enter by habit does not
// lead past a field; how the end is told is kept; a page that stood still says first how late it is.
func TestWhatIsSaidWhileThePatientStands(t *testing.T) {
	w := openWard(t, "")
	w.open(offered)
	w.axe = true
	w.page.Click("#as-last")
	w.step("restcount")
	w.page.Click(`label:has(#speak)`)
	w.page.Click(`label:has(#buzz)`)
	// It stood still for seven minutes: two too many.
	browsertest.Eval[bool](w.page, `(() => { window.heard = []; window.SpeechSynthesisUtterance = function (t) { this.text = t; };
		Object.defineProperty(window, "speechSynthesis", { value: { cancel() {}, speak: u => heard.push(u.text) }, configurable: true }); return true; })()`)
	w.forward(7*time.Minute + 10*time.Second)
	w.page.Until(`document.querySelector("#deck-note").textContent.startsWith("Late by 2 min")`)
	if first := browsertest.Eval[string](w.page, `heard[0]`); !strings.HasPrefix(first, "Late by 2 min") {
		t.Errorf("first was said %q", first)
	}
	w.page.Click("#go")
	w.step("base")
	w.page.Press("142" + kb.Enter + "78" + kb.Enter + "70")
	w.page.Click("#go")
	w.step("stand")
	w.page.Click("#go")
	w.step("firstcount")
	w.forward(time.Minute)
	w.page.Click("#go")
	w.step("first")
	w.page.Press("10")
	if got := w.page.Text("[data-drop=first]"); got != "" {
		t.Errorf("a figure that is not whole is judged: %q", got)
	}
	w.page.Press("670")
	w.page.Until(`document.querySelector("[data-drop=first]").textContent === "36/8 down: sit the patient?"`)
	w.page.Click("[data-dizzy=first]")
	w.page.Until(`document.querySelector("[data-drop=first]").textContent === "36/8 down, dizzy: sit the patient?"`)
	keep(t, "drop-live.png", w.page.Screenshot)
	w.page.Click("#go")
	w.step("secondcount")
	w.page.Until(`document.querySelector("#s-count [data-drop]").textContent === "36/8 down, dizzy: sit the patient?"`)
	w.page.Navigate(browsertest.Eval[string](w.page, "location.href"))
	w.page.Wait("#speak")
	if browsertest.Eval[bool](w.page, `!document.getElementById("speak").checked || document.getElementById("buzz").checked`) {
		t.Error("how the end is told is not kept")
	}
}
