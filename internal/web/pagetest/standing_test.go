package pagetest

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/browsertest"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/web/webtest"
)

// atRest goes from the first question to the step after a reading at rest that speaks
// against nothing.
func (w *ward) atRest(systolic, diastolic string) {
	w.Helper()
	w.untilLying()
	w.forward(6 * time.Minute)
	w.page.Click("#go")
	w.step("base")
	w.figures("base", systolic, diastolic, "70")
	w.page.Click("#go")
}

func (w *ward) note(part string) {
	w.Helper()
	w.page.Until(`document.querySelector("#deck-note").textContent.includes("` + part + `")`)
}

func (w *ward) sent() []clinical.Version {
	w.Helper()
	w.step("review")
	w.page.Click("#go")
	w.page.Wait(".bedside-result")
	return w.sets.All()
}

// Standing after an injury is a decision with a name: the form does not pass it without who
// cleared it and when, which lands as a clearance.
func TestTheFormDoesNotPassStandingWithoutAClearance(t *testing.T) {
	w := openWard(t, "")
	w.open(func(a alerts.Assessment) bool { return slices.Contains(a.Recheck.Missing, alerts.InjuryUncleared) })
	page := w.page
	w.atRest("128", "74")
	w.step("withheld")
	keep(t, "bedside-withheld.png", page.Screenshot)
	for range 3 { // however often it is tapped
		page.Click("#withheld-on")
		w.note("Say who cleared standing")
	}
	w.step("withheld")
	page.Type("#c-by", webtest.Everything) // the sender's own name: the server refuses it
	browsertest.Eval[bool](page, `(document.querySelector("#c-at").value = "") === ""`)
	page.Click("#withheld-on")
	w.step("withheld")
	zone, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	cleared := demo.AnchorTime().Add(-10 * time.Minute)
	browsertest.Eval[bool](page, `(document.querySelector("#c-at").value = "`+cleared.In(zone).Format("15:04")+`") !== ""`)
	page.Click("#withheld-on")
	w.step("stand")
	page.Click("#go")
	for n, reading := range []string{"first", "second"} {
		w.step(reading + "count")
		w.forward(time.Duration(n+1) * time.Minute)
		page.Click("#go")
		w.step(reading)
		w.figures(reading, "126", "76", "74")
		page.Click("#go")
	}
	w.step("symptoms")
	w.pick("no_symptoms", "yes")
	page.Click("#go")
	w.step("review")
	page.Click("#go")
	page.Until(`document.querySelector("#answer").textContent.includes("your own name")`)
	page.Click(`[aria-label="change: Cleared to stand"]`)
	w.step("withheld")
	browsertest.Eval[bool](page, `(document.querySelector("#c-by").value = "") === ""`)
	page.Type("#c-by", "Dr Okafor")
	page.Click("#withheld-on")
	found := false
	for _, f := range w.sent() {
		c, ok := f.Body.(clinical.Clearance)
		if ok && (c.By != "Dr Okafor" || c.ClearedAt.Sub(cleared).Abs() > time.Minute) {
			t.Errorf("the clearance is %+v", c)
		}
		found = found || ok
	}
	if !found {
		t.Error("no clearance is charted")
	}
	for _, m := range page.Console() {
		if !strings.Contains(m, "status of 422") { // of the own name above
			t.Errorf("console: %s", m)
		}
	}
}

// Chest pain and a loss of consciousness are said over the whole width before anything
// else, with what to do, and whom was told is kept with the set.
func TestEmergenciesAreSaidAtOnce(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	w.step("before")
	w.pick("hold", "chest pain")
	w.step("emergency")
	if got := page.Text("#s-emergency"); !strings.Contains(got, "sit or lie") || !strings.Contains(got, "by your local procedure") {
		t.Errorf("chest pain reads %q", got)
	}
	if browsertest.Eval[bool](page, `!!document.querySelector("#go").offsetParent || document.documentElement.scrollWidth > 390`) {
		t.Error("something else stands beside the emergency, or the page scrolls sideways")
	}
	page.Click("#em-on")
	w.step("before")
	w.pick("no_holds", "yes") // it was a slip
	w.pick("mobility", "stand")
	page.Click("#go")
	w.step("limb")
	w.pick("limb", "left arm")
	page.Click("#go")
	w.step("rest")
	page.Click("#go")
	w.step("restcount")
	w.forward(5 * time.Minute)
	page.Click("#go")
	w.step("base")
	w.figures("base", "138", "76", "70")
	page.Click("#go")
	w.step("stand")
	page.Click("#go")
	w.step("firstcount")
	page.Click("#stop")
	w.step("symptoms")
	w.pick("symptom", "loss of consciousness")
	w.step("emergency")
	if got := page.Text("#s-emergency"); !strings.Contains(got, "Lay the patient flat") {
		t.Errorf("a loss of consciousness reads %q", got)
	}
	page.Click(`[data-told="nurse in charge"]`)
	w.step("symptoms")
	page.Click("#go")
	w.step("review")
	if got := page.Text("#review"); !strings.Contains(got, "the nurse in charge") {
		t.Errorf("the review does not say who was told:\n%s", got)
	}
	w.sent()
	if got := page.Text(".bedside-result"); !strings.HasPrefix(strings.TrimSpace(got), "Loss of consciousness") || !strings.Contains(got, "Told the nurse in charge at") {
		t.Errorf("the result begins:\n%.200s", got)
	}
	quiet(t, page)
}

