package web_test

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/drill"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// While a unit is in commissioning each of its pages says so in one line, to everybody and to the
// screen on the wall, and no page of another unit does. An administrator says on the page of the
// feeds that they were checked, and takes it back; both are in the audit.
func TestEachPageOfAUnitInCommissioningSaysSo(t *testing.T) {
	drill.Long(t)
	d, _ := open(t)
	var noted []string
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		if e.Did == "manage" {
			noted = append(noted, e.Unit+" "+e.Note)
		}
		return nil
	}
	h := web.New(d)
	admin, everything := webtest.As(h, string(records.Administrator)), webtest.As(h, webtest.Everything)
	pharmacist := webtest.As(h, string(records.Pharmacist))
	const line = "In commissioning: nobody has said yet that the feeds of 4W were checked."
	says := func(h http.Handler, path string) int {
		t.Helper()
		w := get(h, path)
		if w.Code != http.StatusOK {
			t.Fatalf("%s = %d", path, w.Code)
		}
		return strings.Count(w.Body.String(), line)
	}
	ofUnit := []string{
		"/units/4W", "/units/4W?as_of=2026-11-25T06:00:00Z", "/units/4W/episodes", "/units/4W/episodes/tally",
		"/units/4W/over-time", "/units/4W/falls", "/units/4W/new-set", "/stays/S102", "/stays/S102/history",
		"/stays/S102/new-set", "/falls/F-S101-001",
	}
	say := func(form url.Values, want int) string {
		t.Helper()
		w := post(admin, "/feeds/units", form)
		if w.Code != want {
			t.Fatalf("%v = %d, want %d", form, w.Code, want)
		}
		return w.Body.String()
	}
	for _, path := range ofUnit {
		if says(everything, path) != 0 {
			t.Errorf("%s says so though the feeds were checked", path)
		}
	}
	page := say(url.Values{"unit": {"4W"}, "say": {"reopen"}}, http.StatusOK)
	if !strings.Contains(page, "Unit 4W is in commissioning. Nobody is told of its patients.") ||
		!strings.Contains(page, "<strong>in commissioning</strong></td><td>administrator, ") {
		t.Error("the page of the feeds does not say that the unit is in commissioning, or who said so")
	}
	for _, path := range ofUnit {
		if n := says(everything, path); n != 1 {
			t.Errorf("%s says it %d times, want once", path, n)
		}
	}
	if says(webtest.As(h, string(records.Screen)), "/units/4W") != 1 {
		t.Error("the screen on the wall does not say it")
	}
	if says(pharmacist, "/dose-review") != 1 {
		t.Error("the queue of dose reviews of the unit does not say it")
	}
	for _, path := range []string{"/units/7E", "/stays/S203", "/rules"} {
		if says(everything, path) != 0 {
			t.Errorf("%s is of another unit, and says it", path)
		}
	}
	metrics := get(admin, "/metrics").Body.String()
	for _, want := range []string{
		"plumbline_units_in_commissioning 1\n", `plumbline_unit_in_commissioning{unit="4W"} 1` + "\n",
	} {
		if !strings.Contains(metrics, want) {
			t.Errorf("the metrics lack %q", want)
		}
	}
	say(url.Values{"unit": {"9Z"}, "say": {"checked"}}, http.StatusUnprocessableEntity)
	say(url.Values{"unit": {"4W"}}, http.StatusUnprocessableEntity)
	say(url.Values{"unit": {"4W"}, "say": {"checked"}}, http.StatusOK)
	metrics = get(admin, "/metrics").Body.String()
	if says(everything, "/units/4W") != 0 || !strings.Contains(metrics, "plumbline_units_in_commissioning 0\n") {
		t.Error("checked, and still in commissioning")
	}
	if want := []string{"4W in commissioning again", "4W feeds checked"}; !slices.Equal(noted, want) {
		t.Errorf("the audit says %q, want %q", noted, want)
	}
}

// Who sees patients of a unit sees its state among the feeds, and no other unit's; they cannot
// change it.
func TestTheStateOfAUnitIsShownToThoseOfTheUnit(t *testing.T) {
	d, _ := open(t)
	page := get(webtest.As(web.New(d), string(records.FallsNurse)), "/feeds").Body.String()
	_, section, _ := strings.Cut(page, `id="units"`)
	section, _, _ = strings.Cut(section, "</section>")
	if !strings.Contains(section, ">4W</th>") || strings.Contains(section, "7E") || strings.Contains(section, "<form") {
		t.Errorf("a falls nurse of 4W sees:\n%s", section)
	}
}
