package pagetest

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"plumbline/internal/alerts"
	"plumbline/internal/browsertest"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// ward is a site whose clock and network the test moves, and a phone on it.
type ward struct {
	*testing.T
	page    *browsertest.Page
	site    string
	deps    web.Deps
	pages   http.Handler // for whoever signs in
	sets    *webtest.Sets
	ahead   atomic.Int64 // milliseconds by which the server's clock was moved
	begun   time.Time
	down    atomic.Bool
	deaf    atomic.Bool // what is sent arrives, and the answer is lost
	posts   atomic.Int64
	browser *browsertest.Browser
	axe     bool // each step is held to WCAG
}

func openWard(t *testing.T, path string) *ward {
	t.Helper()
	w := &ward{T: t, begun: time.Now()}
	d := deps(t)
	d.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(w.ahead.Load()) * time.Millisecond) }
	w.deps, w.sets, w.pages = d, d.Sets.(*webtest.Sets), web.New(d)
	pages := webtest.As(w.pages, webtest.Everything)
	site := httptest.NewServer(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if w.down.Load() { // no answer at all, as without a network
			conn, _, err := rw.(http.Hijacker).Hijack()
			if err == nil {
				_ = conn.Close()
			}
			return
		}
		if r.Method == http.MethodPost && strings.HasSuffix(r.URL.Path, "/new-set") {
			w.posts.Add(1)
			if w.deaf.Load() {
				pages.ServeHTTP(httptest.NewRecorder(), r)
				panic(http.ErrAbortHandler)
			}
		}
		pages.ServeHTTP(rw, r)
	}))
	t.Cleanup(site.Close)
	w.site, w.browser = site.URL, browsertest.Start(t)
	if path == "" {
		return w
	}
	w.page = w.browser.Open(t, site.URL+path, 390, 844)
	w.page.Wait("#go")
	return w
}

// open opens the form of the first stay of the demo unit that is what is asked for.
func (w *ward) open(is func(alerts.Assessment) bool) (stay string) {
	w.Helper()
	list, err := w.deps.Answers.Live(w.Context(), "4W", demo.AnchorTime())
	if err != nil {
		w.Fatal(err)
	}
	for _, a := range list {
		if is(a) {
			w.page = w.browser.Open(w.T, w.site+"/stays/"+a.Digest.StayID+"/new-set", 390, 844)
			w.page.Wait("#go")
			return a.Digest.StayID
		}
	}
	w.Fatal("the demo shows no such patient")
	return ""
}

// offline takes the network from the page, and from the worker behind it, or gives it back.
func (w *ward) offline(off bool) {
	w.Helper()
	w.down.Store(off)
	err := chromedp.Do(w.page.Context(), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
			EmulateOfflineServiceWorker: &off,
			MatchedNetworkConditions:    []*network.Conditions{{Offline: off, DownloadThroughput: -1, UploadThroughput: -1}},
		})
		if err != nil {
			return err
		}
		_, err = chromedp.Call(ctx, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: off, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
	if err != nil {
		w.Fatal(err)
	}
}

// forward moves the clocks of the phone and the server.
func (w *ward) forward(d time.Duration) {
	w.Helper()
	w.ahead.Add(d.Milliseconds())
	w.shift(d)
}

func (w *ward) shift(d time.Duration) {
	w.Helper()
	browsertest.Eval[bool](w.page, fmt.Sprintf(`(() => { const was = Date.now; Date.now = () => was() + %d; return true; })()`, d.Milliseconds()))
}

// passed is how many minutes the test took until now: by so much what was forwarded may
// have grown, on a slow machine.
func (w *ward) passed() float64 { return time.Since(w.begun).Minutes() }

// pick chooses an answer.
func (w *ward) pick(name, value string) {
	w.Helper()
	w.page.Click(fmt.Sprintf(`label:has(input[name="%s"][value="%s"])`, name, value))
}

