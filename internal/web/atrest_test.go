package web_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// looseVitals charts vital signs of S109 that belong to no set, hours before the anchor.
func looseVitals(t *testing.T, board *webtest.Answers, id string, hours, systolic, diastolic float64, p clinical.Position) {
	t.Helper()
	at := demo.AnchorTime().Add(-time.Duration(hours * float64(time.Hour)))
	board.Put(t, clinical.Version{
		Kind: clinical.KindVitals, SourceID: id, StayID: "S109", RecordedAt: at, Stated: true, Status: clinical.Final,
		Body: clinical.Vitals{TakenAt: at, Systolic: &systolic, Diastolic: &diastolic, Position: p},
	})
}

// assessmentOf is what the list says of S109.
func assessmentOf(t *testing.T, board *webtest.Answers) alerts.Assessment {
	t.Helper()
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	n := slices.IndexFunc(list, func(a alerts.Assessment) bool { return a.Digest.StayID == "S109" })
	if err != nil || n < 0 {
		t.Fatal("S109 is not listed", err)
	}
	return list[n]
}

// part is what stands between two texts of a page.
func part(t *testing.T, page, from, to string) string {
	t.Helper()
	_, rest, found := strings.Cut(page, from)
	if !found {
		t.Fatalf("%q does not stand on the page", from)
	}
	out, _, _ := strings.Cut(rest, to)
	return out
}

// A systolic at rest under 90 that belongs to no set stands where somebody is about to stand
// the patient: in the row, on paper, on the patient's page, on the choice of a bed and on the
// first screen of the form, with its time and age, until a later one is 90 or more. The rules
// give it no tier, and it gets none.
func TestALowPressureAtRestThatNoSetHolds(t *testing.T) {
	d, board := open(t)
	pages := func() map[string]string {
		h := webtest.As(web.New(d), "bedside-nurse") // anew: a list is kept for a minute
		list := get(h, "/units/4W").Body.String()
		stay := get(h, "/stays/S109").Body.String()
		return map[string]string{
			"row": part(t, list, `id="row-S109"`, `id="row-`), "paper": part(t, part(t, list, `class="sheet`, "</html>"), `class="bed">`+assessmentOf(t, board).Digest.Stay.Bed+"</b>", "</tr>"),
			"patient": stay, "choice": part(t, get(h, "/units/4W/new-set").Body.String(), "/stays/S109/new-set", "</li>"),
			"form": get(h, "/stays/S109/new-set").Body.String(),
		}
	}
	tier := func() string { return assessmentOf(t, board).Tier }
	was := tier()
	for where, page := range pages() {
		if strings.Contains(strings.ToLower(page), "low pressure at rest: ") || strings.Contains(page, "low at rest: ") {
			t.Errorf("%s tells of a low pressure before there is one", where)
		}
	}
	looseVitals(t, board, "low", 3, 78, 45, clinical.Lying)
	for where, page := range pages() {
		for _, want := range []string{"78/45", "lying", "3 h"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", where, want)
			}
		}
	}
	p := pages()
	holds(t, p["row"], `class="sign low"`)
	holds(t, p["form"], "The patient lies, and stays lying.</strong>")
	if got := tier(); got != was {
		t.Errorf("the tier was %s and is %s: no rule says so", was, got)
	}
	looseVitals(t, board, "usual", 1, 95, 50, clinical.Sitting)
	for where, page := range pages() {
		if strings.Contains(page, "78/45 lying") || strings.Contains(page, "Low pressure at rest") {
			t.Errorf("%s still tells the low pressure after one of 95", where)
		}
	}
}

// A day on it is told no more: as long as T-LOW-LYING holds of a set.
func TestALowPressureAtRestOfYesterdayIsNotTold(t *testing.T) {
	d, board := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	looseVitals(t, board, "low", 24, 78, 45, clinical.Lying)
	lacks(t, get(h, "/stays/S109/new-set").Body.String(), "78/45")
	if page := get(h, "/units/4W").Body.String(); slices.Contains(strings.Fields(page), "78/45") {
		t.Error("the list tells it")
	}
}

// A pain in the chest at rest is no symptom of standing (S-SYMPTOMS) and is not lost: it stands
// where its set stands, in the row, on paper and on the patient's page, and in no document.
func TestChestPainAtRestStandsWithItsSet(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	h := webtest.As(web.New(d), "bedside-nurse")
	form := typed("no_holds=", "hold=chest pain", "symptom=", "first_systolic=", "first_diastolic=", "first_pulse=",
		"second_systolic=", "second_diastolic=", "second_pulse=")
	if w := sendSet(h, "/stays/S108/new-set", form, "application/json"); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	now = now.Add(time.Minute) // pages are of the start of a minute
	list, stay := get(h, "/units/4W").Body.String(), get(h, "/stays/S108").Body.String()
	for where, page := range map[string]string{
		"row":     part(t, list, `id="row-S108"`, `id="row-`),
		"paper":   part(t, list, `class="sheet`, "</html>"),
		"patient": part(t, stay, `id="h-set"`, "</section>"), "its card": part(t, stay, `class="setcard"`, "</article>"),
		"the patient's paper": part(t, stay, `class="panel printonly"`, "</table>"),
	} {
		if !strings.Contains(page, "at rest: chest pain") {
			t.Errorf("%s does not say it", where)
		}
	}
	holds(t, part(t, list, `id="row-S108"`, `class="c-set`), `class="sign chest"`, ">chest pain at rest</span>")
	holds(t, part(t, stay, "<h1>", `class="card tier`), "Chest pain at rest</strong>")
	if page := get(h, "/units/4W?mark=chest").Body.String(); !strings.Contains(page, `id="row-S108"`) || strings.Contains(page, `id="row-S109"`) {
		t.Error("the question for those with pain in the chest does not lead to the row")
	}
	lacks(t, get(h, "/api/v1/stays/S108/sets").Body.String(), "at_rest", "chest pain")
}
