package web_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/trends"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// chartVitals charts vital signs of S109, hours before the anchor.
func chartVitals(t *testing.T, board *webtest.Answers, id, feed string, hours float64, v clinical.Vitals) {
	t.Helper()
	v.TakenAt = demo.AnchorTime().Add(-time.Duration(hours * float64(time.Hour)))
	board.Put(t, clinical.Version{
		Kind: clinical.KindVitals, SourceID: id, StayID: "S109", RecordedAt: v.TakenAt, Stated: true, Status: clinical.Final,
		Feed: feed, Body: v,
	})
}

// felt are usual figures with symptoms.
func felt(p clinical.Position, symptoms ...string) clinical.Vitals {
	systolic, diastolic := 150.0, 80.0
	return clinical.Vitals{Systolic: &systolic, Diastolic: &diastolic, Position: p, Symptoms: symptoms}
}

// unread is a reading of a cuff that could not read, as the bedside form charts it.
var unread = clinical.Vitals{Position: clinical.Lying, SetID: "U"}

// Emergencies that no rule ranks stand wherever somebody is about to stand the patient, each kind on its
// own: a later pain in the chest hides no loss of consciousness. They give no tier; after the hours of
// tiers.recent_hours they are history.
func TestAnEmergencyThatNoSetTells(t *testing.T) {
	d, board := open(t)
	was := assessmentOf(t, board)
	pages := func() map[string]string {
		h := webtest.As(web.New(d), "bedside-nurse")
		list := get(h, "/units/4W").Body.String()
		row := part(t, list, `id="row-S109"`, `id="row-`)
		return map[string]string{
			"row": row, "handover": part(t, row, `class="handover"`, "</textarea>"),
			"paper":   part(t, part(t, list, `class="sheet`, "</html>"), `class="bed">`+was.Digest.Stay.Bed+"</b>", "</tr>"),
			"patient": part(t, get(h, "/stays/S109").Body.String(), "<h1>", `id="h-`),
			"choice":  part(t, get(h, "/units/4W/new-set").Body.String(), "/stays/S109/new-set", "</li>"),
			"round":   part(t, get(h, "/units/4W/round").Body.String(), `href="/stays/S109"`, "</li>"),
			"form":    get(h, "/stays/S109/new-set").Body.String(),
		}
	}
	lack := func(when string, what ...string) {
		t.Helper()
		for where, page := range pages() {
			for _, w := range what {
				if strings.Contains(strings.ToLower(page), w+" ") || strings.Contains(strings.ToLower(page), w+"</strong>") {
					t.Errorf("%s, %s: %s stands there", when, where, w)
				}
			}
		}
	}
	tell := func(when string, what ...string) {
		t.Helper()
		for where, page := range pages() {
			for _, w := range what {
				if !strings.Contains(strings.ToLower(page), w+" ") && !strings.Contains(strings.ToLower(page), w+"</strong>") {
					t.Errorf("%s, %s: %s does not stand there: %.400s", when, where, w, page)
				}
			}
		}
	}
	lost, pain, cuff := clinical.LossOfConsciousness, clinical.HoldChestPain, trends.CouldNotRead
	chartVitals(t, board, "OLD", "", 100, felt(clinical.Lying, lost, pain))
	lack("of four days ago", lost, pain, cuff)
	chartVitals(t, board, "LOST", "", 2, felt(clinical.Lying, lost))
	chartVitals(t, board, "PAIN", "", 1, felt(clinical.NoPosition, pain))
	tell("both", lost, pain)
	lack("both", cuff)
	chartVitals(t, board, "CUFF", clinical.BedsideFeed, 0.5, unread)
	tell("all three", lost, pain, cuff)
	if got := assessmentOf(t, board); got.Tier != was.Tier || len(got.Emergencies) != 3 {
		t.Errorf("tier %s was %s; %+v", got.Tier, was.Tier, got.Emergencies)
	}
	chartVitals(t, board, "READ", "", 0.25, felt(clinical.Lying))
	tell("a pressure was read since", lost, pain)
	if got := assessmentOf(t, board); len(got.Emergencies) != 2 {
		t.Errorf("a pressure was read since: %+v", got.Emergencies)
	}
}

