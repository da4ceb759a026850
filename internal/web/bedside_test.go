package web_test

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

const setID = "6f1c9b1e-0000-4000-8000-000000000001"

// typed is a set of S108 as it is typed into the plain form, in the site's zone: a
// patient whose pressure falls by 34 and 12.
func typed(changes ...string) url.Values {
	zone, _ := time.LoadLocation("America/Chicago")
	at := func(min int) string {
		return demo.AnchorTime().Add(time.Duration(min) * time.Minute).In(zone).Format("2006-01-02T15:04")
	}
	v := url.Values{
		"set": {setID}, "mobility": {"stand"}, "no_holds": {"yes"}, "limb": {"left arm"},
		"base_at": {at(-10)}, "base_minutes": {"5"}, "base_systolic": {"142"}, "base_diastolic": {"78"}, "base_pulse": {"70"},
		"first_at": {at(-9)}, "first_minutes": {"1"}, "first_systolic": {"108"}, "first_diastolic": {"66"}, "first_pulse": {"78"},
		"second_at": {at(-7)}, "second_minutes": {"3"}, "second_systolic": {"112"}, "second_diastolic": {"68"}, "second_pulse": {"80"},
		"symptom": {"dizziness"},
	}
	for _, c := range changes {
		name, value, _ := strings.Cut(c, "=")
		if value == "" {
			v.Del(name)
		} else {
			v[name] = strings.Split(value, "|")
		}
	}
	return v
}

