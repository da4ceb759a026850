package web_test

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

var walkName = regexp.MustCompile(`<section class="walk"[^>]*><h2[^>]*><span class="name">([^<]*)<`)

// stopsOf are the stops of a round's page, each by its bed, a taken one marked.
func stopsOf(page string) map[string]string {
	out := map[string]string{}
	for _, stop := range strings.Split(page, `<li class="stop`)[1:] {
		stop, _, _ = strings.Cut(stop, "</li>")
		bed := regexp.MustCompile(`<b class="bed">([^<]*)<`).FindStringSubmatch(stop)[1]
		if strings.HasPrefix(stop, " taken") {
			bed += " taken"
		}
		if strings.HasPrefix(stop, " idle") {
			bed += " idle"
		}
		out[bed] = stop
	}
	return out
}

// Every recheck that the list owes within twelve hours is a stop, and no other.
func TestTheRoundHasEveryRecheckOfItsHours(t *testing.T) {
	d, board := open(t)
	page := get(signedIn(d), "/units/4W/round").Body.String()
	got := stopsOf(page)
	list, err := board.List(t.Context(), "4W", d.Clock().Truncate(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	owed := 0
	for _, a := range list {
		due := a.Recheck.DueAt
		want := due != nil && due.Before(demo.AnchorTime().Add(12*time.Hour)) && !a.Died()
		_, is := got[a.Digest.Stay.Bed]
		if is != want {
			t.Errorf("bed %s: due %v, a stop: %v", a.Digest.Stay.Bed, due, is)
		}
		if want {
			owed++
		}
		if want && (a.Recheck.State == alerts.Blocked) != strings.Contains(got[a.Digest.Stay.Bed], "Do not stand.") {
			t.Errorf("bed %s is blocked, or not, and not said so", a.Digest.Stay.Bed)
		}
	}
	if owed < 10 {
		t.Errorf("only %d rechecks are owed", owed)
	}
}

// A set that was taken crosses itself off, and shows what it found; what is owed after it is a stop
// of its own hour.
func TestATakenSetCrossesItselfOff(t *testing.T) {
	d, board := open(t)
	h := signedIn(d)
	if _, owed := stopsOf(get(h, "/units/4W/round").Body.String())["7B"]; !owed {
		t.Fatal("bed 7B owes no set")
	}
	list, err := board.List(context.Background(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	stay := ""
	for _, a := range list {
		if a.Digest.Stay.Bed == "7B" {
			stay = a.Digest.StayID
		}
	}
	for n, position := range []clinical.Position{clinical.Lying, clinical.Standing, clinical.Standing} {
		at, systolic, diastolic := demo.AnchorTime().Add(time.Duration(n-12)*time.Minute), 140.0, 80.0
		minutes := []float64{5, 1, 3}[n]
		board.Put(t, clinical.Version{
			Kind: clinical.KindVitals, SourceID: "round-" + string(rune('a'+n)), StayID: stay, RecordedAt: at, Stated: true,
			Status: clinical.Final, Body: clinical.Vitals{
				TakenAt: at, Systolic: &systolic, Diastolic: &diastolic, Position: position, MinutesInPosition: &minutes,
				SetID: "round",
			},
		})
	}
	got := stopsOf(get(signedIn(d), "/units/4W/round").Body.String()) // anew: a list is kept for its minute
	holds(t, got["7B taken"], "<s>", "✓", "negative")
	if _, still := got["7B"]; still {
		t.Errorf("what was done is owed still: %s", got["7B"])
	}
}

// A range of which an end names nobody's bed is asked about once, with how many beds it is: a slip
// for 6B is not the whole unit unseen.
func TestARangeWithAnUnknownEndIsAskedAbout(t *testing.T) {
	d, _ := open(t)
	h := webtest.As(web.New(d), "bedside-nurse")
	form := url.Values{"from": {"1A"}, "to": {"66B"}, "nurse": {"Ann"}}
	asked := post(h, "/units/4W/round", form)
	if asked.Code != http.StatusUnprocessableEntity {
		t.Fatalf("beds until one that nobody lies in = %d", asked.Code)
	}
	said := words(asked)
	for _, want := range []string{"Nobody lies in bed 66B.", "Beds 1A to 66B are 33 beds now: 1A to 17.", "Give all 33 beds"} {
		if !strings.Contains(said, want) {
			t.Errorf("the page does not say %q: %s", want, said)
		}
	}
	if strings.Contains(get(h, "/units/4W/round").Body.String(), "Ann") {
		t.Error("the beds were given before the answer")
	}
	form.Set("sure", "1A 6B") // of another range
	if code := post(h, "/units/4W/round", form).Code; code != http.StatusUnprocessableEntity {
		t.Errorf("an answer about another range = %d", code)
	}
	form.Set("sure", regexp.MustCompile(`name="sure" value="([^"]*)"`).FindStringSubmatch(asked.Body.String())[1])
	if code := post(h, "/units/4W/round", form).Code; code != http.StatusSeeOther {
		t.Errorf("the beds given after the question = %d", code)
	}
}

// Beds are given by range until the end of the shift, recorded, and taken back; text of people is
// held as text.
func TestBedsAreGivenByRange(t *testing.T) {
	d, _ := open(t)
	now := d.Clock()
	d.Clock = func() time.Time { return now }
	var noted []records.AuditEntry
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		noted = append(noted, e)
		return nil
	}
	h := webtest.As(web.New(d), "bedside-nurse")
	give := func(from, to, nurse string) int {
		return post(h, "/units/4W/round", url.Values{"from": {from}, "to": {to}, "nurse": {nurse}}).Code
	}
	walks := func() []string {
		var out []string
		page := get(h, "/units/4W/round").Body.String()
		for _, m := range walkName.FindAllStringSubmatch(page, -1) {
			out = append(out, m[1])
		}
		return out
	}
	if code := give("1A", "6B", " Ann  <b>O'Neil</b> "); code != http.StatusSeeOther {
		t.Fatalf("given = %d", code)
	}
	if got := strings.Join(walks(), "|"); got != "Nobody&#39;s beds|Ann &lt;b&gt;O&#39;Neil&lt;/b&gt;" {
		t.Errorf("rounds of %s", got)
	}
	e := noted[len(noted)-2]
	if e.Unit != "4W" || e.Note != "beds 1A to 6B: Ann <b>O'Neil</b>" || e.Who != "bedside-nurse" {
		t.Errorf("noted %+v", noted)
	}
	one := get(h, "/units/4W/round?nurse="+url.QueryEscape("Ann <b>O'Neil</b>")).Body.String()
	if beds := stopsOf(one); len(beds) == 0 || beds["7B"] != "" {
		t.Errorf("the round of one nurse has stops %d", len(beds))
	}
	for _, c := range [][3]string{
		{"", "6B", "Ann"}, {"6B", "1A", "Ann"}, {"70", "80", "Ann"}, {"1A", "", strings.Repeat("a", 65)}, {"1A", "", "Ann\u202e"},
	} {
		if code := give(c[0], c[1], c[2]); code != http.StatusUnprocessableEntity {
			t.Errorf("%q = %d", c, code)
		}
	}
	if code := give("1A", "6B", ""); code != http.StatusSeeOther || len(walks()) != 1 {
		t.Errorf("given back = %d, rounds of %q", code, walks())
	}
	give("1A", "5B", "Ann")
	give("2A", "7B", "Bo") // what Ann's range gives still is 1A and 1B
	back := regexp.MustCompile(`name="of" value="(\d+)"`)
	page := get(h, "/units/4W/round").Body.String()
	ranges := back.FindAllStringSubmatch(page, -1)
	holds(t, page, "of it still: 1A, 1B")
	if len(ranges) != 2 {
		t.Fatalf("%d ranges can be taken back, want 2", len(ranges))
	}
	for range 2 { // the button pressed twice
		if w := post(h, "/units/4W/round", url.Values{"of": {ranges[0][1]}}); w.Code != http.StatusSeeOther {
			t.Errorf("taken back = %d", w.Code)
		}
	}
	page = get(h, "/units/4W/round").Body.String()
	if got := strings.Join(walks(), "|"); got != "Nobody&#39;s beds|Bo" || len(back.FindAllString(page, -1)) != 1 {
		t.Errorf("after one range was taken back, rounds of %s", got)
	}
	if bo := stopsOf(get(h, "/units/4W/round?nurse=Bo").Body.String()); bo["3A"] == "" && bo["2A"] == "" && bo["2B"] == "" {
		t.Errorf("another nurse's beds were taken back too: %v", bo)
	}
	give("1A", "", "Ann")
	now = now.Add(12 * time.Hour)
	if got := walks(); len(got) != 1 {
		t.Errorf("after the shift there are rounds of %q", got)
	}
}

// A set that cannot be read is not crossed off: what was owed is owed still.
func TestASetThatAnswersNothingIsNotCrossedOff(t *testing.T) {
	d, board := open(t)
	got := stopsOf(get(signedIn(d), "/units/4W/round").Body.String())
	list, err := board.List(t.Context(), "4W", d.Clock().Truncate(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	idle := 0
	for _, a := range list {
		bed, set := a.Digest.Stay.Bed, a.Digest.LatestSet()
		if set == nil || d.Clock().Sub(set.StartedAt) > 8*time.Hour || set.Interpretable() {
			continue
		}
		stop, is := got[bed+" idle"]
		if _, taken := got[bed+" taken"]; taken || is && !strings.Contains(stop, "taken, answers nothing") {
			t.Errorf("bed %s is crossed off by a set that cannot be read: %s", bed, stop)
		}
		if is {
			idle++
		}
	}
	if idle == 0 {
		t.Error("no stop of the demo is idle")
	}
}

// Every limb that must not be measured is named.
func TestTheRoundNamesEveryLimb(t *testing.T) {
	d, board := open(t)
	began := d.Clock().Add(-time.Hour)
	var stay string
	for _, a := range unitList(t, board) {
		if due := a.Recheck.DueAt; due != nil && a.Recheck.State != alerts.Blocked && !a.Died() && due.Before(d.Clock()) {
			stay = a.Digest.StayID
		}
	}
	for limb, reason := range map[string]string{"left arm": "fistula", "right arm": "lymph nodes removed"} {
		board.Put(t, clinical.Version{
			Kind: clinical.KindRestriction, SourceID: "RB " + limb, StayID: stay, RecordedAt: began, Stated: true, Status: clinical.Final,
			Body: clinical.Restriction{Limb: limb, Reason: reason, StartedAt: began},
		})
	}
	stop := stopsOf(get(signedIn(d), "/units/4W/round").Body.String())[bedOf(t, board, stay)]
	for _, want := range []string{"no cuff on the left arm", "no cuff on the right arm"} {
		if !strings.Contains(stop, want) {
			t.Errorf("the stop of %s does not say %q: %s", stay, want, stop)
		}
	}
}

// A set that can be read and was taken before a fall is not crossed off, and the round says why.
func TestASetBeforeAFallIsNotCrossedOff(t *testing.T) {
	d, board := open(t)
	stop := func() string {
		got := stopsOf(get(signedIn(d), "/units/4W/round").Body.String())
		return got[bedOf(t, board, "S109")+" taken"] + got[bedOf(t, board, "S109")+" idle"]
	}
	holds(t, stop(), ">taken<", "✓")
	fell := demo.AnchorTime().Add(-10 * time.Minute)
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "FR", StayID: "S109", RecordedAt: fell, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: fell, Injury: "none"},
	})
	got := stop()
	holds(t, got, "taken, and a set is owed all the same: after a fall")
	lacks(t, got, "✓", "<s>")
}

// Who takes the round reads which drug makes a fall bleed, and beside a fall when it was last given or
// stopped, as on the list.
func TestTheRoundTellsTheDrugThatMakesAFallBleed(t *testing.T) {
	d, board := open(t)
	since := demo.AnchorTime()
	var stay, drug string
	for _, a := range unitList(t, board) {
		fell := len(alerts.FellOrFainted(a, since.Add(-24*time.Hour))) > 0
		for _, g := range a.Exposures.LastGiven {
			if due := a.Recheck.DueAt; clinical.Antithrombotic(g.ATC) != "" && !g.LineOnly && g.GivenAt != nil && due != nil &&
				due.Before(since.Add(12*time.Hour)) && !a.Died() && !fell && a.Recheck.State != alerts.Blocked {
				stay, drug = a.Digest.StayID, g.Name
			}
		}
	}
	if stay == "" {
		t.Fatal("nobody of the demo who is owed a set has such a drug")
	}
	stop := func() string {
		_, what, _ := strings.Cut(stopsOf(get(signedIn(d), "/units/4W/round").Body.String())[bedOf(t, board, stay)], `class="t-what"`)
		return what
	}
	holds(t, stop(), "bleeds: ", drug)
	fell := since.Add(-time.Minute)
	board.Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "FB", StayID: stay, RecordedAt: fell, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: fell},
	})
	holds(t, stop(), "Fell ", drug+" ", "last ", " before the fall")
}

// bedOf is the bed of a stay of the demo unit.
func bedOf(t *testing.T, board *webtest.Answers, stay string) string {
	t.Helper()
	for _, a := range unitList(t, board) {
		if a.Digest.StayID == stay {
			return a.Digest.Stay.Bed
		}
	}
	t.Fatal(stay + " is not listed")
	return ""
}

func unitList(t *testing.T, board *webtest.Answers) []alerts.Assessment {
	t.Helper()
	list, err := board.List(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	return list
}
