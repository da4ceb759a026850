package web_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// dropPositions gives the unit 5N five weeks of readings, half of them with a position, until none
// has one from two days before the demo's anchor on.
func dropPositions(t *testing.T, d web.Deps, board *webtest.Answers) {
	t.Helper()
	now := demo.AnchorTime()
	systolic := 120.
	stay := clinical.Stay{PatientID: "PX", Unit: "5N", Bed: "9", AdmittedAt: now.AddDate(0, 0, -40)}
	versions := []clinical.Version{{
		Kind: clinical.KindStay, SourceID: "SX", StayID: "SX", RecordedAt: stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: stay,
	}}
	for day := range 38 {
		for n := range 40 {
			at := now.AddDate(0, 0, -day).Add(-time.Duration(n) * time.Minute)
			position := []clinical.Position{clinical.NoPosition, clinical.Sitting}[n%2]
			if day < 2 {
				position = clinical.NoPosition
			}
			versions = append(versions, clinical.Version{
				Kind: clinical.KindVitals, SourceID: fmt.Sprintf("VX-%d-%d", day, n), StayID: "SX", RecordedAt: at, Stated: true,
				Status: clinical.Final, Body: clinical.Vitals{TakenAt: at, Systolic: &systolic, Position: position},
			})
		}
	}
	board.Put(t, versions...)
	if _, err := d.Watch.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// A mapping that dropped the position stands on the unit's list, on the wall too, on the page of
// what is there, and in the metrics; no list of another unit says it.
func TestAMappingThatDropsThePositionStandsOnTheList(t *testing.T) {
	d, board := open(t)
	dropPositions(t, d, board)
	h := web.New(d)
	everything := webtest.As(h, webtest.Everything)
	const gap = "Readings with a position: none since "
	list := get(everything, "/units/5N").Body.String()
	if !strings.Contains(list, gap) || !strings.Contains(list, "Falls on standing cannot be seen.") {
		t.Error("the list does not say that positions are missing")
	}
	if strings.Contains(get(everything, "/units/4W").Body.String(), gap) {
		t.Error("the list of another unit says it")
	}
	then := demo.AnchorTime().AddDate(0, 0, -5).Format(time.RFC3339)
	if strings.Contains(get(everything, "/units/5N?as_of="+then).Body.String(), gap) {
		t.Error("a list of an earlier moment says what is known now")
	}
	page := get(everything, "/feeds/all-there").Body.String() // the unit that falls short comes first
	for _, want := range []string{
		"Unit 5N, ", `<tr class="fault"><th scope="row">Readings with a position</th>`,
		"<strong>none, where there usually are some</strong> since ", `<svg class="spark"`, ` class="low"`, "falls short",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if strings.Contains(page, `<tr class="fault"><th scope="row">Readings of a pressure</th>`) {
		t.Error("the count of readings stands as a fault")
	}
	want := `plumbline_feed_gap{feed="",measure="positions",state="none",unit="5N"} 1`
	if !strings.Contains(get(everything, "/metrics").Body.String(), want) {
		t.Errorf("the metrics lack %s", want)
	}
}

// Who sees no patients of a unit does not see what comes of it, but for whoever says whether feeds
// were checked; a day that is none is refused.
func TestWhatIsThereIsShownToThoseOfTheUnit(t *testing.T) {
	d, board := open(t)
	dropPositions(t, d, board)
	h := web.New(d)
	before := demo.AnchorTime().AddDate(0, 0, -5).Format(time.DateOnly)
	for _, c := range []struct {
		who, path string
		want      int
	}{
		{string(records.FallsNurse), "/feeds/all-there?unit=4W", http.StatusOK},
		{string(records.FallsNurse), "/feeds/all-there?unit=5N", http.StatusNotFound},
		{string(records.FallsNurse), "/feeds/all-there?unit=9Z", http.StatusNotFound},
		{string(records.Administrator), "/feeds/all-there?unit=5N", http.StatusOK},
		{string(records.Administrator), "/feeds/all-there?unit=5N&day=" + before, http.StatusOK},
		{string(records.Administrator), "/feeds/all-there?day=2027-12-24", http.StatusBadRequest},
		{string(records.Administrator), "/feeds/all-there?day=2020-01-01", http.StatusBadRequest},
		{string(records.Administrator), "/feeds/all-there?day=yesterday", http.StatusBadRequest},
	} {
		w := get(webtest.As(h, c.who), c.path)
		if w.Code != c.want {
			t.Errorf("%s asks for %s: %d, want %d", c.who, c.path, w.Code, c.want)
		}
		if c.who == string(records.FallsNurse) && strings.Contains(w.Body.String(), "unit=5N") {
			t.Errorf("a falls nurse of 4W is led to 5N by %s", c.path)
		}
	}
	// Of an earlier day it is said as it stood then.
	page := get(webtest.As(h, string(records.Administrator)), "/feeds/all-there?unit=5N&day="+before).Body.String()
	if strings.Contains(page, `class="fault"><th scope="row">Readings with`) {
		t.Error("positions are missing before they went missing")
	}
}