func sendSet(h http.Handler, target string, form url.Values, accept string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, target, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestASetFromThePlainForm(t *testing.T) {
	all, d := noted(t, kept)
	h := webtest.As(web.New(d), "bedside-nurse")
	page := get(h, "/stays/S108/new-set")
	if page.Code != 200 || !strings.Contains(page.Body.String(), `name="first_minutes"`) || !strings.Contains(page.Body.String(), "Stays in bed") {
		t.Fatalf("the form = %d", page.Code)
	}
	w := sendSet(h, "/stays/S108/new-set", typed(), "text/html")
	to := w.Header().Get("Location")
	if w.Code != 303 || to != "/stays/S108/new-set?sent="+setID {
		t.Fatalf("sent = %d, to %q: %s", w.Code, to, w.Body)
	}
	if got, want := lastOf(t, *all), "bedside-nurse change POST /stays/:stay/new-set unit=4W stay=S108 allowed"; got != want {
		t.Errorf("the audit holds %s, want %s", got, want)
	}
	result := get(h, to).Body.String()
	for _, want := range []string{"positive", "142/78", "108/66", "34 systolic, 12 diastolic", "quality complete", "F-SYS", "What is asked for next", "Sent by bedside-nurse"} {
		if !strings.Contains(result, want) {
			t.Errorf("the result does not say %q", want)
		}
	}
	facts := d.Sets.(*webtest.Sets).All()
	if len(facts) != 3 || !facts[0].RecordedAt.Equal(d.Clock()) || facts[2].Body.(clinical.Vitals).Symptoms[0] != "dizziness" {
		t.Errorf("facts: %+v", facts)
	}
}

// S-INFER: vital signs with an upright reading minutes after one at rest are a set, whatever
// they were sent as; the result says so. Those at rest alone are none, nor those too far apart.
func TestVitalSignsThatMakeASetAreSaidTo(t *testing.T) {
	const none, asSet = "They make no set", "read as a set all the same"
	rest := []string{"plain=yes", "first_systolic=", "first_diastolic=", "first_pulse=", "second_systolic=", "second_diastolic=",
		"second_pulse=", "symptom="}
	apart := "base_at=" + typed().Get("base_at")[:14] + "01" // more than 15 min before the upright ones
	for name, c := range map[string]struct {
		form        url.Values
		says, lacks string
	}{
		"rest and upright": {typed("plain=yes"), asSet, none},
		"rest alone":       {typed(rest...), none, asSet},
		"too far apart":    {typed("plain=yes", apart), none, asSet},
	} {
		d, _ := open(t)
		h := webtest.As(web.New(d), "bedside-nurse")
		w := sendSet(h, "/stays/S108/new-set", c.form, "text/html")
		if w.Code != 303 {
			t.Fatalf("%s = %d: %s", name, w.Code, w.Body)
		}
		page := get(h, w.Header().Get("Location")).Body.String()
		holds(t, page, "vital signs stored", c.says)
		lacks(t, page, c.lacks)
		if (c.says == asSet) != strings.Contains(page, "34 systolic, 12 diastolic") {
			t.Errorf("%s: the drops stand on the page or not as they should not", name)
		}
	}
}

// Sent again, as a lost answer makes a browser do, a set is answered and not stored
// again; other figures under its number are refused.
func TestASetIsTakenOnce(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	first := sendSet(h, "/stays/S108/new-set", typed(), "application/json")
	again := sendSet(h, "/stays/S108/new-set", typed(), "application/json")
	if first.Code != 200 || again.Code != 200 || first.Body.String() != again.Body.String() {
		t.Errorf("%d %s, again %d %s", first.Code, first.Body, again.Code, again.Body)
	}
	for _, accept := range []string{"application/json", "text/html"} {
		other := sendSet(h, "/stays/S108/new-set", typed("base_systolic=150"), accept)
		if other.Code != 409 || !strings.Contains(other.Body.String(), "stored already, with other figures") {
			t.Errorf("other figures = %d %s", other.Code, other.Body)
		}
	}
	if n := len(d.Sets.(*webtest.Sets).All()); n != 3 {
		t.Errorf("%d facts", n)
	}
}

// Sent again it is answered as the first time, whatever came in between: an injury that
// blocks standing, a day that makes it too old, limits of the policy that no longer believe
// it. What is stored is not asked about again.
func TestASetSentAgainIsAnsweredWhateverCameSince(t *testing.T) {
	d, board := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	limb := typed("restrict=right arm", "because=fistula")
	h := webtest.As(web.New(d), "bedside-nurse")
	first := sendSet(h, "/stays/S108/new-set", limb, "application/json")
	if first.Code != 200 {
		t.Fatalf("%d %s", first.Code, first.Body)
	}
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-new", StayID: "S108", RecordedAt: now.Add(time.Second), Stated: true,
		Status: clinical.Final, Body: clinical.Fall{FellAt: now.Add(-2 * time.Minute), Injury: "major"},
	})
	again := func(what string) {
		t.Helper()
		for _, accept := range []string{"application/json", "text/html"} {
			w := sendSet(h, "/stays/S108/new-set", limb, accept)
			if accept == "text/html" && w.Code != 303 || accept != "text/html" && w.Body.String() != first.Body.String() {
				t.Errorf("again after %s, %s: %d %s", what, accept, w.Code, w.Body)
			}
		}
	}
	now = now.Add(time.Minute)
	other := sendSet(h, "/stays/S108/new-set", typed("set=6f1c9b1e-0000-4000-8000-000000000002"), "application/json")
	if other.Code != 422 { // so that the repeat is tried against what does block a new set
		t.Fatalf("a new set of a blocked patient = %d %s", other.Code, other.Body)
	}
	again("an injury")
	narrow := d.Policy.(*policy.Switch).Current()
	narrow.Policy.Plausible.SystolicMax = 130
	d.Policy.(*policy.Switch).Set(narrow)
	again("narrower limits")
	now = now.Add(25 * time.Hour)
	h = webtest.As(web.New(d), "bedside-nurse") // the session is over by then
	again("a day")
	if w := sendSet(h, "/stays/S108/new-set", typed("base_systolic=150"), "application/json"); w.Code == 200 {
		t.Errorf("other figures = %d %s", w.Code, w.Body)
	}
	if n := len(d.Sets.(*webtest.Sets).All()); n != 4 {
		t.Errorf("%d facts, want three readings and a restriction", n)
	}
}

// answer is what a script is told.
type answer struct {
	Problems []struct{ Field, Text string }
	Doubts   []struct{ Code, Text string }
	Result   string
}

