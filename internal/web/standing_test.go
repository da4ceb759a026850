package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// wall writes a moment as the plain form does, minutes from the anchor.
func wall(minutes int) string {
	zone, _ := time.LoadLocation("America/Chicago")
	return demo.AnchorTime().Add(time.Duration(minutes) * time.Minute).In(zone).Format("2006-01-02T15:04")
}

// blockedStay is a stay of the demo unit whose standing is blocked after an injury.
func blockedStay(t *testing.T, board *webtest.Answers) alerts.Assessment {
	t.Helper()
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		for _, word := range a.Recheck.Missing {
			if word == alerts.InjuryUncleared {
				return a
			}
		}
	}
	t.Fatal("the demo shows nobody whose standing is blocked")
	return alerts.Assessment{}
}

// After a fall with injury nobody is stood without who cleared it and when; that lands as a
// clearance, which ends the block (Recheck, "blocked"; T-CLEARANCE).
func TestABlockedPatientIsStoodWithAClearanceAlone(t *testing.T) {
	d, board := open(t)
	blocked := blockedStay(t, board)
	path := "/stays/" + blocked.Digest.StayID + "/new-set"
	h := webtest.As(web.New(d), "bedside-nurse")
	for _, c := range []struct{ form, field string }{
		{"confirm=stood", "cleared_by"},
		{"cleared_by=Dr A", "cleared_at"},
		{"cleared_at=" + wall(-12), "cleared_by"},
	} {
		a := answered(t, sendSet(h, path, typed(c.form), "application/json"))
		if len(a.Problems) != 1 || a.Problems[0].Field != c.field || len(a.Doubts) != 0 {
			t.Errorf("%s: %+v", c.form, a)
		}
	}
	for by, says := range map[string]string{
		"none": "“none” names no provider", "bedside-nurse": "is your own name", "Bedside Nurse": "is your own name",
	} {
		a := answered(t, sendSet(h, path, typed("cleared_by="+by, "cleared_at="+wall(-12)), "application/json"))
		if len(a.Problems) != 1 || a.Problems[0].Field != "cleared_by" || !strings.Contains(a.Problems[0].Text, says) {
			t.Errorf("cleared by %s: %+v", by, a)
		}
	}
	var from time.Time
	for _, f := range blocked.Digest.Falls {
		if at, ok := f.BlocksFrom(); ok {
			from = at
		}
	}
	before := int(from.Sub(demo.AnchorTime()).Minutes()) - 2
	a := answered(t, sendSet(h, path, typed("cleared_by=Dr A", "cleared_at="+wall(before)), "application/json"))
	if len(a.Problems) != 1 || !strings.Contains(a.Problems[0].Text, "before the injury") {
		t.Errorf("cleared before the injury: %+v", a)
	}
	if n := len(d.Sets.(*webtest.Sets).All()); n != 0 {
		t.Fatalf("%d facts of what was refused", n)
	}
	cleared := typed("cleared_by=Dr A", "cleared_at="+wall(-12))
	if w := sendSet(h, path, cleared, "application/json"); w.Code != 200 {
		t.Fatalf("cleared = %d %s", w.Code, w.Body)
	}
	facts := d.Sets.(*webtest.Sets).All()
	if len(facts) != 4 {
		t.Fatalf("%d facts", len(facts))
	}
	for _, f := range facts {
		if c, ok := f.Body.(clinical.Clearance); ok && (c.By != "Dr A" || !c.ClearedAt.Equal(demo.AnchorTime().Add(-12*time.Minute))) {
			t.Errorf("the clearance is %+v", c)
		}
	}
	view, err := d.Answers.Stay(t.Context(), blocked.Digest.StayID, d.Clock())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range view.Assessment.Reasons {
		if r.Rule == alerts.TClearance {
			t.Error("somebody has still to decide whether the patient may stand")
		}
	}
	holds(t, get(h, path+"?sent="+setID).Body.String(), "Standing cleared by Dr A at ")
}

