package web_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// A note stands on the patient's page, in the row, in what is copied and on paper, with who and when,
// until the end of the next shift; text of people is text; it is recorded, and can be taken back.
func TestANoteForTheHandover(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	var noted []records.AuditEntry
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		noted = append(noted, e)
		return nil
	}
	h := webtest.As(web.New(d), "bedside-nurse")
	send := func(path string, form url.Values) int { return post(h, path, form).Code }
	said := url.Values{"note": {" Daughter <i>Ada</i>\n calls  at 8 "}, "back": {"list?"}}
	for range 2 { // the button pressed twice
		if code := send("/stays/S108/note", said); code != http.StatusSeeOther {
			t.Fatalf("kept = %d", code)
		}
	}
	if code := send("/units/4W/note", url.Values{"note": {"The lift is out"}}); code != http.StatusSeeOther {
		t.Fatalf("kept of the unit = %d", code)
	}
	written := 0
	for _, e := range noted {
		if e.Note == "handover note written" {
			written++
		}
	}
	if written != 2 {
		t.Errorf("%d notes were recorded, want 2", written)
	}
	const escaped = "Daughter &lt;i&gt;Ada&lt;/i&gt; calls at 8"
	list, stay := get(h, "/units/4W").Body.String(), get(h, "/stays/S108").Body.String()
	row, _, _ := strings.Cut(list[strings.Index(list, `id="row-S108"`):], "</li>\n<li class=\"row")
	holds(t, row, escaped, "bedside-nurse", "Noted: Daughter", `class="sign note"`)
	_, sheet, _ := strings.Cut(list, `<div class="sheet">`)
	holds(t, sheet, escaped, "The lift is out")
	holds(t, list, "The lift is out")
	if n := strings.Count(stay, escaped); n < 3 { // said, to be taken back, to be copied
		t.Errorf("the note stands %d times on the patient's page", n)
	}
	lacks(t, get(h, "/units/4W?names=off").Body.String(), "Ada", "lift is out")
	lacks(t, get(webtest.As(web.New(d), "screen"), "/units/4W").Body.String(), "Ada", "lift is out")
	lacks(t, get(h, "/stays/S103").Body.String(), "Ada")
	for _, wrong := range []string{"", "   ", strings.Repeat("é", 201), "a\u202eb"} {
		if code := send("/stays/S108/note", url.Values{"note": {wrong}}); code != http.StatusUnprocessableEntity {
			t.Errorf("%q = %d", wrong, code)
		}
	}
	before := now
	now = before.Add(14 * time.Hour) // it is 04:00 of the night shift: the next one ends at 19:00
	holds(t, get(h, "/stays/S108").Body.String(), escaped)
	now = before.Add(15 * time.Hour)
	lacks(t, get(h, "/stays/S108").Body.String(), "Ada")
	now = before.Add(time.Minute)
	send("/stays/S108/note", url.Values{"ends": {"1"}, "back": {"stay"}})
	lacks(t, get(h, "/stays/S108").Body.String(), "Ada")
	if e := noted[len(noted)-2]; e.Stay != "S108" || e.Note != "handover note 1 taken back" {
		t.Errorf("%+v", noted[len(noted)-3:])
	}
}