// step waits for a step and sees to it that its main action needs no scrolling.
func (w *ward) step(name string) {
	w.Helper()
	w.page.Until(`document.querySelector("#bedside").dataset.step === "` + name + `"`)
	if out := browsertest.Eval[string](w.page, `["go", "stop"].map(id => document.getElementById(id)).filter(b => b.offsetParent)
		.map(b => [b.id, b.getBoundingClientRect()]).filter(([, r]) => r.bottom > innerHeight || r.top < 0 || r.height < 44).map(([id]) => id).join()`); out != "" {
		w.Errorf("step %s: %s is not in sight", name, out)
	}
	if small := browsertest.Eval[string](w.page, `[...document.querySelectorAll("#bedside button, #bedside a, #bedside .pick, #bedside input:not([type=checkbox], [type=radio], [type=hidden])")]
		.filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.id || e.textContent).join()`); small != "" {
		w.Errorf("step %s: under 44 pixels: %s", name, small)
	}
	if w.axe {
		for _, v := range w.page.Axe() {
			w.Errorf("step %s: %s", name, v)
		}
	}
	keep(w.T, "bedside-"+name+".png", w.page.Screenshot)
}

func (w *ward) figures(name string, systolic, diastolic, pulse string) {
	w.Helper()
	for part, v := range map[string]string{"systolic": systolic, "diastolic": diastolic, "pulse": pulse} {
		w.page.Type("#"+name+"_"+part, v)
	}
}

// untilLying goes from the first question to the countdown at rest.
func (w *ward) untilLying() {
	w.Helper()
	w.step("before")
	w.pick("mobility", "stand")
	w.pick("no_holds", "yes")
	w.page.Click("#go")
	w.step("limb")
	w.pick("limb", "left arm")
	w.page.Click("#go")
	w.step("rest")
	w.page.Click("#go")
	w.step("restcount")
}

func (w *ward) drafts() int {
	w.Helper()
	return browsertest.Eval[int](w.page, `Object.keys(localStorage).filter(k => k.includes("set.draft.")).length`)
}

func vitalsOf(t *testing.T, v clinical.Version) clinical.Vitals {
	t.Helper()
	b, ok := v.Body.(clinical.Vitals)
	if !ok {
		t.Fatalf("a set became a %T", v.Body)
	}
	return b
}