// "The cuff could not read" is a reading without figures, with what was seen; upright the
// patient sits, and at rest nobody is stood up.
func TestACuffThatCouldNotReadIsCharted(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	w.untilLying()
	w.forward(6 * time.Minute)
	page.Click("#go")
	w.step("base")
	w.figures("base", "38", "20", "140")
	page.Click("#go")
	w.step("emergency")
	if got := page.Text("#em-value"); got != "Systolic 38 is outside 40 to 300 and is not taken." {
		t.Errorf("the refusal reads %q", got)
	}
	keep(t, "bedside-refused.png", page.Screenshot)
	page.Click(`[data-told="provider"]`)
	page.Until(`document.querySelector("#em-told").textContent.includes("Told the provider at")`)
	page.Click("#em-unread")
	w.step("symptoms")
	if got := page.Text("#s-symptoms"); !strings.Contains(got, "What was seen?") {
		t.Errorf("the step reads %q", got)
	}
	w.pick("symptom", "confusion")
	page.Click("#go")
	facts := w.sent()
	v := vitalsOf(t, facts[0])
	if len(facts) != 1 || v.Systolic != nil || v.HeartRate != nil || !slices.Equal(v.Symptoms, []string{"confusion"}) || v.Position != clinical.Lying {
		t.Errorf("%d facts, %+v", len(facts), v)
	}
	if got := page.Text(".bedside-result"); !strings.HasPrefix(strings.TrimSpace(got), "The cuff could not read") || !strings.Contains(got, "Told the provider at") {
		t.Errorf("the result begins:\n%.200s", got)
	}
	quiet(t, page)
}

// A letter in a figure is refused where it stands, with the field's name and limits, and
// however often it is tapped the form does not go on to standing; so is a diastolic that
// is not below the systolic.
func TestWhatIsNoNumberIsNeverFollowedByStanding(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	w.untilLying()
	w.forward(6 * time.Minute)
	w.page.Click("#go")
	w.step("base")
	for _, c := range []struct{ systolic, diastolic, says string }{
		{"12o", "78", "Systolic: type a number from 40 to 300."},
		{"142", "7-8", "Diastolic: type a number from 10 to 200."},
		{"88", "92", "Diastolic 92 is not below systolic 88."},
	} {
		browsertest.Eval[bool](w.page, `["base_systolic", "base_diastolic", "base_pulse"].every(id => (document.getElementById(id).value = "") === "")`)
		w.figures("base", c.systolic, c.diastolic, "70")
		for range 3 {
			w.page.Click("#go")
			w.note(c.says)
		}
		w.step("base")
	}
	quiet(t, w.page)
}

// No patient is stood for nothing: a short rest, a reading too early or too late is said
// before it is taken, with what the set could still show, and vital signs are offered.
func TestAProtocolThatCannotCountIsSaidBefore(t *testing.T) {
	w := openWard(t, "/stays/S108/new-set")
	page := w.page
	w.untilLying()
	w.forward(2 * time.Minute)
	page.Click("#go")
	w.note("Rested 2 min. Under 5 min the set can show a drop, and cannot be negative.")
	w.step("restcount")
	page.Click("#go")
	w.step("base")
	w.figures("base", "138", "76", "70")
	page.Click("#go")
	w.step("stand")
	if got := page.Text("#stand-warn"); !strings.Contains(got, "Rested 2 min only") {
		t.Errorf("before standing it says %q", got)
	}
	keep(t, "bedside-short.png", page.Screenshot)
	page.Click("#go")
	w.step("firstcount")
	page.Click("#go")
	w.note("under half a minute")
	w.forward(6 * time.Minute)
	page.Click("#go")
	w.note("Upright for 6 min: after 5 and a half minutes")
	page.Click("#back")
	w.step("stand")
	page.Click("#plain-go")
	w.step("review")
	facts := w.sent()
	if v := vitalsOf(t, facts[0]); len(facts) != 1 || v.SetID != "" || *v.Systolic != 138 {
		t.Errorf("%d facts, %+v", len(facts), v)
	}
	if got := page.Text(".bedside-result"); !strings.Contains(got, "vital signs stored") {
		t.Errorf("the result reads:\n%s", got)
	}
	quiet(t, page)
}

