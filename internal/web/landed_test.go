package web_test

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/episodes"
)

// listRow is the row of a stay in the list of a unit, with all that it opens to.
func listRow(t *testing.T, page, stay string) string {
	t.Helper()
	_, row, found := strings.Cut(page, `id="row-`+stay+`"`)
	if !found {
		t.Fatalf("no row of %s", stay)
	}
	row, _, _ = strings.Cut(row, `id="row-`)
	return row
}

// What was charted here counts at once: within the minute in which a set was taken no page says
// that its recheck is overdue beside that nothing is owed, and list, patient's page and handover tell
// the same set.
func TestASetCountsInTheMinuteInWhichItIsTaken(t *testing.T) {
	s := newShift(t)
	pages := func() map[string]string {
		return map[string]string{
			"list": listRow(t, s.get("bedside-nurse", "/units/4W"), "S113"), "patient": s.get("bedside-nurse", "/stays/S113"),
			"beds": s.get("bedside-nurse", "/units/4W/new-set"),
		}
	}
	for name, page := range pages() {
		if !strings.Contains(page, "overdue") {
			t.Fatalf("%s: nothing is overdue, and the test shows nothing", name)
		}
	}
	s.now = s.now.Add(20 * time.Second)
	steady := typed("first_systolic=140", "first_diastolic=77", "second_systolic=141", "second_diastolic=78", "symptom", "no_symptoms=yes")
	if w := sendSet(s.as("bedside-nurse"), "/stays/S113/new-set", steady, "text/html"); w.Code != 303 {
		t.Fatalf("sent = %d: %s", w.Code, w.Body)
	}
	if e := s.episode("S113", episodes.RecheckOverdue); e.Active() {
		t.Fatalf("the recheck is %s", e.State)
	}
	s.now = s.now.Add(5 * time.Second)
	for name, page := range pages() {
		if name == "beds" {
			_, page, _ = strings.Cut(page, "/stays/S113/new-set")
			page, _, _ = strings.Cut(page, "</li>")
		}
		if name != "beds" && !strings.Contains(page, "aria-label=\"lying 142/78, standing 140/77 at 1 min") {
			t.Errorf("%s does not show the new set: %s", name, part(t, page, "aria-label=\"lying", ">"))
		}
		page = strings.NewReplacer("Was owed: Recheck overdue since", "", "Opened. Recheck overdue since", "").Replace(page)
		if at := strings.Index(page, "overdue since"); at >= 0 {
			t.Errorf("%s: %s", name, page[max(0, at-300):at+100])
		}
	}
	handover := part(t, pages()["list"], `class="handover"`, "</textarea>")
	holds(t, handover, "Latest set: negative, 142/78 → 140/77 at 1 min, drop 2")
	lacks(t, handover, "overdue")
}