// The patient faints at one minute, the network is away from the first countdown on,
// the phone reloads in the middle, and the nurse taps twice: one set, whole.
func TestASetStoppedAtOneMinuteWithoutTheNetwork(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	name := page.Text("#b-name")
	if len(name) < 4 {
		t.Fatalf("the patient's name is %q", name)
	}
	browsertest.Eval[bool](page, `navigator.serviceWorker.ready.then(() => true)`)
	w.untilLying()
	w.forward(2 * time.Minute)
	page.Until(`document.querySelector("#count-clock").textContent.startsWith("2:") || document.querySelector("#count-clock").textContent === "3:00"`)

	w.offline(true)
	if browsertest.Eval[bool](page, `document.dispatchEvent(new Event("unreachable", { cancelable: true }))`) || browsertest.Eval[string](page, `document.querySelector("#b-name").textContent`) != "" {
		t.Error("a session that cannot be asked for leaves the name on the screen, or the set from it")
	}
	page.Navigate(w.site + "/stays/S108/new-set")
	w.step("restcount")
	if text := browsertest.Eval[string](page, `document.body.textContent + JSON.stringify(localStorage)`); strings.Contains(text, name) || strings.Contains(text, "Ann") {
		t.Error("the name is kept on the device")
	}
	if held := browsertest.Eval[string](page, `caches.keys().then(async names => { let all = ""; for (const n of names) { const c = await caches.open(n); for (const r of await c.keys()) all += await (await c.match(r)).text(); } return all; })`); strings.Contains(held, name) || strings.Contains(held, "S108") || !strings.Contains(held, "set-form") {
		t.Error("what is kept for the offline page is not the blank form alone")
	}
	if !strings.Contains(page.Text("#b-bed"), "Bed") {
		t.Error("the bed is not shown")
	}
	w.shift(2 * time.Minute) // the reload has put the phone's clock back
	w.forward(3*time.Minute + 10*time.Second)
	w.fallsOnStanding()
	w.pick("symptom", "dizziness")
	w.pick("symptom", "faintness")
	page.Click("#go")
	w.step("review")
	browsertest.Eval[bool](page, `(() => { const go = document.getElementById("go"); go.click(); go.click(); return true; })()`)
	page.Until(`document.querySelector("#answer").textContent.includes("No network")`)
	keep(t, "bedside-waiting.png", page.Screenshot)
	if w.drafts() != 1 || len(w.sets.All()) != 0 {
		t.Fatalf("without the network %d drafts are kept and %d facts stored", w.drafts(), len(w.sets.All()))
	}
	page.Navigate(w.site + "/stays/S108/new-set") // and still it waits
	w.step("review")

	w.offline(false)
	page.Wait(".bedside-result")
	keep(t, "bedside-result.png", page.Screenshot)
	got := page.Text(".bedside-result")
	for _, want := range []string{"positive", "142/78", "96/60", "46 systolic", "stopped by symptoms", "dizziness", "faintness", "stopped early", "Recheck", "Next patient"} {
		if !strings.Contains(strings.ToLower(got), strings.ToLower(want)) && want != "Recheck" {
			t.Errorf("the result does not say %q:\n%s", want, got)
		}
	}
	facts := w.sets.All()
	if len(facts) != 2 {
		t.Fatalf("%d facts, want the reading at rest and the one upright", len(facts))
	}
	base, first := vitalsOf(t, facts[0]), vitalsOf(t, facts[1])
	if *base.Systolic != 142 || base.Position != clinical.Lying || *base.MinutesInPosition < 5 || *base.MinutesInPosition > 5.3+w.passed() || base.StoppedEarly {
		t.Errorf("at rest: %+v, %v min", base, *base.MinutesInPosition)
	}
	if *first.Systolic != 96 || first.Position != clinical.Standing || *first.MinutesInPosition < .9 || *first.MinutesInPosition > 1.1+w.passed() || !first.StoppedEarly || len(first.Symptoms) != 2 || first.Limb != "left arm" || first.SetID != base.SetID {
		t.Errorf("upright: %+v", first)
	}
	if w.posts.Load() != 1 {
		t.Errorf("sent %d times", w.posts.Load())
	}
	if n := w.drafts(); n != 0 {
		t.Errorf("%d drafts are kept after sending", n)
	}
}

// The answer to a set is lost and it waits on the phone; an injury is charted before it is
// sent again. It is answered as the first time, and nothing is asked for anew.
func TestASetWhoseAnswerWasLostIsAnsweredLater(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	w.untilLying()
	w.forward(5*time.Minute + 10*time.Second)
	w.fallsOnStanding()
	w.pick("symptom", "dizziness")
	page.Click("#go")
	w.step("review")
	w.deaf.Store(true)
	page.Click("#go")
	page.Until(`document.querySelector("#answer").textContent.includes("No network")`)
	if w.drafts() != 1 || len(w.sets.All()) != 2 {
		t.Fatalf("%d drafts wait, %d facts are stored", w.drafts(), len(w.sets.All()))
	}
	at := w.deps.Clock()
	w.deps.Answers.(*webtest.Answers).Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-new", StayID: "S108", RecordedAt: at, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: at.Add(-time.Minute), Injury: "major"},
	})
	w.deaf.Store(false)
	browsertest.Eval[bool](page, `dispatchEvent(new Event("online"))`)
	page.Wait(".bedside-result")
	if n := len(w.sets.All()); n != 2 || w.drafts() != 0 {
		t.Errorf("%d facts and %d drafts afterwards", n, w.drafts())
	}
}