// A low pressure at rest that was charted before stands on the first screen and again before
// standing. What the form has asked before a step, the server does not ask a second time.
func TestWhatWasAskedBeforeStandingIsAskedOnce(t *testing.T) {
	w := openWard(t, "")
	w.open(func(a alerts.Assessment) bool { return a.LowAtRest != nil })
	page := w.page
	if got := page.Text("#s-before"); !strings.Contains(got, "Low pressure at rest: 84/48 lying") || !strings.Contains(got, "stays lying") {
		t.Errorf("the first screen reads:\n%s", got)
	}
	w.untilLying()
	w.forward(2 * time.Minute)
	page.Click("#go")
	w.note("Rested 2 min.")
	page.Click("#go")
	w.step("base")
	w.figures("base", "138", "76", "70")
	page.Click("#go")
	w.step("stand")
	w.forward(20 * time.Minute)
	page.Click("#go")
	page.Until(`document.querySelector("#stand-warn").textContent.includes("The reading at rest is 20 min old")`)
	w.step("stand")
	for _, want := range []string{"Rested 2 min only", "Charted before: Low pressure at rest: 84/48 lying", "Look before"} {
		if got := page.Text("#stand-warn"); !strings.Contains(got, want) {
			t.Errorf("before standing it says %q", got)
		}
	}
	time.Sleep(600 * time.Millisecond) // longer than a double tap
	page.Click("#go")
	w.step("firstcount")
	w.forward(time.Minute)
	page.Click("#go")
	w.step("first")
	w.figures("first", "136", "76", "72")
	page.Click("#go")
	w.step("secondcount")
	w.forward(2 * time.Minute)
	page.Click("#go")
	w.step("second")
	w.figures("second", "135", "76", "72")
	page.Click("#go")
	w.step("symptoms")
	w.pick("no_symptoms", "yes")
	page.Click("#go")
	if facts := w.sent(); len(facts) != 3 {
		t.Errorf("%d facts", len(facts))
	}
	quiet(t, page)
}

// Where a drop came late, three minutes clear nobody: the form asks for a reading at that
// minute too (clear_minutes), but only while there is no drop and nothing is felt.
func TestALateDropIsAskedForAtItsMinute(t *testing.T) {
	late := func(a alerts.Assessment) bool {
		m := a.Digest.Serial.ClearMinutes
		return m != nil && *m > 3 && !a.Digest.Serial.Cleared
	}
	w := openWard(t, "")
	w.open(late)
	page := w.page
	minutes := browsertest.Eval[float64](page, `Number(document.querySelector("#bedside").dataset.clear)`)
	if minutes <= 3 {
		t.Fatalf("%v min", minutes)
	}
	stand := func() {
		w.atRest("138", "76")
		w.step("stand")
		page.Click("#go")
		w.step("firstcount")
		w.forward(time.Minute)
		page.Click("#go")
		w.step("first")
	}
	stand()
	w.figures("first", "136", "76", "72")
	page.Click("#go")
	w.step("secondcount")
	w.forward(2 * time.Minute)
	page.Click("#go")
	w.step("second")
	w.figures("second", "134", "76", "72")
	page.Click("#go")
	w.step("long")
	page.Click("#go")
	w.step("thirdcount")
	w.forward(time.Duration((minutes - 3) * float64(time.Minute)))
	page.Until(`document.querySelector("#s-count").classList.contains("over")`)
	page.Click("#go")
	w.step("third")
	w.figures("third", "133", "76", "72")
	page.Click("#go")
	w.step("symptoms")
	w.pick("no_symptoms", "yes")
	page.Click("#go")
	facts := w.sent()
	last := vitalsOf(t, facts[len(facts)-1])
	for _, f := range facts {
		if v := vitalsOf(t, f); v.TakenAt.After(last.TakenAt) {
			last = v
		}
	}
	if len(facts) != 4 || *last.MinutesInPosition < minutes-.5 {
		t.Errorf("%d facts, the last at %v min of %v", len(facts), *last.MinutesInPosition, minutes)
	}

	// A drop at the first reading ends the set: the patient sits or lies down.
	page.Navigate(w.site + browsertest.Eval[string](page, `location.pathname`))
	page.Wait("#go")
	w.shift(time.Duration(w.ahead.Load()) * time.Millisecond)
	stand()
	w.figures("first", "117", "70", "80")
	page.Click("#go")
	w.step("symptoms")
	if got := page.Text("#s-symptoms"); !strings.Contains(got, "sits or lies down now") {
		t.Errorf("a drop that ends the set reads %q", got)
	}
	quiet(t, page)
}

