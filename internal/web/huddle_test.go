package web_test

import (
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var (
	giving = regexp.MustCompile(`(?s)<form method="post" action="(/stays/[^/]+/assign)"><input type="hidden" name="key" value="([0-9a-f]+)">`)
	row    = regexp.MustCompile(`<span class="bed">([^<]*)</span>`)
	ranked = regexp.MustCompile(`(?s)<table class="rank".*?</table>`)
)

// bedsOf lists the beds of the ranked list, in its order.
func bedsOf(page string) []string {
	var out []string
	for _, table := range ranked.FindAllString(page, -1) {
		for _, m := range row.FindAllStringSubmatch(table, -1) {
			out = append(out, m[1])
		}
	}
	return out
}

func TestTheHuddleTellsWhoFellAndWhatChanged(t *testing.T) {
	d, board := open(t)
	page := get(signedIn(d), "/units/4W").Body.String()
	start := strings.Index(page, `id="h-fell"`)
	if start < 0 || start > strings.Index(page, `id="h-since"`) || start > strings.Index(page, `class="rank"`) {
		t.Fatal("the page does not start with who fell or fainted")
	}
	at := demo.AnchorTime()
	then, err := board.Service.List(t.Context(), "4W", alerts.LastHuddle(d.Policy.Current().Policy.Unit, d.Zone, at))
	if err != nil {
		t.Fatal(err)
	}
	now, err := board.Service.List(t.Context(), "4W", at)
	if err != nil {
		t.Fatal(err)
	}
	since := alerts.Compare(then, now, nil, alerts.LastHuddle(d.Policy.Current().Policy.Unit, d.Zone, at), at)
	if len(since.Falls) == 0 || len(since.Positives) == 0 || len(since.Doses) == 0 || len(since.Arrived) == 0 {
		t.Fatalf("the demo tells too little: %d falls, %d positives, %d doses, %d came", len(since.Falls), len(since.Positives), len(since.Doses), len(since.Arrived))
	}
	news := page[strings.Index(page, `id="h-since"`):strings.Index(page, `id="h-owed"`)]
	for _, p := range since.Positives {
		if !strings.Contains(news, ">"+p.Of.Digest.Stay.Bed+"<") {
			t.Errorf("the new positive set of bed %s is not told", p.Of.Digest.Stay.Bed)
		}
	}
	for _, want := range []string{"Falls", "New positive sets", "Doses changed", "Came", "Left", "1 Nov 07:00"} {
		if !strings.Contains(news, want) {
			t.Errorf("what changed does not say %q", want)
		}
	}
	for _, want := range []string{"nothing owed by these rules", "none asked for by these rules; other fall risks are not judged"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestTheListIsChosen(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	all := bedsOf(get(h, "/units/4W").Body.String())
	if len(all) != 33 {
		t.Fatalf("%d beds are listed, want 33", len(all))
	}
	some := get(h, "/units/4W?tier=now&tier=today&from=1&to=9").Body.String()
	for _, bed := range bedsOf(some) {
		if alerts.CompareBeds(bed, "10") >= 0 {
			t.Errorf("bed %s is none of 1 to 9", bed)
		}
	}
	if n := len(bedsOf(some)); n == 0 || n >= 12 || !strings.Contains(some, "beds 1 to 9") {
		t.Errorf("%d beds chosen, or it is not said that some are left out", n)
	}
	byBed := bedsOf(get(h, "/units/4W?sort=bed").Body.String())
	for n := range byBed[1:] {
		if alerts.CompareBeds(byBed[n], byBed[n+1]) > 0 {
			t.Errorf("by bed, %s stands before %s", byBed[n], byBed[n+1])
		}
	}
	if len(byBed) != 33 {
		t.Errorf("%d beds by bed", len(byBed))
	}
	if page := get(h, "/units/4W?from=95").Body.String(); !strings.Contains(page, "Nobody on the unit is chosen") {
		t.Error("a choice of nobody does not say so")
	}
	for _, query := range []string{"?sort=bed", "?sort=recheck", "?names=off&tier=none", "?given=nobody", "?sort=bed&as_of=2026-11-01T12:00:00Z"} {
		w := get(h, "/units/4W"+query)
		if w.Code != 200 {
			t.Errorf("%s = %d", query, w.Code)
		}
		checkMarkup(t, query, w.Body.String())
	}
}

// Names can be turned off by anybody: nothing of the page then tells who it is.
func TestBedsWithoutNames(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	give(t, h, d, "Invented Nurse")
	page := get(h, "/units/4W?names=off").Body.String()
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range list {
		if strings.Contains(page, a.Digest.Stay.Name) || strings.Contains(page, ">"+a.Digest.Stay.PatientID) || strings.Contains(page, a.Digest.StayID+"\"") {
			t.Errorf("bed %s: named without names", a.Digest.Stay.Bed)
		}
	}
	if strings.Contains(page, "Invented Nurse") || strings.Contains(page, "/assign") || !strings.Contains(page, "given to somebody") {
		t.Error("a page without names names the staff, or takes names")
	}
	if len(bedsOf(strings.ReplaceAll(page, ` id="r-`, ` data="r-`))) == 0 && !strings.Contains(page, `class="bed" id="r-1"`) {
		t.Error("no bed is shown")
	}
}

// give gives the first thing that is owed on the page to somebody, and returns its key.
func give(t *testing.T, h http.Handler, d web.Deps, name string) string {
	t.Helper()
	m := giving.FindStringSubmatch(get(h, "/units/4W").Body.String())
	if m == nil {
		t.Fatal("nothing can be given to anybody")
	}
	w := post(h, m[1], url.Values{"key": {m[2]}, "name": {name}, "back": {"sort=bed&evil=1"}})
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/units/4W?sort=bed#o-"+m[2] {
		t.Fatalf("giving = %d to %q", w.Code, w.Header().Get("Location"))
	}
	return m[2]
}

// What is given is seen at once by everybody, though the list is kept; and it is
// taken back by an empty name.
func TestWhatIsGivenIsSeenAtOnce(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	before := get(h, "/units/4W").Body.String()
	key := give(t, h, d, "  Invented   Nurse ")
	shown := func(page string) bool { return strings.Contains(page, "<strong>Invented Nurse</strong>") }
	if shown(before) || !shown(get(h, "/units/4W").Body.String()) {
		t.Error("what was given is not seen at once")
	}
	if sheet := get(h, "/units/4W").Body.String(); !strings.Contains(sheet, `<span class="line">Invented Nurse</span>`) {
		t.Error("the sheet does not say to whom")
	}
	if !shown(get(webtest.As(web.New(d), string(records.UnitManager)), "/units/4W").Body.String()) {
		t.Error("another account does not see what was given")
	}
	if board.Lives > 2 {
		t.Errorf("the list was worked out %d times in one minute", board.Lives)
	}
	all := d.Assignments.(*webtest.Assignments)
	if len(all.All()) != 1 || all.All()[0].Who != webtest.Everything || all.All()[0].Key != key {
		t.Fatalf("what was given: %+v", all.All())
	}
	// The pharmacist sees it, and gives nothing.
	page := get(webtest.As(web.New(d), string(records.Pharmacist)), "/units/4W").Body.String()
	if !shown(page) || giving.MatchString(page) {
		t.Error("who may not give is offered to, or does not see what was given")
	}
	for _, a := range all.All() {
		w := post(h, "/stays/"+a.StayID+"/assign", url.Values{"key": {key}, "name": {""}})
		if w.Code != http.StatusSeeOther || shown(get(h, "/units/4W").Body.String()) {
			t.Errorf("giving to nobody = %d, or it is still somebody's", w.Code)
		}
	}
	if len(all.All()) != 2 {
		t.Errorf("%d assignments are kept, want both", len(all.All()))
	}
	// As of a moment before, nobody had been given anything.
	if shown(get(h, "/units/4W?as_of="+demo.AnchorTime().Add(-time.Hour).Format(time.RFC3339)).Body.String()) {
		t.Error("the list of an hour ago names who was given it since")
	}
}

func TestWhatCannotBeGiven(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	m := giving.FindStringSubmatch(get(h, "/units/4W").Body.String())
	for name, tc := range map[string]struct {
		target string
		form   url.Values
		status int
	}{
		"what is not owed":      {m[1], url.Values{"key": {"abc"}, "name": {"Ann"}}, 409},
		"to no name":            {m[1], url.Values{"key": {m[2]}, "name": {"A\u202enn"}}, 422},
		"to too long a name":    {m[1], url.Values{"key": {m[2]}, "name": {strings.Repeat("x", 65)}}, 422},
		"of a stay not there":   {"/stays/S000/assign", url.Values{"key": {m[2]}, "name": {"Ann"}}, 404},
		"of another patient":    {"/stays/S111/assign", url.Values{"key": {m[2]}, "name": {"Ann"}}, 409},
		"at another moment":     {m[1] + "?as_of=2026-11-01T12:00:00Z", url.Values{"key": {m[2]}, "name": {"Ann"}}, 404},
		"with bytes of no text": {m[1], url.Values{"key": {m[2]}, "name": {"\xff"}}, 400},
	} {
		if w := post(h, tc.target, tc.form); w.Code != tc.status {
			t.Errorf("%s = %d, want %d", name, w.Code, tc.status)
		}
	}
	if all := d.Assignments.(*webtest.Assignments).All(); len(all) != 0 {
		t.Errorf("given all the same: %+v", all)
	}
}

// Who has taken an episode is named beside what it is, at once, and it counts as
// somebody's.
func TestWhoHasTakenAnEpisodeIsNamed(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	at := demo.AnchorTime()
	if _, err := d.Episodes.StepUnit(t.Context(), "4W", at); err != nil {
		t.Fatal(err)
	}
	nobodys := regexp.MustCompile(`(\d+) given to nobody yet`)
	before := nobodys.FindStringSubmatch(get(h, "/units/4W").Body.String())
	owed, err := d.Episodes.Unit(t.Context(), "4W")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range owed {
		if e.Kind != episodes.PrecautionsMissing {
			continue
		}
		if _, err := d.Episodes.Act(t.Context(), e.ID, episodes.Action{Do: episodes.Take, Who: "ann"}, at); err != nil {
			t.Fatal(err)
		}
		break
	}
	page := get(h, "/units/4W").Body.String()
	after := nobodys.FindStringSubmatch(page)
	if !strings.Contains(page, "episode taken by ann") || before == nil || after == nil || before[1] == after[1] {
		t.Errorf("an episode that was taken is not named, or still nobody's: %v, then %v", before, after)
	}
	if page := get(h, "/units/4W?names=off").Body.String(); strings.Contains(page, "taken by ann") || !strings.Contains(page, "given to somebody") {
		t.Error("a page without names names who has taken an episode")
	}
}

// What is given is recorded as a change of the stay, before it is done; what cannot be
// recorded is not done.
func TestGivingIsRecorded(t *testing.T) {
	full := false
	all, d := noted(t, func(e records.AuditEntry) error {
		if full && e.Did == audit.Change {
			return errors.New("disk full")
		}
		return nil
	})
	h := webtest.As(web.New(d), string(records.UnitManager))
	give(t, h, d, "Ann")
	stay := d.Assignments.(*webtest.Assignments).All()[0].StayID
	if got, want := lastOf(t, *all), "unit-manager change POST /stays/:stay/assign unit=4W stay="+stay+" allowed"; got != want {
		t.Errorf("recorded: %s, want %s", got, want)
	}
	full = true
	m := giving.FindStringSubmatch(get(h, "/units/4W").Body.String())
	if w := post(h, m[1], url.Values{"key": {m[2]}, "name": {"Bo"}}); w.Code != http.StatusServiceUnavailable || len(d.Assignments.(*webtest.Assignments).All()) != 1 {
		t.Errorf("without a record giving = %d", w.Code)
	}
}