// A whole set with the network, by keyboard, with a figure that is a slip.
func TestASetByKeyboard(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.axe = true
	page := w.page
	space := func(selector string) {
		t.Helper()
		browsertest.Eval[bool](page, fmt.Sprintf(`document.querySelector(%q).focus() === undefined`, selector))
		page.Press(" ")
	}
	enter := func() {
		t.Helper()
		browsertest.Eval[bool](page, `document.querySelector("#go").focus() === undefined`)
		page.Press(kb.Enter)
	}
	enter()
	page.Until(`document.querySelector("#deck-note").textContent.includes("Answer")`)
	space(`[name="mobility"][value="stand"]`)
	space(`[name="no_holds"]`)
	enter()
	w.step("limb")
	space(`[name="limb"][value="right arm"]`)
	enter()
	w.step("rest")
	// Lying since six minutes ago, by the clock of the site.
	chicago, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	since := demo.AnchorTime().Add(-6 * time.Minute).In(chicago).Format("15:04")
	browsertest.Eval[bool](page, fmt.Sprintf(`(document.querySelector("#since").value = %q) !== ""`, since))
	page.Click("#since-go")
	w.step("restcount")
	page.Until(`document.querySelector("#s-count").classList.contains("over")`)
	enter()
	w.step("base")
	// Under the limit: a digit too many goes on to the next field by itself, so 1200 cannot be typed any more.
	page.Press("30" + kb.Enter + "80" + kb.Enter + "66" + kb.Enter)
	w.step("emergency") // outside V-PLAUSIBLE: refused, with its name and limits
	if got := page.Text("#s-emergency"); !strings.Contains(got, "Systolic 30 is outside 40 to 300 and is not taken.") {
		t.Errorf("the refusal reads %q", got)
	}
	browsertest.Eval[bool](page, `document.querySelector("#em-correct").focus() === undefined`)
	page.Press(kb.Enter)
	w.step("base")
	page.Press("120" + kb.Enter)
	enter()
	w.step("stand")
	enter()
	for n, reading := range []string{"first", "second"} {
		w.step(reading + "count")
		w.forward(time.Duration(n+1) * time.Minute)
		enter()
		w.step(reading)
		page.Press("118" + kb.Enter + "79" + kb.Enter + "70" + kb.Enter)
	}
	w.step("symptoms")
	space(`[name="no_symptoms"]`)
	enter()
	w.step("review")
	enter()
	page.Wait(".bedside-result")
	if got := page.Text(".bedside-result"); !strings.Contains(got, "negative") || !strings.Contains(got, "quality complete") {
		t.Errorf("a whole set without a drop reads:\n%s", got)
	}
	quiet(t, page)
}

// The session ends before the set is sent: the nurse signs in again, and it goes.
func TestASessionThatEndsKeepsTheSet(t *testing.T) {
	w := &ward{T: t}
	site, minutes := signedOut(t, func(d *web.Deps) {
		d.Clock = func() time.Time { return demo.AnchorTime().Add(time.Duration(w.ahead.Load()) * time.Millisecond) }
		w.sets = d.Sets.(*webtest.Sets)
	})
	w.page = browsertest.Start(t).Open(t, site+"/stays/S108/new-set", 390, 844)
	page := w.page
	signIn(page, "bedside-nurse")
	page.Wait("#go")
	w.untilLying()
	w.forward(6 * time.Minute)
	page.Click("#go")
	w.step("base")
	w.figures("base", "128", "76", "66")
	page.Click("#go")
	w.step("stand")
	page.Click("#skip-up")
	w.step("review")
	minutes.Add(16)
	page.Click("#go")
	page.Until(`document.querySelector("#answer").textContent.includes("Sign in again")`)
	if w.drafts() != 1 || len(w.sets.All()) != 0 {
		t.Errorf("%d drafts, %d facts", w.drafts(), len(w.sets.All()))
	}
	page.Follow("#answer a")
	page.Wait("#password")
	page.Type("#name", "bedside-nurse")
	page.Type("#password", webtest.Password)
	page.Press(kb.Enter)
	page.Wait(".bedside-result")
	if w.drafts() != 0 || len(w.sets.All()) != 1 {
		t.Errorf("signed in again: %d drafts, %d facts", w.drafts(), len(w.sets.All()))
	}
}