func answered(t *testing.T, w *httptest.ResponseRecorder) (a answer) {
	t.Helper()
	if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
		t.Fatalf("%d %s: %v", w.Code, w.Body, err)
	}
	return a
}

func TestWhatIsWrongWithASetGoesBackToTheForm(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	for _, c := range []struct{ change, field, says string }{
		{"base_systolic=12O", "base_systolic", "Reading at rest, systolic: type a number, from 40 to 300."},
		{"base_systolic=", "base_systolic", "Reading at rest, systolic: is missing."},
		{"second_at=2030-01-01T10:00", "second_at", "Reading at 3 min, time: lies more than 5 minutes ahead. The server's clock says 04:00."},
		{"base_at=2020-01-01T10:00", "base_at", "lies more than a day back"},
		{"first_at=soon", "first_at", "type a date and a time"},
		{"limb=", "limb", "The limb: is missing."},
		{"mobility=", "mobility", "How far the patient may get up: is missing."},
		{"symptom=", "symptom", "Symptoms: is missing."},
		{"set=", "set", "The form has lost its number."},
	} {
		w := sendSet(h, "/stays/S108/new-set", typed(c.change), "application/json")
		a := answered(t, w)
		if w.Code != 422 || len(a.Problems) != 1 || a.Problems[0].Field != c.field || !strings.Contains(a.Problems[0].Text, c.says) {
			t.Errorf("%s = %d %s, want %s: %s", c.change, w.Code, w.Body, c.field, c.says)
		}
	}
	// The plain form comes back with what was typed, and says what to do.
	w := sendSet(h, "/stays/S108/new-set", typed("first_systolic=high", "set="+setID), "text/html")
	body := w.Body.String()
	for _, want := range []string{"Not stored yet", "Reading at 1 min, systolic: type a number", `value="high"`, `value="` + setID + `"`, `value="left arm" checked`, `value="dizziness" checked`, `aria-invalid="true"`} {
		if w.Code != 422 || !strings.Contains(body, want) {
			t.Errorf("the form that comes back = %d, without %q", w.Code, want)
		}
	}
	if n := len(d.Sets.(*webtest.Sets).All()); n != 0 {
		t.Errorf("%d facts of what is wrong", n)
	}
}

