package web_test

import (
	"errors"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var (
	giving = regexp.MustCompile(`<form method="post" action="(/episodes/([0-9a-f]+)/give)" class="form"><input type="hidden" name="seen" value="([^"]*)">`)
	row    = regexp.MustCompile(`<b class="bed">([^<]*)</b>`)
	ranked = regexp.MustCompile(`(?s)<ol class="rank">.*?</ol>`)
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
	if start < 0 || start > strings.Index(page, `id="since"`) || start > strings.Index(page, `class="rank"`) {
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
	news := page[strings.Index(page, `id="since"`):strings.Index(page, `id="choose"`)]
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
	owed(t, d, "4W")
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
	if strings.Contains(page, "Invented Nurse") || strings.Contains(page, "/give") || !strings.Contains(page, "given to somebody") {
		t.Error("a page without names names the staff, or takes names")
	}
	if len(bedsOf(page)) == 0 || !strings.Contains(page, `id="row-1"`) {
		t.Error("no bed is shown")
	}
}

// form is the form by which the first thing on the page is given to somebody, with the id of
// its episode.
func givingForm(t *testing.T, h http.Handler) (target, id string, form url.Values) {
	t.Helper()
	m := giving.FindStringSubmatch(get(h, "/units/4W").Body.String())
	if m == nil {
		t.Fatal("nothing can be given to anybody")
	}
	return m[1], m[2], url.Values{"seen": {m[3]}}
}

// give gives the first thing that is owed on the page to somebody, and returns its episode.
func give(t *testing.T, h http.Handler, d web.Deps, name string) records.Episode {
	t.Helper()
	target, id, form := givingForm(t, h)
	form.Set("name", name)
	form.Set("back", "list?sort=bed&evil=1")
	w := post(h, target, form)
	e, err := d.Episodes.Episode(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	key := episodes.KeyOf(e.Episode.Kind, e.Episode.StayID, id)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/units/4W?sort=bed#e-"+key {
		t.Fatalf("giving = %d to %q", w.Code, w.Header().Get("Location"))
	}
	return e.Episode
}

// What is given is seen at once by everybody, though the list is kept, on every page that shows
// it, and it is taken back by an empty name.
func TestWhatIsGivenIsSeenAtOnce(t *testing.T) {
	d, board := open(t)
	owed(t, d, "4W")
	h := signedIn(d)
	before := get(h, "/units/4W").Body.String()
	e := give(t, h, d, "  Invented   Nurse ")
	shown := func(page string) bool { return strings.Contains(page, "<strong>Invented Nurse</strong>") }
	if shown(before) || !shown(get(h, "/units/4W").Body.String()) {
		t.Error("what was given is not seen at once")
	}
	if sheet := get(h, "/units/4W").Body.String(); !strings.Contains(sheet, `<span class="line">Invented Nurse</span>`) {
		t.Error("the sheet does not say to whom")
	}
	for _, path := range []string{"/units/4W/episodes", "/stays/" + e.StayID} {
		if !strings.Contains(get(h, path).Body.String(), "Given to Invented Nurse by "+webtest.Everything) {
			t.Errorf("%s does not say to whom", path)
		}
	}
	if !shown(get(webtest.As(web.New(d), string(records.UnitManager)), "/units/4W").Body.String()) {
		t.Error("another account does not see what was given")
	}
	if board.Lives > 5 { // for the steps of two units, and once for each of three handlers
		t.Errorf("the list was worked out %d times in one minute", board.Lives)
	}
	if e.State != episodes.Assigned || e.Who != "Invented Nurse" || e.By != webtest.Everything {
		t.Fatalf("what was given: %+v", e)
	}
	// The pharmacist sees it, and gives dose reviews alone.
	page := get(webtest.As(web.New(d), string(records.Pharmacist)), "/units/4W").Body.String()
	if !shown(page) || strings.Contains(page, "/episodes/"+e.ID+"/give") {
		t.Error("who may not give is offered to, or does not see what was given")
	}
	if w := post(h, "/episodes/"+e.ID+"/give", url.Values{"seen": {seenNow(t, d, e)}, "name": {""}}); w.Code != http.StatusSeeOther ||
		shown(get(h, "/units/4W").Body.String()) {
		t.Errorf("giving to nobody = %d, or it is still somebody's", w.Code)
	}
	// As of a moment before, nobody had been given anything.
	if shown(get(h, "/units/4W?as_of="+demo.AnchorTime().Add(-time.Hour).Format(time.RFC3339)).Body.String()) {
		t.Error("the list of an hour ago names who was given it since")
	}
}

// seenNow is what a page shows of the thing of an episode.
func seenNow(t *testing.T, d web.Deps, e records.Episode) string {
	t.Helper()
	s := shift{t: t, deps: d}
	h, err := d.Episodes.Episode(t.Context(), e.ID)
	if err != nil {
		t.Fatal(err)
	}
	return s.seen(e, len(h.Events))
}

func TestWhatCannotBeGiven(t *testing.T) {
	d, _ := open(t)
	owed(t, d, "4W")
	h := signedIn(d)
	target, id, form := givingForm(t, h)
	seen := form.Get("seen")
	for name, tc := range map[string]struct {
		target string
		form   url.Values
		status int
	}{
		"what has changed":      {target, url.Values{"seen": {id + ":7"}, "name": {"Ann"}}, 409},
		"what was not seen":     {target, url.Values{"name": {"Ann"}}, 409},
		"to nobody, nobody's":   {target, url.Values{"seen": {seen}, "name": {" "}}, 409},
		"to no name":            {target, url.Values{"seen": {seen}, "name": {"A\u202enn"}}, 422},
		"to too long a name":    {target, url.Values{"seen": {seen}, "name": {strings.Repeat("x", 65)}}, 422},
		"what is not there":     {"/episodes/abc/give", url.Values{"seen": {seen}, "name": {"Ann"}}, 404},
		"with bytes of no text": {target, url.Values{"seen": {seen}, "name": {"\xff"}}, 400},
	} {
		if w := post(h, tc.target, tc.form); w.Code != tc.status {
			t.Errorf("%s = %d, want %d", name, w.Code, tc.status)
		}
	}
	if got, err := d.Episodes.Episode(t.Context(), id); err != nil || got.Episode.State != episodes.Open {
		t.Errorf("given all the same: %+v, %v", got.Episode, err)
	}
}

// A bookmark with a filter that there is not shows the whole list, and says so.
func TestAnUnknownFilterShowsAll(t *testing.T) {
	d, _ := open(t)
	h := signedIn(d)
	for query, want := range map[string]string{
		"owed=bogus": "There is no such filter, so it is left out: owed=bogus.", "given=%3Cb%3E": "left out: given=&lt;b&gt;.",
	} {
		body := get(h, "/units/4W?"+query).Body.String()
		if !strings.Contains(body, want) {
			t.Errorf("%s: the page does not say %q", query, want)
		}
		if got, all := strings.Count(body, `<li class="row`), strings.Count(get(h, "/units/4W").Body.String(), `<li class="row`); got != all {
			t.Errorf("%s shows %d of %d", query, got, all)
		}
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
	nobodys := regexp.MustCompile(`nobody&#39;s <b>(\d+)</b>`)
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
	if !strings.Contains(page, "taken by ann") || before == nil || after == nil || before[1] == after[1] {
		t.Errorf("an episode that was taken is not named, or still nobody's: %v, then %v", before, after)
	}
	if page := get(h, "/units/4W?names=off").Body.String(); strings.Contains(page, "taken by ann") || !strings.Contains(page, "taken by somebody") {
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
	owed(t, d, "4W")
	e := give(t, h, d, "Ann")
	if got, want := lastOf(t, *all), "unit-manager change POST /episodes/:episode/give unit=4W stay="+e.StayID+" allowed"; got != want {
		t.Errorf("recorded: %s, want %s", got, want)
	}
	full = true
	w := post(h, "/episodes/"+e.ID+"/give", url.Values{"seen": {seenNow(t, d, e)}, "name": {"Bo"}})
	if after, err := d.Episodes.Episode(t.Context(), e.ID); w.Code != http.StatusServiceUnavailable || err != nil || after.Episode.Who != "Ann" {
		t.Errorf("without a record giving = %d, %v", w.Code, err)
	}
}

// On paper a set stands with its finding: figures alone read as those of a set without a drop.
func TestTheSheetTellsTheFindingOfEachSet(t *testing.T) {
	d, board := open(t)
	sheet := part(t, get(webtest.As(web.New(d), "bedside-nurse"), "/units/4W").Body.String(), `class="sheet`, "</html>")
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]int{}
	for _, a := range list {
		set := a.Digest.LatestSet()
		if set == nil || a.Tier == alerts.None {
			continue
		}
		row := part(t, sheet, `class="bed">`+a.Digest.Stay.Bed+"</b>", "</tr>")
		if word := text.Findings[set.Finding]; !strings.Contains(row[strings.Index(row, "</svg>"):], word) && set.Finding != trends.Positive {
			t.Errorf("%s: %q does not stand beside the figures: %s", a.Digest.StayID, word, row)
		}
		told[set.Finding]++
	}
	if told[trends.Negative] == 0 || told[trends.Inconclusive] == 0 || told[trends.SymptomsOnly] == 0 {
		t.Fatalf("the demo shows too few findings: %v", told)
	}
}

// Who takes over reads each thing once: no finding, no precautions and no death stand twice in what is
// copied of a patient.
func TestTheHandoverOfEachPatientTellsAThingOnce(t *testing.T) {
	d, board := open(t)
	died := demo.AnchorTime().Add(-10 * time.Minute)
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-DIED", StayID: "S106", RecordedAt: died, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: died, Injury: "death"},
	})
	page := get(webtest.As(web.New(d), "falls-nurse"), "/units/4W").Body.String()
	rows := strings.Split(page, `id="row-`)[1:]
	once := regexp.MustCompile(`systolic drop \d+|precautions? missing|died|stopped by symptoms|tell the provider`)
	for _, row := range rows {
		if !strings.Contains(row, `class="handover"`) {
			continue
		}
		handover := html.UnescapeString(part(t, row, `class="handover"`, "</textarea>"))
		told := map[string]int{}
		for _, what := range once.FindAllString(handover, -1) {
			told[what]++
		}
		for what, n := range told {
			if n > 1 {
				t.Errorf("%d times %q: %s", n, what, handover)
			}
		}
	}
}

// Flags that stand and flags that ask for a review are not one number: each page says which it counts.
func TestFlagsAreCountedAsWhatTheyAre(t *testing.T) {
	d, board := open(t)
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	h, checked := webtest.As(web.New(d), "falls-nurse"), 0
	for _, a := range list {
		asking := 0
		for _, f := range a.Review.Flags {
			if f.Asks() {
				asking++
			}
		}
		if n := len(a.Review.Flags); n > asking && asking > 1 && a.Review.Needed && !a.Died() {
			holds(t, get(h, "/stays/"+a.Digest.StayID).Body.String(), fmt.Sprintf("%d flags stand, %d of them asking for a review", n, asking))
			checked++
		}
	}
	if checked == 0 {
		t.Fatal("nobody of the demo has flags that stand and ask for nothing")
	}
}
