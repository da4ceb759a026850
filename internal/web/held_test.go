package web_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var inputs = regexp.MustCompile(`name="(cell\.[a-z_]+|mark)" value="([^"]*)"`)

// filled is the form of a page as it stands.
func filled(page string) url.Values {
	form := url.Values{}
	for _, m := range inputs.FindAllStringSubmatch(page, -1) {
		form.Set(m[1], m[2])
	}
	return form
}

// numberOf is the number of a row held back of the demo.
func numberOf(t *testing.T, d web.Deps, sourceID string) int64 {
	t.Helper()
	rows, err := d.Desk.Rows.HeldRows(t.Context(), records.HeldQuery{Limit: 99})
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range rows {
		if h.SourceID == sourceID {
			return h.ID
		}
	}
	t.Fatalf("the demo holds back no row %s", sourceID)
	return 0
}

// A reading of the demo was charted as reclining, which is no position; a person puts
// it right from its page.
func TestARowHeldBackIsPutRightFromThePage(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), string(records.Administrator))
	id := numberOf(t, d, "M-0001")
	own := "/feeds/held/" + strconv.FormatInt(id, 10)
	page := get(h, own).Body.String()
	row, err := d.Desk.Row(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	form := filled(page)
	for n, column := range row.Header {
		if got := form.Get("cell." + column); got != row.Record[n] {
			t.Errorf("the form says %q for %s, want what was received: %q", got, column, row.Record[n])
		}
	}
	if !strings.Contains(page, row.Reason[:10]) || len(form) != len(row.Columns)+1 {
		t.Errorf("the page does not say why, or does not offer each of %d columns: %v", len(row.Columns), form)
	}

	wrong := url.Values{}
	for k, v := range form {
		wrong[k] = v
	}
	wrong.Set("cell.source_id", "")
	if w := post(h, own, wrong); w.Code != 422 || !strings.Contains(w.Body.String(), "source_id is missing") || filled(w.Body.String()).Get("cell.stay_id") != form.Get("cell.stay_id") {
		t.Errorf("a row that cannot be used still = %d; want its reason, and what was typed", w.Code)
	}
	stale := url.Values{"mark": {"of another row"}}
	if w := post(h, own, stale); w.Code != 409 {
		t.Errorf("the form of another row = %d, want 409", w.Code)
	}

	form.Set("cell.position", "lying")
	w := post(h, own, form)
	if w.Code != 200 || !strings.Contains(w.Body.String(), "is put right") || !strings.Contains(w.Body.String(), "1 accepted, 0 unchanged") {
		t.Errorf("put right = %d, or does not say so", w.Code)
	}
	if !strings.Contains(w.Body.String(), ">administrator, ") {
		t.Error("the page does not say who put it right")
	}
	for _, path := range []string{own, "/feeds/held/999", "/feeds/held/x"} {
		if w := get(h, path); w.Code != 404 {
			t.Errorf("%s of a row that is not held back = %d", path, w.Code)
		}
	}
	if w := post(h, own, form); w.Code != 404 {
		t.Errorf("put right a second time = %d", w.Code)
	}
}

func TestRowsAreReadAgainFromThePage(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), string(records.Administrator))
	for path, want := range map[string]string{"/feeds/retry": "held back.", "/feeds/held/2/retry": "1 held back."} {
		if w := post(h, path, nil); w.Code != 200 || !strings.Contains(w.Body.String(), "Read again.") || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s = %d, does not say %q", path, w.Code, want)
		}
	}
}

