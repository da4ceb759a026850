package web_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// An emergency of a set minutes ago stands where the next bed is chosen.
func TestEmergenciesStandWhereABedIsChosen(t *testing.T) {
	for symptom, want := range map[string]string{
		"loss of consciousness": "stopped by symptoms (loss of consciousness)", "chest pain": "chest pain ", "nausea": "",
	} {
		d, _ := open(t)
		h := webtest.As(web.New(d), "bedside-nurse")
		if w := sendSet(h, "/stays/S108/new-set", typed("symptom="+symptom), "application/json"); w.Code != 200 {
			t.Fatalf("%s = %d %s", symptom, w.Code, w.Body)
		}
		d.Clock = func(now time.Time) func() time.Time { return func() time.Time { return now } }(d.Clock().Add(time.Minute))
		_, row, _ := strings.Cut(get(webtest.As(web.New(d), "bedside-nurse"), "/units/4W/new-set").Body.String(), `href="/stays/S108/new-set"`)
		row, _, _ = strings.Cut(row, "</li>")
		for _, word := range []string{"stopped by symptoms", "chest pain"} {
			if strings.Contains(row, word) != strings.HasPrefix(want, word) {
				t.Errorf("%s: the row of the bed says %s", symptom, row)
			}
		}
		holds(t, row, want)
	}
}

// A coded fracture blocks nothing, and says "ask before standing" (Recheck): a set of a patient
// stood up all the same is asked about once, and not where a provider has cleared it.
func TestACodedFractureIsAskedAbout(t *testing.T) {
	d, board := open(t)
	board.Put(t, clinical.Version{
		Kind: clinical.KindCondition, SourceID: "C-new", StayID: "S108", RecordedAt: d.Clock().Add(-time.Hour), Stated: true,
		Status: clinical.Final, Body: clinical.Condition{ICD10: "S72.0"},
	})
	h := webtest.As(web.New(d), "bedside-nurse")
	a := answered(t, sendSet(h, "/stays/S108/new-set", typed(), "application/json"))
	if len(a.Doubts) != 1 || a.Doubts[0].Code != "stood_not_asked" || !strings.Contains(a.Doubts[0].Text, "S72.0") {
		t.Errorf("asked: %+v", a)
	}
	rest := typed("first_systolic=", "first_diastolic=", "first_pulse=", "second_systolic=", "second_diastolic=", "second_pulse=",
		"symptom=", "set=6f1c9b1e-0000-4000-8000-000000000002")
	if w := sendSet(h, "/stays/S108/new-set", rest, "application/json"); w.Code != http.StatusOK {
		t.Errorf("at rest = %d %s", w.Code, w.Body)
	}
	if w := sendSet(h, "/stays/S108/new-set", typed("confirm=stood_not_asked"), "application/json"); w.Code != http.StatusOK {
		t.Errorf("confirmed = %d %s", w.Code, w.Body)
	}
}

// Who fell with an injury and was stood since without a clearance is asked about as a fracture is: the set
// has ended the block, and no provider has decided.
func TestAnInjuryThatNobodyClearedIsAskedAbout(t *testing.T) {
	d, board := open(t)
	fell := d.Clock().Add(-5 * time.Hour)
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-new", StayID: "S108", RecordedAt: fell, Stated: true,
		Status: clinical.Final, Body: clinical.Fall{FellAt: fell, Injury: "moderate"},
	})
	for n, p := range []clinical.Position{clinical.Lying, clinical.Standing} {
		v := felt(p)
		v.TakenAt, v.SetID = fell.Add(time.Hour+time.Duration(n)*3*time.Minute), "since"
		board.Put(t, clinical.Version{
			Kind: clinical.KindVitals, SourceID: "V-" + string(p), StayID: "S108", RecordedAt: v.TakenAt, Stated: true,
			Status: clinical.Final, Body: v,
		})
	}
	h := webtest.As(web.New(d), "bedside-nurse")
	a := answered(t, sendSet(h, "/stays/S108/new-set", typed(), "application/json"))
	if len(a.Doubts) != 1 || a.Doubts[0].Code != "stood_not_asked" || !strings.Contains(a.Doubts[0].Text, "no clearance charted") {
		t.Errorf("asked: %+v", a)
	}
	if w := sendSet(h, "/stays/S108/new-set", typed("cleared_by=Dr A", "cleared_at="+wall(-20)), "application/json"); w.Code != http.StatusOK {
		t.Errorf("cleared = %d %s", w.Code, w.Body)
	}
}

// A word that is no precaution is refused with its reason, and nothing is stored.
func TestAPrecautionThatIsNoneIsRefused(t *testing.T) {
	s := newShift(t)
	h := webtest.As(web.New(s.deps), "bedside-nurse")
	for _, word := range []string{"magic", "ASSISTED RISING"} {
		form := url.Values{"place": {"assisted rising", word}}
		r := httptest.NewRequest(http.MethodPost, "/stays/S106/precautions", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		before, w := len(s.charted("S106", clinical.KindPrecaution)), httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusUnprocessableEntity || !strings.Contains(w.Body.String(), "is no precaution") {
			t.Errorf("%s = %d", word, w.Code)
		}
		if after := len(s.charted("S106", clinical.KindPrecaution)); after != before {
			t.Errorf("%s: %d charted, then %d", word, before, after)
		}
	}
}
