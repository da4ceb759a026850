package web_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/web/webtest"
)

// addMoved adds a patient without a bed who was moved onto 4W from 2E an hour before the
// demo's moment, and fell twice half an hour before it.
func addMoved(t *testing.T, b *webtest.Answers, injury string) {
	t.Helper()
	at := demo.AnchorTime()
	stay := clinical.Stay{PatientID: "P900", Unit: "2E", Bed: "3", Name: "Odalys Marrable", AdmittedAt: at.Add(-50 * time.Hour)}
	moved := stay
	moved.Unit, moved.Bed = "4W", ""
	add := func(kind clinical.Kind, id string, recorded time.Time, body clinical.Body) {
		b.Put(t, clinical.Version{Kind: kind, SourceID: id, StayID: "S900", RecordedAt: recorded, Stated: true, Status: clinical.Final, Body: body})
	}
	add(clinical.KindStay, "S900", stay.AdmittedAt, stay)
	add(clinical.KindStay, "S900", at.Add(-time.Hour), moved)
	fell := at.Add(-30 * time.Minute)
	add(clinical.KindFall, "F-1", fell, clinical.Fall{FellAt: fell, Injury: injury})
	add(clinical.KindFall, "F-2", fell, clinical.Fall{FellAt: fell, Injury: "none"})
}

func TestWhoWasMovedHereIsNotSaidToBeAdmitted(t *testing.T) {
	unmoved, _ := open(t)
	before := get(signedIn(unmoved), "/units/4W").Body.String()
	d, board := open(t)
	addMoved(t, board, "major")
	page := get(signedIn(d), "/units/4W").Body.String()
	news := func(page string) string {
		return page[strings.Index(page, `id="since"`):strings.Index(page, `id="choose"`)]
	}
	if !strings.Contains(news(page), "moved here from unit 2E, 2 Nov") {
		t.Error("the move onto the unit is not told")
	}
	if !strings.Contains(news(page), `<span class="name">Odalys Marrable</span>`) {
		t.Error("who has no bed is not named in what changed")
	}
	if !strings.Contains(news(before), `<dt>Falls <span class="n">3</span>`) || !strings.Contains(news(page), `<dt>Falls <span class="n">5</span>`) {
		t.Error("two falls of one patient are not counted as two")
	}
	if !strings.Contains(page, "major injury, the latest of 2 falls; no orthostatic set") {
		t.Error("the worse of two falls at one time does not lead")
	}
	beds := get(signedIn(d), "/units/4W?names=off").Body.String()
	if strings.Contains(beds, "Marrable") {
		t.Error("a page of beds alone names who has none")
	}
}

// Of a stay that is over no set is awaited any more, whatever was owed.
func TestNoSetIsAwaitedAfterTheStay(t *testing.T) {
	d, board := open(t)
	addMoved(t, board, "major")
	at := demo.AnchorTime()
	out := at.Add(-10 * time.Minute)
	board.Put(t, clinical.Version{
		Kind: clinical.KindStay, SourceID: "S900", StayID: "S900", RecordedAt: out, Stated: true, Status: clinical.Final,
		Body: clinical.Stay{PatientID: "P900", Unit: "4W", Name: "Odalys Marrable", AdmittedAt: at.Add(-50 * time.Hour), DischargedAt: &out},
	})
	see := asFallsNurse(d)
	for _, path := range []string{"/falls/F-1", "/units/4W/falls"} {
		page := see(path).Body.String()
		if !strings.Contains(page, "no set that can be read was taken before the stay ended") {
			t.Errorf("%s does not say that the stay ended without a set", path)
		}
	}
	if page := see("/falls/F-1").Body.String(); !strings.Contains(page, "2 Nov 2026 ") {
		t.Error("the sheet of a fall is filed, and does not tell the year")
	}
}