// What a row says is for those who may see rows held back; how many there are is for
// all who see the feeds.
func TestRowsHeldBackAreNotShownToOthers(t *testing.T) {
	d, _ := open(t)
	row, err := d.Desk.Row(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	body := get(webtest.As(web.New(d), string(records.FallsNurse)), "/feeds").Body.String()
	if strings.Contains(body, row.SourceID) || strings.Contains(body, "/feeds/held/") || strings.Contains(body, "/feeds/retry") || !strings.Contains(body, "rows are held back") {
		t.Error("the page shows more than the number of rows held back, or not even that")
	}
}

func TestRowsHeldBackComeInParts(t *testing.T) {
	d, board := open(t)
	held, err := board.Data.HeldRows(t.Context(), records.HeldQuery{Limit: 120})
	if err != nil {
		t.Fatal(err)
	}
	for n := len(held); n < 120; n++ {
		row := held[0]
		row.File, row.Line, row.SourceID = "more.csv", n, strconv.Itoa(n)
		board.Hold(t, row)
	}
	h := webtest.As(web.New(d), string(records.Administrator))
	for query, want := range map[string]string{
		"": "Rows 1 to 50.", "?page=2": "Rows 51 to 100.", "?page=3": "Rows 101 to 120.", "?page=9": "No row of this kind", "?page=x": "Rows 1 to 50.",
	} {
		body := get(h, "/feeds"+query).Body.String()
		if !strings.Contains(body, want) {
			t.Errorf("%s does not say %q", query, want)
		}
		if n := strings.Count(body, `href="/feeds/held/`); n > 50 {
			t.Errorf("%s lists %d rows", query, n)
		}
	}
}

// Who looks at a row held back, reads it again or puts it right is recorded, with the
// stay that it speaks of and without what it says.
func TestWhatIsDoneAboutRowsHeldBackIsRecorded(t *testing.T) {
	all, d := noted(t, kept)
	h := webtest.As(web.New(d), string(records.Administrator))
	own := "/feeds/held/" + strconv.FormatInt(numberOf(t, d, "M-0001"), 10)
	page := get(h, own).Body.String()
	form := filled(page)
	form.Set("cell.position", "lying")
	for _, c := range []struct {
		path string
		form url.Values
		want string
	}{
		{own + "/retry", nil, "administrator change POST /feeds/held/:row/retry unit= stay=S125 allowed"},
		{"/feeds/retry", nil, "administrator change POST /feeds/retry unit= stay= allowed"},
		{own, form, "administrator change POST /feeds/held/:row unit= stay=S125 allowed"},
	} {
		if w := post(h, c.path, c.form); w.Code != 200 || lastOf(t, *all) != c.want {
			t.Errorf("%s = %d, recorded as %s, want %s", c.path, w.Code, lastOf(t, *all), c.want)
		}
	}
	for _, e := range *all {
		if strings.Contains(e.Note, "reclining") || strings.Contains(e.Note, "lying") {
			t.Errorf("what a row says stands in the audit: %+v", e)
		}
	}
}

// Rows are searched for by what they say, why they are held and where they come from; what was typed
// stands in no address.
func TestRowsHeldBackAreSearchedFor(t *testing.T) {
	d, board := open(t)
	row, err := d.Desk.Row(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	h := row.Held
	for n := range 60 {
		h.File, h.Line, h.SourceID, h.Original = "sought.csv", n, "X"+strconv.Itoa(n), []byte("Featherstonhaugh")
		board.Hold(t, h)
	}
	admin := webtest.As(web.New(d), string(records.Administrator))
	for form, want := range map[string]string{
		"text=Featherston": "Rows 1 to 50.", "text=Featherston&page=2": "Rows 51 to 60.", "text=featherston": "No row held back matches.",
		"source=SOUGHT&text=Feather": "Rows 1 to 50.", "source=x59": "Rows 1 to 1.", "reason=nothing+like+it": "No row held back matches.",
		"from=2031-01-01": "No row held back matches.", "to=2031-01-01&source=x59": "Rows 1 to 1.", "from=when": "Rows 1 to 50.",
	} {
		values, err := url.ParseQuery(form)
		if err != nil {
			t.Fatal(err)
		}
		w := post(admin, "/feeds/search", values)
		body := w.Body.String()
		if w.Code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: %d, does not say %q", form, w.Code, want)
		}
		if strings.Contains(body, "?text=") || strings.Contains(body, "&amp;text=") {
			t.Errorf("%s: what was typed stands in an address", form)
		}
		checkMarkup(t, "/feeds/search "+form, body)
	}
}
