package web_test

import (
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// fallElsewhere is the fall that addFall adds.
const fallElsewhere = "F-ADDED/1" // a source_id may hold a slash

// addFall adds a fall to a stay of the demo, an hour before its moment.
func addFall(t *testing.T, b *webtest.Answers, stay string) {
	t.Helper()
	at := demo.AnchorTime().Add(-time.Hour)
	b.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: fallElsewhere, StayID: stay, RecordedAt: at, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: at},
	})
}

func asFallsNurse(d web.Deps) func(path string) *httptest.ResponseRecorder {
	h := webtest.As(web.New(d), string(records.FallsNurse))
	return func(path string) *httptest.ResponseRecorder { return get(h, path) }
}

// The patient of bed 1 fell at 05:10 UTC, 23:10 in Chicago; the story is in
// internal/demo/stories_now.go, the fall was recorded at 05:35.
const demoFall = "/falls/F-S101-001"

func TestAFallIsShownAsItStoodBeforeIt(t *testing.T) {
	d, board := open(t)
	see := asFallsNurse(d)
	fell := time.Date(2026, 11, 2, 5, 10, 0, 0, time.UTC)
	for _, c := range []struct {
		query string
		at    time.Time
		says  string
	}{
		{"", fell.Add(-time.Microsecond), "just before the fall of 1 Nov 23:10"},
		{"?as_of=2026-11-01T23:10", fell, ""}, // in the site's zone: not before the fall
		{"?as_of=2026-11-01T22:10", fell.Add(-time.Hour), "1 Nov 22:10, 1 h before the fall"},
		{"?as_of=" + url.QueryEscape("2026-11-01T05:10:00Z"), fell.Add(-24 * time.Hour), "1 Nov 00:10, 24 h before the fall"},
	} {
		w := see(demoFall + c.query)
		if c.says == "" {
			if w.Code != 422 || !strings.Contains(w.Body.String(), "That moment is not before the fall") {
				t.Errorf("%s = %d, want 422 and a word about it", c.query, w.Code)
			}
			continue
		}
		view, err := board.Stay(t.Context(), "S101", c.at)
		if err != nil {
			t.Fatal(err)
		}
		list, err := board.List(t.Context(), "4W", c.at)
		if err != nil {
			t.Fatal(err)
		}
		place := ""
		for n, a := range list {
			if a.Digest.StayID == "S101" {
				place = "place " + strconv.Itoa(n+1) + " of " + strconv.Itoa(len(list)) + " on the list"
			}
		}
		for _, want := range []string{c.says, `tier tier-` + view.Assessment.Tier, place, url.QueryEscape(c.at.Format(time.RFC3339Nano))} {
			if w.Code != 200 || want == "" || !strings.Contains(w.Body.String(), want) {
				t.Errorf("%s = %d, does not say %q", c.query, w.Code, want)
			}
		}
		if strings.Contains(w.Body.String(), ">T-FALL<") {
			t.Errorf("%s: the fall itself is known before it", c.query)
		}
	}
}

func TestFallsOfAUnitAreListedByMonths(t *testing.T) {
	d, board := open(t)
	addFall(t, board, "S203")
	see := asFallsNurse(d)
	for _, c := range []struct {
		query string
		code  int
		want  string
		falls []string
	}{
		{"", 200, "4 falls", []string{"F-S101-001", "F-S111-001", "F-S102-001", "F-S123-001"}}, // not that of 7E
		{"?from=2026-11&to=2026-11", 200, "3 falls", []string{"F-S101-001", "F-S111-001", "F-S102-001"}},
		{"?from=2026-10&to=2026-10", 200, "1 fall, ", []string{"F-S123-001"}},
		{"?from=2025-01&to=2025-03", 200, "No fall is charted for these months", nil},
		{"?from=2026-11&to=2026-10", 422, "stand in the wrong order", []string{"F-S123-001"}},
		{"?from=soon", 422, "cannot be read", []string{"F-S123-001"}},
	} {
		w := see("/units/4W/falls" + c.query)
		body := w.Body.String()
		if w.Code != c.code || !strings.Contains(body, c.want) {
			t.Errorf("%s = %d, does not say %q", c.query, w.Code, c.want)
		}
		at := 0
		for _, id := range c.falls {
			n := strings.Index(body[at:], `href="/falls/`+id+`"`)
			if n < 0 {
				t.Errorf("%s: %s is not listed, or not in its place", c.query, id)
				continue
			}
			at += n
		}
		if c.falls == nil && strings.Contains(body, `href="/falls/`) || strings.Contains(body, "F-ADDED") {
			t.Errorf("%s lists a fall of another month or unit", c.query)
		}
	}
}