// After an injury the sheet asks nobody to stand the patient up before that is cleared,
// whichever of two falls it is about.
func TestASetAfterAnInjuryIsNotAskedForOutright(t *testing.T) {
	for injury, want := range map[string]string{"major": "injury: stand only when cleared by the provider", "": "check for injury before standing", "minor": ""} {
		d, board := open(t)
		addMoved(t, board, injury)
		for _, path := range []string{"/falls/F-1", "/falls/F-2"} {
			page := asFallsNurse(d)(path).Body.String()
			after := page[strings.Index(page, `id="h-after"`):strings.Index(page, `id="h-choose"`)]
			if strings.Contains(after, `class="bar"`) != (want != "") || !strings.Contains(after, want) {
				t.Errorf("%s with injury %q says of the set after the fall: %s", path, injury, after)
			}
		}
	}
}

// One set answers a fall and what was owed before it; the time of the earlier is not told
// as that of the fall.
func TestATimeBeforeTheFallIsNotTheFallsOwn(t *testing.T) {
	d, board := open(t)
	addMoved(t, board, "minor") // admitted 50 h ago, age not known: the screen was due before the fall
	page := get(signedIn(d), "/units/4W").Body.String()
	const want = "asked for before as recheck: admission screen of a patient at risk"
	if n := strings.Count(page, want); n != 3 { // the copy for the handover says it since it tells the hour of the fall
		t.Errorf("said %d times, want once on the list, on paper and in the copy", n)
	}
	// R-FALL: 4 h after the fall. R-ADMIT: 24 h after admission, which was 26 h ago.
	chicago, _ := time.LoadLocation("America/Chicago")
	written := func(ago time.Duration) string { return demo.AnchorTime().Add(-ago).In(chicago).Format("2 Jan 15:04") }
	fall, screen := written(30*time.Minute-4*time.Hour), "overdue since "+written(26*time.Hour)
	if n := strings.Count(page, want+", "+screen); n != 3 {
		t.Errorf("%q stands %d times beside what asked for it", screen, n)
	}
	if n := strings.Count(page, "recheck "+screen+"; set after the fall <b>"); n != 1 {
		t.Errorf("the line says it %d times", n)
	}
	holds(t, page, "set after the fall by "+strings.TrimPrefix(fall, "2 Nov ")+" (nobody&#39;s), "+want+", "+screen)
	lacks(t, page, `set after the fall <span class="at late">overdue `+written(26*time.Hour))
	holds(t, page, `set after the fall <span class="at">due `+strings.TrimPrefix(fall, "2 Nov ")+`</span>; asked for before`) // paper tells the hour of its own day alone
	if !strings.Contains(page, ">no bed</b> <span class=\"name\">Odalys Marrable</span>") {
		t.Error("who has no bed is not named on paper")
	}
}

// The rule: a fall and a drug that makes it bleed stand together on the list, on the sheet
// and on a display; falls without a set come first.
func TestFallsStandWithWhatMakesThemBleedAndThoseWithoutASetFirst(t *testing.T) {
	d, _ := open(t)
	for _, path := range []string{"/units/4W", "/units/4W?names=off"} {
		page := get(signedIn(d), path).Body.String()
		fell := page[strings.Index(page, `id="h-fell"`):strings.Index(page, `class="ask"`)]
		since := page[strings.Index(page, `id="since"`):strings.Index(page, `id="choose"`)]
		sheet := page[strings.Index(page, `class="sheet`):]
		for where, part := range map[string]string{"who fell": fell, "what changed": since, "the list": page[strings.Index(page, `class="rank"`):], "the sheet": sheet} {
			if !strings.Contains(part, "on enoxaparin, last 82 min before the fall; moderate injury") {
				t.Errorf("%s, %s: the fall stands without enoxaparin", path, where)
			}
		}
		if last, seen := strings.LastIndex(fell, "no orthostatic set that can be read since"), strings.Index(fell, "a set that can be read was taken since"); last < 0 || seen < 0 || last > seen {
			t.Errorf("%s: falls without a set do not come first:\n%s", path, fell)
		}
	}
}