// A limb that must not be measured stands on the patient's page and on top of each later
// set, until it is taken back.
func TestALimbRestrictionIsRememberedUntilItIsTakenBack(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	h := webtest.As(web.New(d), "bedside-nurse")
	if w := sendSet(h, "/stays/S108/new-set", typed("restrict=right arm", "because=fistula"), "application/json"); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	now = now.Add(time.Minute) // pages answer for the beginning of the minute
	page := get(h, "/stays/S108").Body.String()
	for _, path := range []string{"/stays/S108", "/stays/S108/new-set", "/units/4W", "/units/4W/new-set"} {
		if got := get(h, path).Body.String(); !strings.Contains(got, "right arm") {
			t.Errorf("%s does not say that the right arm must not be measured", path)
		}
	}
	again := typed("set="+bedside.NewID(), "limb=right arm", "base_at="+wall(-1), "first_at="+wall(0), "second_at="+wall(1))
	if a := answered(t, sendSet(h, "/stays/S108/new-set", again, "application/json")); len(a.Doubts) != 1 || a.Doubts[0].Code != "restricted_limb" {
		t.Errorf("measured on it all the same: %+v", a)
	}
	_, form, ok := strings.Cut(page, `action="/stays/S108/restrictions">`)
	if !ok {
		t.Fatal("the patient's page has no way to take it back")
	}
	value := func(name string) string {
		_, v, _ := strings.Cut(form, `name="`+name+`" value="`)
		v, _, _ = strings.Cut(v, `"`)
		return v
	}
	back := url.Values{"form": {value("form")}, "restriction": {value("restriction")}}
	for range 2 { // a second tap finds it done
		if w := sendSet(h, "/stays/S108/restrictions", back, "text/html"); w.Code != http.StatusSeeOther && w.Code != http.StatusBadRequest {
			t.Errorf("taken back = %d %s", w.Code, w.Body)
		}
	}
	view, err := d.Answers.Stay(t.Context(), "S108", d.Clock())
	if err != nil || len(view.Assessment.Restrictions()) != 0 {
		t.Errorf("taken back, %v holds: %v", view.Assessment.Restrictions(), err)
	}
	// One that a feed brought ends in the hospital's own record.
	back.Set("restriction", "R-of-a-feed")
	if w := sendSet(h, "/stays/S108/restrictions", back, "text/html"); w.Code != http.StatusBadRequest {
		t.Errorf("one that is not of this program = %d", w.Code)
	}
}

// What is outside V-PLAUSIBLE (40 to 300, 10 to 200, 20 to 300), or a diastolic not below the
// systolic, is refused with its name and limits, whatever is confirmed.
func TestWhatIsNotBelievedIsRefused(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	for _, c := range []struct{ form, says string }{
		{"first_systolic=1080", "Reading at 1 min, systolic: 1080 is outside 40 to 300 and is not taken."},
		{"base_systolic=39", "Reading at rest, systolic: 39 is outside 40 to 300"},
		{"base_diastolic=142", "Reading at rest, diastolic: 142 is not below the systolic."},
		{"second_pulse=8", "Reading at 3 min, pulse: 8 is outside 20 to 300"},
		{"base_diastolic=7O", "Reading at rest, diastolic: type a number, from 10 to 200."},
	} {
		form := typed(c.form, "confirm=base_figures|first_figures|second_figures")
		a := answered(t, sendSet(h, "/stays/S108/new-set", form, "application/json"))
		if len(a.Problems) != 1 || !strings.Contains(a.Problems[0].Text, c.says) {
			t.Errorf("%s: %+v", c.form, a)
		}
	}
	page := sendSet(h, "/stays/S108/new-set", typed("base_systolic=39"), "text/html").Body.String()
	holds(t, page, `<section class="emergency" role="alert">`, "Call for help by your local procedure.")
	if n := len(d.Sets.(*webtest.Sets).All()); n != 0 {
		t.Errorf("%d facts of what is refused", n)
	}
}

