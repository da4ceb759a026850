package web_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// A loss of consciousness or pain in the chest that was charted with vital signs outside of any set stands
// wherever somebody is about to stand the patient. The rules give it no tier, and it gets none; after the
// hours of tiers.recent_hours it is history.
func TestAnEmergencyThatNoSetTells(t *testing.T) {
	for symptom, position := range map[string]clinical.Position{
		clinical.LossOfConsciousness: clinical.Lying, clinical.HoldChestPain: clinical.NoPosition,
	} {
		d, board := open(t)
		tier := assessmentOf(t, board).Tier
		chart := func(id string, hours float64) {
			at := demo.AnchorTime().Add(-time.Duration(hours * float64(time.Hour)))
			systolic, diastolic := 150.0, 80.0
			board.Put(t, clinical.Version{
				Kind: clinical.KindVitals, SourceID: id, StayID: "S109", RecordedAt: at, Stated: true, Status: clinical.Final,
				Body: clinical.Vitals{TakenAt: at, Systolic: &systolic, Diastolic: &diastolic, Position: position, Symptoms: []string{symptom}},
			})
		}
		pages := func() map[string]string {
			h := webtest.As(web.New(d), "bedside-nurse")
			list := get(h, "/units/4W").Body.String()
			bed := assessmentOf(t, board).Digest.Stay.Bed
			return map[string]string{
				"row": part(t, list, `id="row-S109"`, `id="row-`), "paper": part(t, part(t, list, `class="sheet`, "</html>"), `class="bed">`+bed+"</b>", "</tr>"),
				"patient": get(h, "/stays/S109").Body.String(),
				"choice":  part(t, get(h, "/units/4W/new-set").Body.String(), "/stays/S109/new-set", "</li>"),
				"form":    get(h, "/stays/S109/new-set").Body.String(),
			}
		}
		chart("OLD", 100)
		for where, page := range pages() {
			if strings.Contains(page, "not at a set") {
				t.Errorf("%s: %s of four days ago stands there", where, symptom)
			}
		}
		chart("FELT", 1)
		for where, page := range pages() {
			if !strings.Contains(strings.ToLower(page), symptom+" ") && !strings.Contains(strings.ToLower(page), symptom+"</strong>") {
				t.Errorf("%s: %s does not stand there: %.400s", where, symptom, page)
			}
		}
		if got := assessmentOf(t, board); got.Tier != tier || got.Felt == nil || got.Felt.SourceID != "FELT" {
			t.Errorf("%s: tier %s was %s; %+v", symptom, got.Tier, tier, got.Felt)
		}
	}
}