// A fall of the last hours and its bleeding drug stand in the row, on paper and in the copy, whatever
// rule decides; and beside it, in every one, that drugs run that nothing tells (E-BLEED).
func TestAFallIsNotLostBehindAnotherRule(t *testing.T) {
	d, board := open(t)
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	n := slices.IndexFunc(list, func(a alerts.Assessment) bool { return a.DecidedBy() == alerts.TGap && len(a.Digest.Falls) == 0 })
	if err != nil || n < 0 {
		t.Fatal("nobody has precautions missing and did not fall", err)
	}
	stay := list[n].Digest
	fell := stay.LatestInterpretable().StartedAt.Add(-30 * time.Minute)
	put := func(kind clinical.Kind, id string, at time.Time, body clinical.Body) {
		status := clinical.Final
		if kind == clinical.KindDose {
			status = clinical.Completed
		}
		board.Put(t, clinical.Version{Kind: kind, SourceID: id, StayID: stay.StayID, RecordedAt: at, Stated: true, Status: status, Body: body})
	}
	put(clinical.KindFall, "F-9", fell, clinical.Fall{FellAt: fell, Injury: "none"})
	for _, drug := range []string{"apixaban 5 mg", "clotbegone 5 mg"} {
		at := fell.Add(-time.Hour)
		put(clinical.KindDose, drug, at, clinical.Dose{Drug: clinical.Drug{Text: drug}, GivenAt: at})
	}
	at := fell.In(d.Zone)
	beside := "fell " + at.Format("15:04") + " on apixaban, drugs not recognised"
	brief := "fell " + at.Format("2 Jan 15:04") + ", on apixaban, last 60 min before the fall; no injury, drugs not recognised"
	page := get(signedIn(d), "/units/4W").Body.String()
	row := part(t, page, `id="row-`+stay.StayID+`"`, `id="row-`)
	holds(t, part(t, row, `class="reason"`, "</p>"), beside)
	holds(t, part(t, row, `class="more"`, "<textarea"), brief)
	holds(t, part(t, row, "<textarea", "</textarea>"), brief)
	holds(t, part(t, part(t, page, `class="sheet`, "</html>"), `class="bed">`+stay.Stay.Bed+"</b>", "</tr>"), brief)
	holds(t, part(t, page, `id="h-fell"`, `class="ask"`), "no injury; a set that can be read was taken since, drugs not recognised.")
}

// Who fainted at a set and did not fall is not marked as one who fell.
func TestWhoFaintedIsNotMarkedAsFallen(t *testing.T) {
	d, board := open(t)
	for n, position := range []clinical.Position{clinical.Lying, clinical.Standing} {
		at, systolic, diastolic := demo.AnchorTime().Add(time.Duration(n-10)*time.Minute), 120.0, 70.0
		v := clinical.Vitals{TakenAt: at, Systolic: &systolic, Diastolic: &diastolic, Position: position, SetID: "faint"}
		if position == clinical.Standing {
			v.Symptoms = []string{clinical.LossOfConsciousness}
		}
		board.Put(t, clinical.Version{
			Kind: clinical.KindVitals, SourceID: "faint-" + string(position), StayID: "S109", RecordedAt: at,
			Stated: true, Status: clinical.Final, Body: v,
		})
	}
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	page, fainted := get(signedIn(d), "/units/4W").Body.String(), 0
	for _, a := range list {
		events := alerts.FellOrFainted(a, demo.AnchorTime().Add(-24*time.Hour))
		if len(events) == 0 {
			continue
		}
		want := ">fainted</span>"
		if slices.ContainsFunc(events, func(e alerts.Event) bool { return e.Fall != nil }) {
			want = ">fell</span>"
		} else {
			fainted++
		}
		holds(t, part(t, part(t, page, `id="row-`+a.Digest.StayID+`"`, `class="c-set`), `class="signs"`, "</p>"), want)
	}
	if fainted == 0 {
		t.Error("nobody of the demo fainted without a fall")
	}
}