// An emergency leads the result, with what to do, and whom was told of it is kept once as
// an event of the app, not as a fact.
func TestAnEmergencyLeadsTheResult(t *testing.T) {
	for _, c := range []struct {
		name, says, do string
		form           []string
	}{
		{"loss", "Loss of consciousness", "Lay the patient flat", []string{"symptom=loss of consciousness", "stopped=yes"}},
		{"chest pain", "Chest pain", "sit or lie", []string{"symptom=chest pain"}},
		{"low", "Systolic at rest under 90 mmHg", "stays lying", []string{"base_systolic=84", "confirm=stood_lying_low"}},
		{"low sitting", "Systolic at rest under 90 mmHg", "stays lying", []string{"base_position=sitting", "base_systolic=84", "confirm=stood_lying_low"}},
		{"unread", "The cuff could not read", "measure by hand", []string{
			"base_systolic=", "base_diastolic=", "base_pulse=", "base_unread=yes", "symptom=confusion",
			"first_systolic=", "first_diastolic=", "first_pulse=", "second_systolic=", "second_diastolic=", "second_pulse=",
		}},
	} {
		d, _ := open(t)
		now := d.Clock()
		d.Clock = func() time.Time { return now }
		h := webtest.As(web.New(d), "bedside-nurse")
		if w := sendSet(h, "/stays/S108/new-set", typed(c.form...), "application/json"); w.Code != 200 {
			t.Fatalf("%s: %d %s", c.name, w.Code, w.Body)
		}
		stored := len(d.Sets.(*webtest.Sets).All())
		if c.name == "unread" { // it stands wherever the set does, and no document has a field for it
			now = now.Add(time.Minute) // pages are of the start of a minute
			for _, where := range []string{"/stays/S108/new-set?sent=" + setID, "/stays/S108", "/units/4W"} {
				if body := get(h, where).Body.String(); !strings.Contains(body, "the cuff could not read") {
					t.Errorf("%s does not say that the cuff could not read", where)
				}
			}
			lacks(t, get(h, "/api/v1/stays/S108/sets").Body.String(), "could not read", "no_baseline", "why_none")
		}
		page := get(h, "/stays/S108/new-set?sent="+setID).Body.String()
		_, main, _ := strings.Cut(page, `<div class="bedside-result">`)
		first, rest, _ := strings.Cut(main, "<h1>")
		holds(t, first, c.says, c.do, "Call for help by your local procedure.", "Nobody is charted as told.")
		holds(t, rest, "set stored")
		told := url.Values{"set": {setID}, "told": {"provider"}}
		for range 2 {
			if w := sendSet(h, "/stays/S108/new-set/told", told, "text/html"); w.Code != http.StatusSeeOther {
				t.Fatalf("%s: told = %d %s", c.name, w.Code, w.Body)
			}
		}
		holds(t, get(h, "/stays/S108/new-set?sent="+setID).Body.String(), "Told the provider at ")
		if n := len(d.Sets.(*webtest.Sets).All()); n != stored {
			t.Errorf("%s: telling made %d facts", c.name, n-stored)
		}
	}
}

// A set begun by somebody else in the last 20 minutes is shown, and two sets within minutes
// are named as such.
func TestTwoSetsAtOnceAreSaid(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	pages := web.New(d)
	first, second := webtest.As(pages, "bedside-nurse"), webtest.As(pages, "falls-nurse")
	account := func(h http.Handler) string {
		_, own, _ := strings.Cut(get(h, "/stays/S108/new-set").Body.String(), `name="account" value="`)
		own, _, _ = strings.Cut(own, `"`)
		return own
	}
	begin := func(h http.Handler, set string) string {
		w := sendSet(h, "/stays/S108/new-set/begun", url.Values{"set": {set}, "account": {account(h)}}, "application/json")
		if w.Code != 200 {
			t.Fatalf("begun = %d %s", w.Code, w.Body)
		}
		return w.Body.String()
	}
	if got := begin(first, setID); strings.Contains(got, "has begun") {
		t.Errorf("the first one is told %s", got)
	}
	holds(t, get(second, "/stays/S108/new-set").Body.String(), "bedside-nurse has begun a set on this patient")
	holds(t, begin(second, bedside.NewID()), "bedside-nurse has begun a set")
	lacks(t, get(first, "/stays/S109/new-set").Body.String(), "has begun a set")
	now = now.Add(21 * time.Minute)
	lacks(t, get(second, "/stays/S108/new-set").Body.String(), "has begun a set")

	other := bedside.NewID()
	for _, form := range []url.Values{typed(), typed("set="+other, "base_at="+wall(-2), "first_at="+wall(-1), "second_at="+wall(1))} {
		if w := sendSet(first, "/stays/S108/new-set", form, "application/json"); w.Code != 200 {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
	}
	now = now.Add(time.Minute)
	const within = "Another set was begun 8 min before it: two sets within minutes."
	holds(t, get(first, "/stays/S108/new-set?sent="+other).Body.String(), within)
	holds(t, get(first, "/stays/S108").Body.String(), within)
}

// Whoever has tapped that the provider was told is not asked to tell the provider: the
// episode that the set has opened ends by it.
func TestToldAtTheBedsideIsTold(t *testing.T) {
	for _, told := range []bool{false, true} {
		d, _ := open(t)
		owed(t, d, "4W")
		h := webtest.As(web.New(d), "bedside-nurse")
		form := typed("first_systolic=84", "symptom=chest pain") // T-LOW
		if told {
			form.Set("told", "provider "+demo.AnchorTime().Add(-5*time.Minute).UTC().Format(time.RFC3339))
		}
		if w := sendSet(h, "/stays/S103/new-set", form, "application/json"); w.Code != 200 {
			t.Fatalf("sent = %d %s", w.Code, w.Body)
		}
		page := get(h, "/stays/S103/new-set?sent="+setID).Body.String()
		if asked := strings.Contains(page, ">Tell the provider</a>"); asked == told {
			t.Errorf("told %v: asked to tell the provider %v", told, asked)
		}
	}
}