// A limb that must not be measured is said where the limb is chosen, and a set that
// somebody else has begun as soon as this one begins.
func TestTheFormKnowsLimbsAndOtherSets(t *testing.T) {
	w := openWard(t, "")
	w.axe = true
	const stay = "S108"
	err := w.sets.Chart(t.Context(), "4W", bedside.Charting{
		ID: bedside.NewID(), StayID: stay, Who: "somebody", At: demo.AnchorTime().Add(-time.Minute),
		Entries: []bedside.Entry{{Kind: clinical.KindRestriction, Cells: map[string]string{"limb": "left arm", "reason": "fistula"}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	w.page = w.browser.Open(t, w.site+"/stays/"+stay+"/new-set", 390, 844)
	w.page.Wait("#go")
	other := webtest.As(w.pages, "bedside-nurse")
	own := httptest.NewRecorder()
	other.ServeHTTP(own, httptest.NewRequest(http.MethodGet, "/stays/"+stay+"/new-set", nil))
	_, account, _ := strings.Cut(own.Body.String(), `data-account="`)
	account, _, _ = strings.Cut(account, `"`)
	begun := httptest.NewRequest(http.MethodPost, "/stays/"+stay+"/new-set/begun",
		strings.NewReader(url.Values{"set": {"x"}, "account": {account}}.Encode()))
	begun.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	other.ServeHTTP(httptest.NewRecorder(), begun)

	w.step("before")
	if got := w.page.Text("#no-cuff"); !strings.Contains(got, "no cuff on the left arm: fistula") {
		t.Errorf("the first screen says %q of limbs", got)
	}
	// However far bars push the questions down: what stands fast at the bottom takes no target's room.
	for _, by := range []int{9, 18} {
		browsertest.Eval[bool](w.page, fmt.Sprintf(`(document.querySelector("#no-cuff").style.paddingTop = "%dpx") !== ""`, by))
		w.step("before")
	}
	w.pick("mobility", "stand")
	w.pick("no_holds", "yes")
	w.page.Click("#go")
	w.step("limb")
	keep(t, "bedside-limb.png", w.page.Screenshot)
	w.page.Until(`document.querySelector("#others").textContent.includes("bedside-nurse has begun a set")`)
	w.pick("limb", "left arm")
	w.page.Click("#go")
	w.note("must not be measured")
	w.step("limb")
	w.pick("limb", "right arm")
	w.page.Click("#go")
	w.step("rest")
	quiet(t, w.page)
}

// Who died of a fall by the chart is measured only once the bed was checked: the form stays on its first
// screen until that is ticked, and the server, which asks the same, asks it no second time.
func TestADeathIsAskedAboutFirst(t *testing.T) {
	w := openWard(t, "")
	fell := demo.AnchorTime().Add(-time.Hour)
	w.deps.Answers.(*webtest.Answers).Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-DIED", StayID: "S108", RecordedAt: fell, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: fell, Injury: "death"},
	})
	w.open(func(a alerts.Assessment) bool { return a.Digest.StayID == "S108" })
	page := w.page
	if got := page.Text("#s-before"); !strings.Contains(got, "this patient died of the fall") || !strings.Contains(got, "Check the bed and the wristband") {
		t.Errorf("the first screen reads:\n%s", got)
	}
	w.pick("mobility", "bed")
	w.pick("no_holds", "yes")
	page.Click("#go")
	w.note("tick first that bed and wristband are checked")
	w.step("before")
	w.pick("confirm", "died")
	page.Click("#go")
	w.step("limb")
	w.pick("limb", "left arm")
	page.Click("#go")
	w.step("rest")
	page.Click("#go")
	w.step("restcount")
	w.forward(5 * time.Minute)
	page.Click("#go")
	w.step("base")
	w.figures("base", "128", "74", "70")
	page.Click("#go")
	w.step("withheld")
	page.Click("#go")
	if facts := w.sent(); len(facts) != 1 {
		t.Errorf("%d facts", len(facts))
	}
	quiet(t, page)
}