func TestAFallWhoseIdHoldsASlashIsFound(t *testing.T) {
	d, board := open(t)
	addFall(t, board, "S101")
	if w := asFallsNurse(d)("/falls/F-ADDED%2F1"); w.Code != 200 || !strings.Contains(w.Body.String(), "F-ADDED/1") {
		t.Errorf("= %d", w.Code)
	}
}

// The unit of the fall decides, not the one where the patient is now; and a moment at
// which the patient was on a unit that the account does not have is not shown.
func TestAFallIsSeenByItsUnit(t *testing.T) {
	d, board := open(t)
	fell := demo.AnchorTime().Add(-time.Hour)
	addFall(t, board, "S203") // on 7E
	move := func(unit string, at time.Time) {
		board.Put(t, clinical.Version{
			Kind: clinical.KindStay, SourceID: "S203", StayID: "S203", RecordedAt: at, Stated: true, Status: clinical.Final,
			Body: clinical.Stay{PatientID: "P4203", Unit: unit, AdmittedAt: time.Date(2026, 11, 1, 6, 45, 0, 0, time.UTC), Name: "Somebody Seen"},
		})
	}
	address := "/falls/" + url.PathEscape(fallElsewhere)
	see := asFallsNurse(d)
	if w := see(address); w.Code != 404 {
		t.Errorf("a fall on another unit = %d", w.Code)
	}
	move("4W", fell.Add(30*time.Minute))
	if w := see(address); w.Code != 404 {
		t.Errorf("a fall on another unit of a patient who came here = %d", w.Code)
	}
	d, board = open(t)
	addFall(t, board, "S203")
	see = asFallsNurse(d)
	move("4W", fell.Add(-2*time.Hour))
	move("7E", fell.Add(30*time.Minute))
	if w := see(address); w.Code != 200 || !strings.Contains(w.Body.String(), "place ") {
		t.Errorf("a fall here of a patient who is on another unit now = %d", w.Code)
	}
	w := see(address + "?as_of=" + url.QueryEscape(fell.Add(-3*time.Hour).Format(time.RFC3339)))
	if w.Code != 200 || !strings.Contains(w.Body.String(), "a unit that your account does not have") || strings.Contains(w.Body.String(), "place ") {
		t.Errorf("a moment at which the patient was on another unit = %d", w.Code)
	}
}

// A fall that was entered in error says so, and is in no list.
func TestAFallTakenBack(t *testing.T) {
	d, board := open(t)
	addFall(t, board, "S101")
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: fallElsewhere, RecordedAt: demo.AnchorTime(), Stated: true, Status: clinical.EnteredInError,
	})
	see := asFallsNurse(d)
	if w := see("/falls/" + url.PathEscape(fallElsewhere)); w.Code != 200 || !strings.Contains(w.Body.String(), "entered in error") {
		t.Errorf("= %d, or does not say that it was taken back", w.Code)
	}
	if strings.Contains(see("/units/4W/falls").Body.String(), "F-ADDED") {
		t.Error("it is listed")
	}
}

// What was charted after a fall is told apart from what was known.
func TestWhatWasChartedLaterStandsApart(t *testing.T) {
	d, board := open(t)
	fell := time.Date(2026, 11, 2, 5, 10, 0, 0, time.UTC)
	weigh := func(at, recorded time.Time, kg float64, status clinical.Status) {
		board.Put(t, clinical.Version{
			Kind: clinical.KindWeight, SourceID: "W-ADDED", StayID: "S101", RecordedAt: recorded, Stated: true, Status: status,
			Body: clinical.Weight{MeasuredAt: at, KG: kg},
		})
	}
	weigh(fell.Add(-5*time.Hour), fell.Add(-4*time.Hour), 71.5, clinical.Final)
	weigh(fell.Add(-5*time.Hour), fell.Add(time.Hour), 61.5, clinical.Corrected)
	body := asFallsNurse(d)(demoFall).Body.String()
	late := body[strings.Index(body, `id="h-late"`):strings.Index(body, `id="h-since"`)]
	for _, want := range []string{"W-ADDED", "weight changed", "<td>61.5 kg</td><td>71.5 kg</td>", "6 h later", "after the fall"} {
		if !strings.Contains(late, want) {
			t.Errorf("what was charted later does not say %q", want)
		}
	}
}