// A patient stood up against what speaks against it is confirmed before it is stored.
func TestDoubtsAreConfirmed(t *testing.T) {
	var h http.Handler
	for _, c := range []struct {
		stay  string
		form  []string
		codes string
		says  string
	}{
		{"S108", []string{"base_systolic=89"}, "stood_lying_low", "under 90 mmHg"},
		{"S108", []string{"base_position=sitting", "base_systolic=89"}, "stood_lying_low", "under 90 mmHg"},
		{"S108", []string{"no_holds=", "hold=suspected fracture|chest pain"}, "stood_chest_pain stood_suspected_fracture", "A fracture, or one is suspected"},
		{"S108", []string{"mobility=bed"}, "stood_bed-rest_order", "A bed-rest order"},
		{"S108", []string{"no_holds=", "hold=chest pain", "base_systolic=89"}, "stood_lying_low stood_chest_pain", "Chest pain. If a provider"},
		{"S108", []string{"base_minutes=1"}, "short_rest", "Rested 1 min only: the set can show a drop, and cannot be negative."},
		{"S108", []string{"base_at=" + wall(-50)}, "old_baseline", "40 min after the reading at rest"},
		{"S108", []string{"first_minutes=0.3", "second_at=", "second_minutes=", "second_systolic=", "second_diastolic=", "second_pulse="}, "too_early", "under half a minute"},
		{"S108", []string{
			"first_minutes=7", "first_at=" + wall(-3), "first_systolic=140", "first_diastolic=77", "second_at=", "second_minutes=",
			"second_systolic=", "second_diastolic=", "second_pulse=", "symptom=", "no_symptoms=yes",
		}, "too_late", "at 7 min: the set can still show a drop, and cannot be negative."},
	} {
		d, _ := open(t) // anew: what is stored is asked about before the next set
		h = webtest.As(web.New(d), "bedside-nurse")
		form := typed(append(c.form, "set="+bedside.NewID())...)
		a := answered(t, sendSet(h, "/stays/"+c.stay+"/new-set", form, "application/json"))
		var codes, says []string
		for _, doubt := range a.Doubts {
			codes, says = append(codes, doubt.Code), append(says, doubt.Text)
		}
		if strings.Join(codes, " ") != c.codes || !strings.Contains(strings.Join(says, " "), c.says) || len(a.Problems) != 0 {
			t.Errorf("%v: %+v", c.form, a)
		}
		form["confirm"] = []string{"else"}
		if w := sendSet(h, "/stays/"+c.stay+"/new-set", form, "application/json"); w.Code != 422 {
			t.Errorf("%v, another confirmation = %d", c.form, w.Code)
		}
		form["confirm"] = codes
		if w := sendSet(h, "/stays/"+c.stay+"/new-set", form, "application/json"); w.Code != 200 {
			t.Errorf("%v, confirmed = %d %s", c.form, w.Code, w.Body)
		}
	}
	page := sendSet(h, "/stays/S108/new-set", typed("base_systolic=89", "set="+bedside.NewID()), "text/html")
	if !strings.Contains(page.Body.String(), `name="confirm" value="stood_lying_low"`) {
		t.Error("the plain form does not ask for the confirmation")
	}
	// Of two questions one is answered: both stand there, the answer with its question.
	half := typed("no_holds=", "hold=chest pain", "base_minutes=1", "confirm=short_rest", "set="+bedside.NewID())
	holds(t, sendSet(h, "/stays/S108/new-set", half, "text/html").Body.String(),
		`name="confirm" value="stood_chest_pain"><`, `name="confirm" value="short_rest" checked><`)
	if _, first, _ := strings.Cut(page.Body.String(), `<div id="bedside"`); !strings.Contains(first[:strings.Index(first, "<form")], `role="alert"><p><a href="#s-doubts">`) {
		t.Error("a form that comes back to be confirmed looks like a new one from above")
	}
}

// Who lay down in the evening and is stood up in the morning has rested for more than
// ten hours, and the phone cannot change that.
func TestARestOfANightIsTaken(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	if w := sendSet(h, "/stays/S108/new-set", typed("base_minutes=700"), "application/json"); w.Code != 200 {
		t.Errorf("a rest of 700 min = %d %s", w.Code, w.Body)
	}
	a := answered(t, sendSet(h, "/stays/S108/new-set", typed("base_minutes=1441"), "application/json"))
	if len(a.Problems) != 1 || !strings.Contains(a.Problems[0].Text, "minutes of a day") {
		t.Errorf("a rest of more than a day: %+v", a)
	}
}

// Somebody else has signed in, in another window: the set is not stored under a name
// that did not take it.
func TestASetOfAnotherAccountWaits(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	_, own, _ := strings.Cut(get(h, "/stays/S108/new-set").Body.String(), `name="account" value="`)
	own, _, _ = strings.Cut(own, `"`)
	if w := sendSet(h, "/stays/S108/new-set", typed("account=424242"), "application/json"); w.Code != 401 {
		t.Errorf("a set of another account = %d", w.Code)
	}
	if w := sendSet(h, "/stays/S108/new-set", typed("account=424242"), "text/html"); w.Code != 409 || !strings.Contains(w.Body.String(), "opened under another account") || !strings.Contains(w.Body.String(), `value="`+own+`"`) || !strings.Contains(w.Body.String(), `value="142"`) {
		t.Errorf("the plain form of another account = %d", w.Code)
	}
	if n := len(d.Sets.(*webtest.Sets).All()); n != 0 {
		t.Errorf("%d facts are stored", n)
	}
	if w := sendSet(h, "/stays/S108/new-set", typed("account="+own), "application/json"); w.Code != 200 {
		t.Errorf("a set of the own account = %d", w.Code)
	}
}