// Who comes next reads on the patient's page whether anybody was told of the emergency of a set, and is led
// to where that is charted.
func TestThePatientsPageSaysWhoWasToldOfAnEmergency(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	h := webtest.As(web.New(d), "bedside-nurse")
	lacks(t, get(h, "/stays/S109").Body.String(), "charted as told")
	form := typed("base_systolic=", "base_diastolic=", "base_pulse=", "base_unread=yes", "symptom=confusion", "first_systolic=",
		"first_diastolic=", "first_pulse=", "second_systolic=", "second_diastolic=", "second_pulse=")
	if w := sendSet(h, "/stays/S109/new-set", form, "application/json"); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	now = now.Add(time.Minute)
	head := func(who string) string {
		return part(t, get(webtest.As(web.New(d), who), "/stays/S109").Body.String(), "<h1>", `id="h-`)
	}
	holds(t, head("bedside-nurse"), "The cuff could not read", "Nobody is charted as told.", `href="/stays/S109/new-set?sent=`+setID+`"`)
	if w := sendSet(h, "/stays/S109/new-set/told", url.Values{"set": {setID}, "told": {"nurse in charge"}}, "text/html"); w.Code != 303 {
		t.Fatalf("told = %d", w.Code)
	}
	holds(t, head("bedside-nurse"), "Told the nurse in charge at ")
	lacks(t, head("pharmacist"), "?sent=")
}

// What happened minutes before, in a set or not, is asked about before a patient is stood: nothing is
// stored until it was answered or a provider has cleared the patient since.
func TestAnEmergencyIsAskedAboutBeforeStanding(t *testing.T) {
	lying := func(systolic, diastolic float64) clinical.Vitals {
		return clinical.Vitals{Systolic: &systolic, Diastolic: &diastolic, Position: clinical.Lying}
	}
	inASet := felt(clinical.Lying, clinical.HoldChestPain)
	inASet.SetID = "GIVEN"
	for what, v := range map[string]clinical.Vitals{
		"loss of consciousness": felt(clinical.Lying, clinical.LossOfConsciousness),
		"chest pain":            felt(clinical.NoPosition, clinical.HoldChestPain), "chest pain ": inASet,
		"low at rest: 78/45 lying": lying(78, 45), "the cuff could not read": unread, "": lying(140, 80),
	} {
		d, board := open(t)
		h := webtest.As(web.New(d), "bedside-nurse")
		feed := ""
		if v.SetID == unread.SetID {
			feed = clinical.BedsideFeed
		}
		chartVitals(t, board, "BEFORE", feed, 0.1, v)
		send := func(changes ...string) (int, string) {
			form := typed(append([]string{
				"base_at=" + wall(-4), "first_at=" + wall(-3), "second_at=" + wall(-1), "symptom=", "no_symptoms=yes",
				"first_systolic=138", "first_diastolic=78", "second_systolic=138", "second_diastolic=78",
			}, changes...)...)
			w := sendSet(h, "/stays/S109/new-set", form, "application/json")
			return w.Code, w.Body.String()
		}
		code, body := send()
		if what == "" {
			if code != 200 {
				t.Errorf("nothing has happened: %d %s", code, body)
			}
			continue
		}
		if code != 422 || !strings.Contains(body, "although this speaks against it: "+what) {
			t.Errorf("%s: %d %s", what, code, body)
			continue
		}
		asked := part(t, body, `"code":"`, `"`)
		holds(t, get(h, "/stays/S109/new-set").Body.String(), `data-code="`+asked+`"`)
		if code, body := send("cleared_by=Dr Chen", "cleared_at="+wall(-30)); code != 422 {
			t.Errorf("%s: cleared before it: %d %s", what, code, body)
		}
		later := strings.Replace(asked, "_20", "_19", 1)
		if code, body := send("confirm=" + later); code != 422 {
			t.Errorf("%s: the answer about another one: %d %s", what, code, body)
		}
		if code, body := send("confirm=" + asked); code != 200 {
			t.Errorf("%s: %d %s", what, code, body)
		}
		if code, body := send("set="+otherSet, "cleared_by=Dr Chen", "cleared_at="+wall(-5)); code != 200 {
			t.Errorf("%s: cleared since: %d %s", what, code, body)
		}
	}
}

const otherSet = "6a7f3a58-5f8f-4a3e-9a34-000000000077"