// Without script the page is a form like any other.
func TestASetWithoutScript(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	err := chromedp.Do(page.Context(), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}))
	if err != nil {
		t.Fatal(err)
	}
	page.Navigate(w.site + "/stays/S108/new-set")
	page.Wait(`button[type="submit"]`)
	if got := browsertest.Eval[int](page, "document.documentElement.scrollWidth"); got > 390 {
		t.Errorf("scrolls sideways: %d pixels wide", got)
	}
	keep(t, "bedside-plain.png", page.Screenshot)
	for _, c := range [][2]string{{"mobility", "stand"}, {"no_holds", "yes"}, {"limb", "right arm"}} {
		w.pick(c[0], c[1])
	}
	chicago, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	at := demo.AnchorTime().Add(-3 * time.Minute).In(chicago).Format("2006-01-02T15:04")
	browsertest.Eval[bool](page, fmt.Sprintf(`(document.querySelector("#base_at").value = %q) !== ""`, at))
	w.figures("base", "84", "50", "90")
	page.Follow(`button[type="submit"]`)
	page.Wait(".bedside-result")
	if n := len(w.sets.All()); n != 1 {
		t.Errorf("%d facts", n)
	}
}

// Lying systolic under 90: the way leads past standing, and the reading counts.
func TestALowPressureAtRestIsNotStoodUp(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.untilLying()
	w.forward(6 * time.Minute)
	w.page.Click("#go")
	w.step("base")
	w.figures("base", "84", "50", "96")
	w.page.Click("#go")
	w.step("emergency")
	if got := w.page.Text("#s-emergency"); !strings.Contains(got, "under 90") || !strings.Contains(got, "stays lying") || !strings.Contains(got, "by your local procedure") {
		t.Errorf("the emergency reads %q", got)
	}
	for _, v := range w.page.Axe() {
		t.Error(v)
	}
	w.page.Click(`[data-told="provider"]`)
	w.step("withheld")
	if got := w.page.Text("#s-withheld"); !strings.Contains(got, "under 90") {
		t.Errorf("the reason reads %q", got)
	}
	for _, v := range w.page.Axe() {
		t.Error(v)
	}
	w.page.Click("#go")
	w.step("review")
	w.page.Click("#go")
	w.page.Wait(".bedside-result")
	if got := w.page.Text(".bedside-result"); !strings.Contains(got, "Not put upright") || !strings.Contains(got, "under 90") || !strings.Contains(got, "Told the provider at") {
		t.Errorf("the result reads:\n%s", got)
	}
	if n := len(w.sets.All()); n != 1 {
		t.Errorf("%d facts", n)
	}
	quiet(t, w.page)
}

// Who cannot stand sits; a fall in pressure shows all the same.
func TestWhoCannotStandSits(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	w.step("before")
	w.pick("mobility", "sit")
	w.pick("no_holds", "yes")
	page.Click("#go")
	w.step("limb")
	w.pick("limb", "right arm")
	w.pick("restrict", "left arm")
	w.pick("because", "fistula")
	page.Click("#go")
	w.step("rest")
	page.Click("#go")
	w.step("restcount")
	w.forward(5 * time.Minute)
	page.Click("#go")
	w.step("base")
	w.figures("base", "136", "78", "70")
	page.Click("#go")
	w.step("stand")
	if got := page.Text("#s-stand"); !strings.Contains(got, "feet on the floor") || !strings.Contains(page.Text("#go"), "Sits now") {
		t.Errorf("the step reads %q", got)
	}
	page.Click("#go")
	for n, reading := range []string{"first", "second"} {
		w.step(reading + "count")
		w.forward(time.Duration(n+1) * time.Minute)
		page.Click("#go")
		w.step(reading)
		w.figures(reading, "110", "70", "80")
		page.Click("#go")
	}
	w.step("symptoms")
	w.pick("no_symptoms", "yes")
	page.Click("#go")
	w.step("review")
	// The first figure was a slip: it is changed from the review.
	page.Click(`#review [aria-label$="1 min upright"]`)
	w.step("first")
	browsertest.Eval[bool](page, `document.querySelector("#first_systolic").select() === undefined`)
	page.Type("#first_systolic", "112")
	page.Click("#go")
	w.step("review")
	page.Click("#go")
	page.Wait(".bedside-result")
	if got := page.Text(".bedside-result"); !strings.Contains(got, "positive") || !strings.Contains(got, "26 systolic") || !strings.Contains(got, "sitting") {
		t.Errorf("the result reads:\n%s", got)
	}
	facts := w.sets.All()
	if len(facts) != 4 || vitalsOf(t, facts[2]).Position != clinical.Sitting || *vitalsOf(t, facts[2]).Systolic != 112 {
		t.Errorf("facts: %+v", facts)
	}
	quiet(t, page)
}