// A set that somebody must be told of says so at once, and leads to where it is taken.
func TestTheResultSaysWhatIsOwed(t *testing.T) {
	d, _ := open(t)
	owed(t, d, "4W")
	h := webtest.As(web.New(d), "bedside-nurse")
	// The set is stepped as after any load: it answers what was owed, and is itself one of
	// which the provider must be told (T-LOW).
	if w := sendSet(h, "/stays/S103/new-set", typed("first_systolic=84"), "application/json"); w.Code != 200 {
		t.Fatalf("sent = %d %s", w.Code, w.Body)
	}
	page := get(h, "/stays/S103/new-set?sent="+setID).Body.String()
	for _, e := range historiesOf(t, d, "S103") {
		if e.Episode.Active() {
			holds(t, page, `<a href="/stays/S103#e-`+e.Episode.ID+`">`+text.EpisodeKinds[e.Episode.Kind]+"</a>")
		}
	}
	holds(t, page, "Owed for this patient:", ">Tell the provider</a>")
}

// The patient is discharged while the form is open: what was taken is kept, and
// nothing is asked for of somebody who is not there.
func TestASetOfADischargedPatient(t *testing.T) {
	d, board := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	lacks(t, get(h, "/stays/S108/new-set").Body.String(), "This patient was discharged.")
	seen, err := board.Stay(t.Context(), "S108", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	stay, left := seen.Assessment.Digest.Stay, demo.AnchorTime().Add(-2*time.Minute)
	stay.DischargedAt = &left
	board.Put(t, clinical.Version{
		Kind: clinical.KindStay, SourceID: "S108", StayID: "S108", RecordedAt: left, Stated: true, Status: clinical.Final, Body: stay,
	})
	holds(t, get(h, "/stays/S108/new-set").Body.String(), "This patient was discharged.", "can still be sent")
	if w := sendSet(h, "/stays/S108/new-set", typed(), "application/json"); w.Code != 200 {
		t.Fatalf("sent = %d %s", w.Code, w.Body)
	}
	page := get(h, "/stays/S108/new-set?sent="+setID).Body.String()
	holds(t, page, "142/78", "Nothing is asked for on this unit any more.")
	lacks(t, page, "What is asked for next", "precautions missing")
}

// The chart speaks against standing: it is said on the form, and confirmed.
func TestWhatTheChartHoldsAgainstStanding(t *testing.T) {
	d, board := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	list, err := board.List(context.Background(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, a := range list {
		says := map[string]string{"injury_uncleared": "injury: stand only when cleared", "not_ambulatory": "charted not ambulatory"}
		for _, why := range a.Recheck.Missing {
			if says[why] == "" || found[why] {
				continue
			}
			found[why] = true
			path := "/stays/" + a.Digest.StayID + "/new-set"
			if body := get(h, path).Body.String(); !strings.Contains(body, says[why]) || !strings.Contains(body, why) {
				t.Errorf("%s is not said on the form", why)
			}
			a := answered(t, sendSet(h, path, typed(), "application/json"))
			if why == "injury_uncleared" { // who cleared it must be said: no tap confirms it
				if len(a.Problems) != 1 || a.Problems[0].Field != "cleared_by" || !strings.Contains(a.Problems[0].Text, "An injury blocks standing") {
					t.Errorf("%s: %+v", why, a)
				}
				continue
			}
			if len(a.Doubts) != 1 || a.Doubts[0].Code != "stood_not_ambulatory" || !strings.Contains(a.Doubts[0].Text, says[why]) {
				t.Errorf("%s: %+v", why, a)
			}
		}
	}
	if len(found) != 2 {
		t.Errorf("the demo shows %v alone", found)
	}
}

// A reading at rest with what withheld standing is a set that nobody reads as one
// ended by symptoms.
func TestAPainAtRestIsNoFindingOfStanding(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	var alone []string
	for field := range typed() {
		if strings.HasPrefix(field, "first") || strings.HasPrefix(field, "second") || field == "symptom" {
			alone = append(alone, field+"=")
		}
	}
	w := sendSet(h, "/stays/S108/new-set", typed(append(alone, "no_holds=", "hold=chest pain")...), "application/json")
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	result := get(h, answered(t, w).Result).Body.String()
	if !strings.Contains(result, "cannot be read") || !strings.Contains(result, "Not put upright: chest pain.") || strings.Contains(result, "F-STOP") {
		t.Errorf("the result reads %s", result)
	}
}

// The form that a browser keeps, and the script that opens it, know nobody.
func TestTheShellKnowsNobody(t *testing.T) {
	all, d := noted(t, kept)
	h := webtest.As(web.New(d), "falls-nurse")
	before := len(*all)
	shell := get(h, "/new-set-shell").Body.String()
	if strings.Contains(shell, "falls-nurse") || strings.Contains(shell, "/units/") || strings.Contains(shell, "data-idle") || !strings.Contains(shell, `data-shell="yes"`) {
		t.Error("the shell holds something of an account")
	}
	if beds := get(h, "/new-set-beds-shell").Body.String(); strings.Contains(beds, "falls-nurse") || strings.Contains(beds, "/units/") ||
		strings.Contains(beds, "data-kept") || !strings.Contains(beds, `data-shell="yes"`) {
		t.Error("the shell of the beds holds something of an account")
	}
	worker := get(h, "/new-set-worker.js")
	if kind := worker.Header().Get("Content-Type"); !strings.HasPrefix(kind, "text/javascript") || !strings.HasPrefix(worker.Body.String(), `const FILES = ["/new-set-shell", "/static/app.`) {
		t.Errorf("the worker is %s: %.80s", kind, worker.Body)
	}
	if len(*all) != before {
		t.Error("what holds no patient is in the audit")
	}
	if got := worker.Header().Get("Content-Security-Policy"); !strings.Contains(got, "worker-src 'self'") {
		t.Errorf("workers may come from %s", got)
	}
}

func TestChoosingAPatientForASet(t *testing.T) {
	d, board := open(t)
	list, err := board.List(context.Background(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	body := get(webtest.As(web.New(d), "bedside-nurse"), "/units/4W/new-set").Body.String()
	due, others, ok := strings.Cut(body, "Everyone else")
	if !ok {
		t.Fatal("there are not two lists")
	}
	for _, a := range list {
		owed := a.Recheck.State == "overdue" || a.Recheck.State == "due"
		href := `href="/stays/` + a.Digest.StayID + `/new-set"`
		if strings.Contains(due, href) != owed || strings.Contains(others, href) == owed {
			t.Errorf("bed %s, recheck %s, stands in the wrong list", a.Digest.Stay.Bed, a.Recheck.State)
		}
	}
	if strings.Index(others, ">2A<") > strings.Index(others, ">11A<") {
		t.Error("beds are not in their natural order")
	}
}

func TestASetIsOfNow(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	for _, w := range []*httptest.ResponseRecorder{
		get(h, "/stays/S108/new-set?as_of=2026-11-01T12:00:00Z"), sendSet(h, "/stays/S108/new-set?as_of=2026-11-01T12:00:00Z", typed(), "text/html"),
	} {
		if w.Code != 400 || !strings.Contains(w.Body.String(), "A set is taken now") {
			t.Errorf("at another moment = %d", w.Code)
		}
	}
	if w := get(h, "/stays/S108/new-set?sent="+setID); w.Code != 404 {
		t.Errorf("the result of a set that was not sent = %d", w.Code)
	}
}

// Without a record nothing is stored.
func TestASetThatCannotBeAuditedIsRefused(t *testing.T) {
	_, d := noted(t, func(e records.AuditEntry) error {
		if e.Did == audit.Change {
			return context.DeadlineExceeded
		}
		return nil
	})
	w := sendSet(webtest.As(web.New(d), "bedside-nurse"), "/stays/S108/new-set", typed(), "application/json")
	if w.Code != 503 || len(d.Sets.(*webtest.Sets).All()) != 0 {
		t.Errorf("%d, %d facts", w.Code, len(d.Sets.(*webtest.Sets).All()))
	}
}
