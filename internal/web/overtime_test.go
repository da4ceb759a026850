package web_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"plumbline/internal/audit"
	"plumbline/internal/care"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/unit"
	"plumbline/internal/web/webtest"
)

const overTime = "/units/4W/over-time"

// The page and its downloads name no patient and lead to none.
func TestTheUnitOverTimeNamesNoPatient(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil || len(list) < 20 {
		t.Fatal(len(list), err)
	}
	for _, path := range []string{overTime, overTime + "?by=week", overTime + ".csv"} {
		page := get(h, path)
		if page.Code != http.StatusOK {
			t.Fatalf("%s = %d", path, page.Code)
		}
		for _, a := range list {
			for _, said := range []string{a.Digest.Stay.Name, a.Digest.Stay.PatientID, a.Digest.StayID} {
				if strings.Contains(page.Body.String(), said) {
					t.Errorf("%s says %q", path, said)
				}
			}
		}
		if strings.Contains(page.Body.String(), "/stays/") {
			t.Errorf("%s leads to a stay", path)
		}
	}
}

// The stories tell of three weeks: the page says where figures start, and that the
// last period is not over.
func TestTheUnitOverTimeSaysWhatIsIncomplete(t *testing.T) {
	d, _ := open(t)
	page := get(signedIn(d), overTime+"?by=week").Body.String()
	for _, want := range []string{
		"Figures start on 13 Oct 2026", "earlier periods are left out", "The last week is not over", "12 Oct 2026 to 8 Nov 2026, by week",
		"12 to 18 Oct 2026\n(figures from 13 Oct", "2 to 8 Nov 2026\n(until now)",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, zero := range []string{"NaN", "+Inf", "[overtime", "%!"} {
		if strings.Contains(page, zero) {
			t.Errorf("the page says %q", zero)
		}
	}
	if page := get(signedIn(d), overTime+"?from=2025-01-01&to=2025-03-31"); page.Code != http.StatusOK || !strings.Contains(page.Body.String(), "No patient was on this unit") {
		t.Errorf("a time without patients = %d", page.Code)
	}
}

func TestWhatCannotBeShownOverTimeIsSaid(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	for query, want := range map[string]string{
		"by=day":                        "by month or by week",
		"from=yesterday":                "must be days such as",
		"to=2026-02-30":                 "must be days such as",
		"from=2026-10-02&to=2026-10-01": "is after the last day 2026-10-01",
		"from=2027-01-01":               "has not come yet",
		"by=week&from=2001-01-01":       "more than 260 periods",
		"as_of=then":                    "as_of must be a time",
	} {
		for _, ending := range []string{"", ".csv", ".xlsx"} {
			got := get(h, overTime+ending+"?"+query)
			if got.Code != http.StatusBadRequest || !strings.Contains(got.Body.String(), want) {
				t.Errorf("%s?%s = %d, want 400 with %q", ending, query, got.Code, want)
			}
		}
	}
	if got := get(h, overTime+"?from=2026-10-01&to=2030-01-01"); got.Code != http.StatusOK || !strings.Contains(got.Body.String(), `value="2026-11-30"`) {
		t.Errorf("a last day that lies ahead = %d, want it cut at the month that is not over", got.Code)
	}
}

var figure = regexp.MustCompile(`^-?[0-9]+(\.[0-9]{1,6})?$`)

// readCSV reads a downloaded table behind the byte order mark by which spreadsheets know
// UTF-8.
func readCSV(t *testing.T, body io.Reader) [][]string {
	t.Helper()
	in := bufio.NewReader(body)
	if mark, _, err := in.ReadRune(); err != nil || mark != '\ufeff' {
		t.Errorf("the table begins with %q: %v", mark, err)
	}
	rows, err := csv.NewReader(in).ReadAll()
	if err != nil || len(rows) == 0 {
		t.Fatalf("%d rows: %v", len(rows), err)
	}
	return rows
}

// Each row of the table has the columns of its head: numbers or nothing, save for the
// moments and the marks.
func TestTheDownloadHoldsTheSameFigures(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	got := get(h, overTime+".csv?by=week&from=2026-10-05")
	if got.Header().Get("Content-Disposition") != `attachment; filename="unit-4W-over-time-by-week.csv"` || got.Header().Get("Cache-Control") != "no-store" {
		t.Errorf("headers %v", got.Header())
	}
	rows := readCSV(t, got.Body)
	head := rows[0]
	for _, row := range rows[1:] {
		for n, cell := range row {
			text := slices.Contains([]string{"from", "to", "precautions_looked_at"}, head[n]) || strings.HasSuffix(head[n], "_marks")
			if !text && cell != "" && !figure.MatchString(cell) {
				t.Errorf("%s = %q", head[n], cell)
			}
		}
	}
	column := func(name string) (out []string) {
		for _, row := range rows[1:] {
			out = append(out, row[slices.Index(head, name)])
		}
		return out
	}
	f, err := board.Unit(t.Context(), "4W", time.Date(2026, 10, 12, 0, 0, 0, 0, chicago(t)), time.Date(2026, 11, 9, 0, 0, 0, 0, chicago(t)), "week", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	if got, want := len(rows)-1, len(f.Periods); got != want {
		t.Fatalf("%d rows, want %d", got, want)
	}
	if got := column("from")[0]; got != "2026-10-12T00:00:00-05:00" {
		t.Errorf("the first row is from %s", got)
	}
	if got := strings.Join(column("falls"), " "); got != "0 0 4 0" {
		t.Errorf("falls by week: %s", got)
	}
	if got := column("rechecks_share")[0]; got != "" && column("rechecks_due")[0] == "0" {
		t.Errorf("no recheck fell due, and %s of them were in time", got)
	}

	book, err := excelize.OpenReader(bytes.NewReader(get(h, overTime+".xlsx?by=week&from=2026-10-05").Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = book.Close() }()
	if got := strings.Join(book.GetSheetList(), ", "); got != "periods, days between falls, last digits, episodes, marks, about" {
		t.Errorf("sheets: %s", got)
	}
	sheet, err := book.GetRows("periods")
	if err != nil || len(sheet) != len(rows) || strings.Join(sheet[0], " ") != strings.Join(head, " ") {
		t.Errorf("the spreadsheet has %d rows of periods, the CSV %d; %v", len(sheet), len(rows), err)
	}
	about, err := book.GetRows("about")
	if err != nil || len(about) < 10 {
		t.Errorf("about: %v %v", about, err)
	}
}

func TestOverTimeIsInTheNavigationOfThoseWhoMaySeeIt(t *testing.T) {
	c := newCrawl(t)
	for role, want := range map[records.Role]bool{records.FallsNurse: true, records.UnitManager: true, records.BedsideNurse: false, records.Pharmacist: false, records.Screen: false} {
		_, cookies := c.account(t, role)
		if got := strings.Contains(c.request("GET", "/units/4W", "", cookies).Body.String(), overTime); got != want {
			t.Errorf("as %s: %v, want %v", role, got, want)
		}
	}
}

func TestLookingAtAUnitOverTimeIsRecorded(t *testing.T) {
	d, _ := open(t)
	var noted []records.AuditEntry
	d.Note = func(_ context.Context, e records.AuditEntry) error { noted = append(noted, e); return nil }
	h := webtest.As(web.New(d), string(records.UnitManager))
	noted = nil
	for _, path := range []string{overTime, overTime + ".csv", overTime + ".xlsx"} {
		if got := get(h, path); got.Code != http.StatusOK {
			t.Fatalf("%s = %d", path, got.Code)
		}
		want := "GET /units/:unit/over-time" + strings.TrimPrefix(path, overTime)
		if last := noted[len(noted)-1]; last.What != want || last.Unit != "4W" || last.Did != audit.View || last.Who != string(records.UnitManager) {
			t.Errorf("%s is recorded as %+v", path, last)
		}
	}
}

// histories gives the events of episodes and keeps for which times it was asked.
type histories struct {
	care.Store
	asked [][2]time.Time
}

func (h *histories) EventsOfUnit(_ context.Context, unit string, from, to time.Time) ([][]records.EpisodeEvent, error) {
	h.asked = append(h.asked, [2]time.Time{from, to})
	return [][]records.EpisodeEvent{{{EpisodeID: "E1", N: 1, Kind: episodes.RecheckOverdue, Unit: unit, At: demo.AnchorTime().Add(-time.Hour), What: episodes.Opened, Tells: true}}}, nil
}

// Episodes are counted in each period, and up to now in the one that is not over.
func TestEpisodesAreCountedInEachPeriod(t *testing.T) {
	d, _ := open(t)
	h := &histories{}
	d.Episodes = &care.Service{Store: h}
	page := get(signedIn(d), overTime+"?by=week").Body.String()
	if len(h.asked) != 4 || !h.asked[3][1].Equal(demo.AnchorTime()) || !h.asked[2][1].Equal(h.asked[3][0]) {
		t.Errorf("asked for %v", h.asked)
	}
	if !strings.Contains(page, "The first episode known is of 2 to 8 Nov 2026") || !strings.Contains(page, "<td>Recheck due</td><td>1</td>") {
		t.Error("the episode of the last week is not told")
	}
}

// A chart alone is for a slide or a wall; one that is none is not found.
func TestAChartOfTheUnitAlone(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	alone := get(h, overTime+"?by=week&with=intervals&slide=falls").Body.String()
	if strings.Count(alone, `id="panel-`) != 1 || !strings.Contains(alone, `id="panel-falls"`) || !strings.Contains(alone, "Better: down") {
		t.Errorf("alone it shows:\n%s", alone)
	}
	if !strings.Contains(alone, `href="/units/4W/over-time?by=week&amp;with=intervals"`) {
		t.Error("no way back to all charts by the same question")
	}
	if all := get(h, overTime+"?by=week").Body.String(); !strings.Contains(all, `href="/units/4W/over-time?by=week&amp;slide=harm"`) {
		t.Error("no way from the page to a chart alone")
	}
	for path, want := range map[string]int{"?slide=none": http.StatusNotFound, "?with=both": http.StatusBadRequest} {
		if got := get(h, overTime+path); got.Code != want {
			t.Errorf("%s = %d, want %d", path, got.Code, want)
		}
	}
}

// What was changed is noted, stands in the charts by its letter, and can be taken back; as known before it is
// not there.
func TestWhatWasChangedOnTheUnit(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	at := overTime + "/change"
	for form, want := range map[string]string{
		"day=2026-10-20&what=": "Say what was changed", "day=soon&what=x": "is no day", "day=2126-01-01&what=x": "has not come yet",
		"day=2026-10-20&what=" + strings.Repeat("x", 121): "120 are the most", "day=2026-10-20&what=a%E2%80%8Bb": "cannot be seen",
	} {
		if got := post(h, at, typedForm(t, form)); got.Code != http.StatusUnprocessableEntity || !strings.Contains(got.Body.String(), want) {
			t.Errorf("%s = %d, want it refused with %q", form, got.Code, want)
		}
	}
	for range 2 { // pressed twice it is one
		if got := post(h, at, typedForm(t, "day=2026-10-26&what=Alarms+%3Cb%3Eon+beds&anew=yes")); got.Code != http.StatusSeeOther {
			t.Fatalf("noting = %d", got.Code)
		}
	}
	page := get(h, overTime+"?by=week").Body.String()
	if strings.Count(page, `<li><b class="ot-sign">`) != 1 || !strings.Contains(page, "Alarms &lt;b&gt;on beds.") ||
		!strings.Contains(page, "New centre from here.") || strings.Count(page, `"markLine"`) < 3 {
		t.Errorf("the page shows:\n%.9000s", page)
	}
	if before := get(h, overTime+"?by=week&as_of=2026-10-30T07:00:00Z").Body.String(); strings.Contains(before, "Alarms") {
		t.Error("it stands on the page as known before it was written")
	}
	if got := post(h, at, typedForm(t, "ends=1")); got.Code != http.StatusSeeOther || strings.Contains(get(h, overTime).Body.String(), "Alarms") {
		t.Errorf("taken back = %d, and it stands there still", got.Code)
	}
}

func typedForm(t *testing.T, form string) url.Values {
	t.Helper()
	v, err := url.ParseQuery(form)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// changesCounted counts how often what was changed on a unit is read.
type changesCounted struct {
	unit.Changes
	reads int
}

func (c *changesCounted) UnitChanges(ctx context.Context, of string, at time.Time) ([]records.UnitChange, error) {
	c.reads++
	return c.Changes.UnitChanges(ctx, of, at)
}

func TestWhatWasChangedIsReadOnceForAPage(t *testing.T) {
	d, _ := open(t)
	reads := &changesCounted{Changes: d.UnitChanges}
	d.UnitChanges = reads
	if w := get(webtest.As(web.New(d), string(records.FallsNurse)), overTime); w.Code != 200 || reads.reads != 1 {
		t.Errorf("the unit over time = %d, with %d reads of its changes", w.Code, reads.reads)
	}
}