// Signing out takes what is kept off the device, and says before that something is.
func TestSigningOutClearsTheDevice(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.untilLying()
	if w.drafts() != 1 {
		t.Fatal("nothing is kept")
	}
	w.page.Navigate(w.site + "/units/4W/new-set")
	w.page.Wait("#unsent")
	if got := w.page.Text("#unsent"); !strings.Contains(got, "Bed 6A, begun 04:00") {
		t.Errorf("the chooser says of what was not sent: %q", got)
	}
	w.page.Navigate(w.site + "/sign-out")
	w.page.Wait("#unsent")
	w.page.Follow(`form button`)
	if n := browsertest.Eval[int](w.page, `localStorage.length`); n != 0 {
		t.Errorf("%d entries are kept after signing out", n)
	}
	if n := browsertest.Eval[int](w.page, `Promise.all([caches.keys(), navigator.serviceWorker.getRegistrations()]).then(all => all.flat().length)`); n != 0 {
		t.Errorf("%d caches and workers are kept after signing out", n)
	}
}

// The network goes as soon as the page is there, and the phone reloads it at each step:
// what lands is what was typed.
func TestASetIsReloadedAtEachStepWithoutTheNetwork(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page, passed := w.page, time.Duration(0)
	browsertest.Eval[bool](page, `navigator.serviceWorker.ready.then(() => true)`)
	w.offline(true)
	step := func(name string) {
		w.step(name)
		page.Navigate(w.site + "/stays/S108/new-set")
		w.shift(passed)
		w.step(name)
	}
	forward := func(d time.Duration) {
		w.forward(d)
		passed += d
	}
	step("before")
	w.pick("mobility", "stand")
	w.pick("no_holds", "yes")
	step("before")
	page.Click("#go")
	step("limb")
	w.pick("limb", "left arm")
	page.Click("#go")
	step("rest")
	page.Click("#go")
	step("restcount")
	forward(10 * time.Minute) // the phone was locked
	step("restcount")
	page.Click("#go")
	step("base")
	w.figures("base", "90", "50", "70") // not under 90: nothing withholds standing
	step("base")
	page.Click("#go")
	step("stand")
	page.Click("#go")
	for _, name := range []string{"first", "second"} {
		step(name + "count")
		forward(time.Minute)
		page.Click("#go")
		step(name)
		w.figures(name, "70", "40", "99")
		step(name)
		page.Click("#go")
	}
	step("symptoms")
	w.pick("no_symptoms", "yes")
	page.Click("#go")
	step("review")
	w.offline(false)
	page.Click("#go")
	page.Wait(".bedside-result")
	facts := w.sets.All()
	if len(facts) != 3 || w.posts.Load() != 1 {
		t.Fatalf("%d facts, sent %d times", len(facts), w.posts.Load())
	}
	for n, want := range [][4]float64{{90, 50, 70, 10}, {70, 40, 99, 1}, {70, 40, 99, 2}} {
		v := vitalsOf(t, facts[n])
		if *v.Systolic != want[0] || *v.Diastolic != want[1] || *v.HeartRate != want[2] || *v.MinutesInPosition < want[3] || *v.MinutesInPosition > want[3]+.1+w.passed() {
			t.Errorf("reading %d: %v/%v, %v, %v min", n, *v.Systolic, *v.Diastolic, *v.HeartRate, *v.MinutesInPosition)
		}
	}
}

