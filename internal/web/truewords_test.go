package web_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// The rule: a negative set from before a fall, a start or a raise is told by shape and word.
// The stories (internal/demo): 7B fell after two negative sets; 12A's lisinopril was raised and
// 13A's amlodipine started after theirs; 1A has stood since her fall.
func TestANegativeFromBeforeAFallOrARaiseIsSaidToBe(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	display := get(h, "/units/4W?names=off").Body.String()
	page := get(h, "/units/4W").Body.String()
	sheet := page[strings.Index(page, `class="sheet`):]
	for stay, want := range map[string]string{
		"S101": "before the fall", "S112": "before the raise of lisinopril", "S116": "before the start of amlodipine",
	} {
		mark := `<span class="finding negative overtaken"><span class="mark" aria-hidden="true"></span>negative <span class="before">` + want
		own := get(h, "/stays/"+stay).Body.String()
		for where, body := range map[string]string{"list": page, "display": display, "patient": own} {
			if !strings.Contains(body, mark) {
				t.Errorf("%s, %s: no %q", stay, where, want)
			}
		}
		if n := strings.Count(own, mark); n < 3 { // at a glance, the latest, every set
			t.Errorf("%s: the patient's page marks it %d times", stay, n)
		}
		if !regexp.MustCompile(`class="past">[^<]*negative ` + want + `;`).MatchString(sheet) {
			t.Errorf("%s: paper does not say %q", stay, want)
		}
	}
	if own := get(h, "/stays/S111").Body.String(); !strings.Contains(own, `<span class="finding negative filled">`) {
		t.Error("a negative from after the fall is grey too")
	}
}

// The rule: timing, whether it lasted and the figure stand in every line that says positive.
// S106 is positive by her diastolic pressure alone, S128 at once and not at a minute.
func TestEveryLineOfAPositiveSetTellsItsFigureAndCourse(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	list := get(h, "/units/4W").Body.String()
	sheet := list[strings.Index(list, `class="sheet`):]
	queue := get(webtest.As(web.New(d), string(records.Pharmacist)), "/dose-review").Body.String()
	for stay, want := range map[string]struct{ figure, course string }{
		"S106": {"diastolic drop 14", "classic, sustained"},
		"S128": {"systolic drop 44", "possible initial, not sustained"},
	} {
		own := get(h, "/stays/"+stay).Body.String()
		glance := own[strings.Index(own, `class="glance"`):strings.Index(own, `class="toc"`)]
		for where, body := range map[string]string{
			"at a glance": glance, "on the list": list, "on paper": sheet,
		} {
			if !strings.Contains(body, want.figure) || !strings.Contains(body, want.course) {
				t.Errorf("%s %s: no %q, %q", stay, where, want.figure, want.course)
			}
		}
	}
	if !regexp.MustCompile(`positive</span>, (classic|delayed|possible initial)`).MatchString(queue) {
		t.Error("the queue of the dose review does not say when the drops came")
	}
}

// The rule: "nothing owed" never stands beside "overdue". Bed 11B cannot stand: her
// admission set was due five days ago, and nobody can take it.
func TestNothingOwedNeverStandsBesideOverdue(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	for _, at := range []string{"", "?as_of=2026-11-05T10:00:00Z", "?as_of=2026-11-12T10:00:00Z"} {
		page := get(h, "/units/4W"+at).Body.String()
		blocked := false
		for _, row := range strings.Split(page, `<li class="row tier-`)[1:] {
			if end := strings.Index(row, "</ol>"); end >= 0 {
				row = row[:end]
			}
			low := strings.ToLower(row)
			if strings.Contains(low, "nothing owed") && strings.Contains(low, "overdue") {
				t.Errorf("%s: %s", at, row)
			}
			if strings.Contains(row, `class="state blocked"`) && !strings.Contains(low, "class=\"dues\"") {
				blocked = true
				if strings.Contains(low, "nothing owed") {
					t.Errorf("%s: a blocked recheck and nothing owed: %s", at, row)
				}
			}
		}
		if !blocked {
			t.Errorf("%s: no row with a blocked recheck alone: the test sees nothing", at)
		}
	}
}

// The rule: the same as of an old list is said of one patient of whom the feeds have brought no
// vital sign for twice the unit's median gap, 4 h at least: in his row, on paper and on his
// page. A reading taken here does not change it.
func TestAPatientWithoutNewVitalSignsIsMarked(t *testing.T) {
	d, board := open(t)
	at := demo.AnchorTime()
	add := func(kind clinical.Kind, id, feed string, recorded time.Time, body clinical.Body) {
		board.Put(t, clinical.Version{
			Kind: kind, SourceID: id, StayID: "S901", RecordedAt: recorded, Stated: true, Status: clinical.Final, Body: body, Feed: feed,
		})
	}
	stay := clinical.Stay{PatientID: "P901", Unit: "4W", Bed: "77", Name: "Ilse Marrable", AdmittedAt: at.Add(-90 * time.Hour)}
	add(clinical.KindStay, "S901", "csv", stay.AdmittedAt, stay)
	reading := func(ago time.Duration) clinical.Vitals {
		systolic, diastolic := 128.0, 76.0
		return clinical.Vitals{TakenAt: at.Add(-ago), Systolic: &systolic, Diastolic: &diastolic, Position: clinical.Sitting}
	}
	add(clinical.KindVitals, "V901-1", "csv", at.Add(-70*time.Hour), reading(70*time.Hour))
	add(clinical.KindVitals, "V901-2", clinical.BedsideFeed, at.Add(-time.Hour), reading(time.Hour))
	h := signedIn(d)
	page := get(h, "/units/4W").Body.String()
	list, sheet := page[:strings.Index(page, `class="sheet`)], page[strings.Index(page, `class="sheet`):]
	own := get(h, "/stays/S901").Body.String()
	for where, body := range map[string]string{"list": list, "paper": sheet} {
		want := map[string]int{"list": 2, "paper": 1}[where] // on the mark of his line, and in full below it
		if n := strings.Count(body, "no vital signs since 30 Oct"); n != want {
			t.Errorf("%s: said %d times, want of this patient alone", where, n)
		}
	}
	if !strings.Contains(own, "No pressure or pulse from the feeds since 30 Oct") {
		t.Error("the patient's page does not say it")
	}
	if other := get(h, "/stays/S106").Body.String(); strings.Contains(other, "from the feeds since") {
		t.Error("it is said of a patient who was measured this morning")
	}
}

// The rule: who charted what is named only where it is known. A set taken at the bedside names
// its taker, at the set and at each of its readings in the history; what feeds brought names
// nobody.
func TestASetTakenHereNamesWhoTookIt(t *testing.T) {
	d, _ := open(t)
	if w := sendSet(webtest.As(web.New(d), "bedside-nurse"), "/stays/S108/new-set", typed(), "text/html"); w.Code >= 400 {
		t.Fatalf("the set was not taken: %d %s", w.Code, w.Body)
	}
	d.Clock = func() time.Time { return demo.AnchorTime().Add(2 * time.Minute) }
	h := signedIn(d)
	const by = "charted here by bedside-nurse"
	if n := strings.Count(get(h, "/stays/S108").Body.String(), by); n != 1 {
		t.Errorf("the patient's page names the taker %d times, want at the one set", n)
	}
	if n := strings.Count(get(h, "/stays/S108/history?kind=vitals").Body.String(), by); n != 3 {
		t.Errorf("the history names the taker %d times, want at three readings", n)
	}
	if strings.Contains(get(h, "/stays/S106/history").Body.String(), "charted here by") {
		t.Error("somebody is named of what the feeds brought")
	}
}