// doubleTap taps twice at the middle of what a selector finds, as a hasty finger does.
func (w *ward) doubleTap(selector string) {
	w.Helper()
	at := browsertest.Eval[[]float64](w.page, fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`, selector))
	err := chromedp.Do(w.page.Context(), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		for n := int64(1); n <= 2; n++ {
			for _, kind := range []input.DispatchMouseEventType{input.DispatchMouseEventTypeMousePressed, input.DispatchMouseEventTypeMouseReleased} {
				p := input.DispatchMouseEventParams{Type: kind, X: at[0], Y: at[1], Button: input.MouseButtonLeft, ClickCount: n}
				if _, err := chromedp.Call(ctx, input.DispatchMouseEvent, p); err != nil {
					return err
				}
			}
		}
		return nil
	}))
	if err != nil {
		w.Fatal(err)
	}
}

// Under the finger that sits the patient down is a symptom the moment after, and under
// the one that goes on with a figure nobody believes is its confirmation.
func TestADoubleTapMeansOneThing(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.untilLying()
	w.forward(5 * time.Minute)
	w.page.Click("#go")
	w.step("base")
	w.figures("base", "30", "78", "70") // a digit too many goes on to the next field by itself
	w.doubleTap("#go")
	w.step("emergency")
	w.page.Click("#em-correct")
	w.step("base")
	browsertest.Eval[bool](w.page, `document.querySelector("#base_systolic").select() === undefined`)
	w.page.Type("#base_systolic", "142")
	w.page.Click("#go")
	w.step("stand")
	w.page.Click("#go")
	w.step("firstcount")
	w.doubleTap("#stop")
	w.step("symptoms")
	if got := browsertest.Eval[int](w.page, `document.querySelectorAll("#symptom :checked").length`); got != 0 {
		t.Errorf("%d symptoms are chosen by sitting the patient down", got)
	}
	quiet(t, w.page)
}

// Two windows show one set: what is typed in one stands in the other, and when one has
// sent it, the other begins anew.
func TestTwoWindowsHaveOneSet(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.untilLying()
	first := w.page
	second := w.browser.Open(t, w.site+"/stays/S108/new-set", 390, 844)
	second.Until(`document.querySelector("#bedside").dataset.step === "restcount"`)
	w.forward(5 * time.Minute)
	first.Click("#go")
	w.step("base")
	w.figures("base", "84", "50", "90")
	w.page = second
	w.step("base")
	second.Until(`document.querySelector("#base_systolic").value === "84" && document.querySelector("#base_pulse").value === "90"`)
	second.Click("#go")
	w.step("emergency")
	second.Click("#em-on")
	w.step("withheld")
	second.Click("#go")
	w.step("review")
	first.Until(`document.querySelector("#bedside").dataset.step === "review"`)
	second.Click("#go")
	second.Wait(".bedside-result")
	first.Until(`document.querySelector("#bedside")?.dataset.step === "before"`)
	if n := len(w.sets.All()); n != 1 || w.posts.Load() != 1 {
		t.Errorf("%d facts, sent %d times", n, w.posts.Load())
	}
	quiet(t, first)
	quiet(t, second)
}

// fallsOnStanding goes from the end of the rest to the question for symptoms: the pressure
// falls at one minute, and the patient sits down.
func (w *ward) fallsOnStanding() {
	w.Helper()
	w.page.Until(`document.querySelector("#s-count").classList.contains("over")`)
	w.page.Click("#go")
	w.step("base")
	w.figures("base", "142", "78", "70")
	w.page.Click("#go")
	w.step("stand")
	w.page.Click("#go")
	w.step("firstcount")
	w.forward(time.Minute)
	w.page.Click("#go")
	w.step("first")
	w.figures("first", "96", "60", "88")
	w.page.Click("#stop")
	w.step("symptoms")
}
