package web_test

import (
	"context"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/parts"
	"plumbline/internal/web/webtest"
)

// owed steps the episodes of the demo to its moment and lists those of a unit.
func owed(t *testing.T, d web.Deps, unit string) []records.Episode {
	t.Helper()
	if _, err := d.Episodes.StepAll(t.Context(), demo.AnchorTime()); err != nil {
		t.Fatal(err)
	}
	list, err := d.Episodes.Unit(t.Context(), unit)
	if err != nil || unit != "" && len(list) == 0 {
		t.Fatalf("%d episodes on %s, %v", len(list), unit, err)
	}
	return list
}

// shift is the unit with its episodes, as the people of a shift see it. Its clock
// can be moved.
type shift struct {
	t       *testing.T
	deps    web.Deps
	handler http.Handler
	now     time.Time
	audited []string

	signedIn map[string]http.Handler
}

func newShift(t *testing.T) *shift {
	t.Helper()
	d, _ := open(t)
	s := &shift{t: t, now: demo.AnchorTime().Add(10 * time.Second), signedIn: map[string]http.Handler{}}
	d.Clock = func() time.Time { return s.now }
	d.Accounts.Clock = d.Clock
	d.Note = func(_ context.Context, e records.AuditEntry) error {
		if e.Did != audit.SignIn {
			s.audited = append(s.audited, fmt.Sprintf("%s %s %s unit=%s stay=%s %s", e.Who, e.Did, e.What, e.Unit, e.Stay, e.Outcome))
		}
		return nil
	}
	owed(t, d, "4W")
	s.deps, s.handler = d, web.New(d)
	return s
}

// the episode of a kind of a stay; of a feed the stay is "".
func (s *shift) episode(stay string, kind records.EpisodeKind) records.Episode {
	s.t.Helper()
	list, err := s.deps.Episodes.Stay(s.t.Context(), stay)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, h := range list {
		if h.Episode.Kind == kind {
			return h.Episode
		}
	}
	s.t.Fatalf("%s has no episode %s", stay, kind)
	panic("unreachable")
}

func (s *shift) get(who, path string) string {
	s.t.Helper()
	w := get(s.as(who), path)
	if w.Code != 200 {
		s.t.Fatalf("GET %s as %s = %d", path, who, w.Code)
	}
	return html.UnescapeString(w.Body.String())
}

// act sends a form as somebody who has seen so many events.
func (s *shift) act(who string, e records.Episode, verb string, seen int, more ...string) *httptest.ResponseRecorder {
	s.t.Helper()
	form := url.Values{"seen": {s.seen(e, seen)}, "back": {"unit"}}
	for n := 0; n+1 < len(more); n += 2 {
		form.Set(more[n], more[n+1])
	}
	return post(s.as(who), "/episodes/"+e.ID+"/"+verb, form)
}

// as is the program as somebody sees it, who signs in once for each moment of the clock.
func (s *shift) as(who string) http.Handler {
	key := who + s.now.String()
	if s.signedIn[key] == nil {
		s.signedIn[key] = webtest.As(s.handler, who)
	}
	return s.signedIn[key]
}

// seen is what a form says that it showed: so many events of an episode, and of the others of
// its thing those that there are.
func (s *shift) seen(e records.Episode, events int) string {
	s.t.Helper()
	if e.StayID == "" {
		return fmt.Sprintf("%s:%d", e.ID, events)
	}
	all, err := s.deps.Episodes.Stay(s.t.Context(), e.StayID)
	if err != nil {
		s.t.Fatal(err)
	}
	thing := episodes.ThingOf(e, care.Now(all))
	for n := range thing.Members {
		if m := &thing.Members[n]; m.ID == e.ID {
			m.Events = events
		}
	}
	return parts.SeenOf(thing)
}

func (s *shift) last() string {
	if len(s.audited) == 0 {
		return ""
	}
	return s.audited[len(s.audited)-1]
}

func holds(t *testing.T, page string, all ...string) {
	t.Helper()
	for _, want := range all {
		if !strings.Contains(page, want) {
			t.Errorf("%q is not on the page", want)
		}
	}
}

func lacks(t *testing.T, page string, all ...string) {
	t.Helper()
	for _, no := range all {
		if strings.Contains(page, no) {
			t.Errorf("%q is on the page", no)
		}
	}
}

func TestTheUnitsPageOfEpisodes(t *testing.T) {
	s := newShift(t)
	page := s.get("falls-nurse", "/units/4W/episodes")
	checkMarkup(t, "episodes", page)
	list, err := s.deps.Episodes.Unit(t.Context(), "4W")
	if err != nil {
		t.Fatal(err)
	}
	things := episodes.Things(list, nil)
	holds(t, page, text.Owed(things), "Nothing ended in the last 24 h.", `href="/units/4W/episodes/tally"`)
	board := s.deps.Answers
	live, err := board.Live(t.Context(), "4W", demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]string{}
	for _, a := range live {
		names[a.Digest.StayID] = a.Digest.Stay.Bed + "</span> <span class=\"name\">" + a.Digest.Stay.Name
	}
	c := text.Catalogue{Zone: s.deps.Zone, At: s.now}
	last := -1
	for _, e := range things {
		at := strings.Index(page, `id="e-`+e.Key+`"`)
		if at < last {
			t.Errorf("%s of %s does not stand in the order of kinds and age", e.Kind, e.StayID)
		}
		last = at
		_, article, _ := strings.Cut(page, `id="e-`+e.Key+`"`)
		article, _, _ = strings.Cut(article, "</article>")
		holds(t, article, names[e.StayID], c.EpisodeWhy(e.Rule, e.Figures), c.EpisodeState(e.Episode), e.Facts[0].SourceID,
			`action="/episodes/`+e.ID+`/take"`, `action="/episodes/`+e.ID+`/give"`,
			`name="seen" value="`+parts.SeenOf(e)+`"`, `name="back" value="unit"`)
		if closing := `action="/episodes/` + e.ID + `/close"`; e.Kind == episodes.ClearanceOwed {
			lacks(t, article, closing) // nobody closes it: T-CLEARANCE
		} else {
			holds(t, article, closing)
		}
		lacks(t, article, "/release", `option value="96"`)
		if told := len(e.Told) > 0; strings.Contains(article, "owed since") != told {
			t.Errorf("%s of %s is told as owed since a time: %v, and is overdue: %v", e.Kind, e.StayID, !told, told)
		}
	}
	lacks(t, page, "data-refresh") // what is being typed must not be swept away
	if !strings.Contains(page, `href="/units/4W/episodes" aria-current="page"`) {
		t.Error("no way leads here, or it is not marked")
	}
	if s.last() != "falls-nurse view GET /units/:unit/episodes unit=4W stay= allowed" {
		t.Error(s.last())
	}
	lacks(t, s.get("pharmacist", "/units/4W/episodes"), "/tally") // its forms: TestAPharmacistActsOnDoseReviews
	lacks(t, s.get("bedside-nurse", "/units/4W/episodes"), "/tally")
	if w := get(webtest.As(s.handler, "falls-nurse"), "/units/4W/episodes?as_of=2026-11-01T00:00:00Z"); w.Code != 400 {
		t.Errorf("another moment = %d", w.Code)
	}
}

// The life of an episode by the forms of the page, each recorded with stay and unit.
func TestWhatPeopleDoWithAnEpisode(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	to := "/units/4W/episodes#e-" + e.ID
	seen := 1
	step := func(who, verb, back string, state records.EpisodeState, more ...string) {
		t.Helper()
		s.now = s.now.Add(time.Minute)
		w := s.act(who, e, verb, seen, more...)
		if w.Code != 303 || w.Header().Get("Location") != back {
			t.Fatalf("%s by %s = %d to %q %s", verb, who, w.Code, w.Header().Get("Location"), w.Body.String())
		}
		if want := who + " change POST /episodes/:episode/" + verb + " unit=4W stay=S106 allowed"; s.last() != want {
			t.Errorf("the audit: %s, want %s", s.last(), want)
		}
		seen++
		if got := s.episode("S106", episodes.PrecautionsMissing); got.State != state || got.Events != seen || !got.ChangedAt.Equal(s.now) {
			t.Errorf("%s by %s: %s after %d events", verb, who, got.State, got.Events)
		}
	}
	button := func(who, want string, none ...string) {
		t.Helper()
		_, article, _ := strings.Cut(s.get(who, "/units/4W/episodes"), `id="e-`+e.ID+`"`)
		article, _, _ = strings.Cut(article, "</article>")
		holds(t, article, want)
		for _, verb := range none {
			lacks(t, article, "/"+verb+`"`)
		}
	}
	step("bedside-nurse", "take", to, episodes.Taken)
	button("bedside-nurse", "Give back", "take")
	button("falls-nurse", "Take over from bedside-nurse", "release", "defer", "close")
	step("falls-nurse", "take", to, episodes.Taken)
	step("falls-nurse", "release", to, episodes.Open)
	step("unit-manager", "defer", to, episodes.Deferred, "reason", "in the <bath>", "hours", "2")
	if got := s.episode("S106", episodes.PrecautionsMissing); !got.Until.Equal(s.now.Add(2*time.Hour)) || got.Reason != "in the <bath>" {
		t.Errorf("put off until %s for %q", got.Until, got.Reason)
	}
	page := s.get("bedside-nurse", "/units/4W/episodes")
	holds(t, page, "Put off by unit-manager until "+(text.Catalogue{Zone: s.deps.Zone, At: s.now}).Time(s.now.Add(2*time.Hour)), "in the <bath>")
	step("bedside-nurse", "close", "/stays/S106#e-"+e.ID, episodes.Done, "reason", "declined", "note", "refuses the bed alarm", "back", "stay")

	page = s.get("bedside-nurse", "/units/4W/episodes")
	_, ended, _ := strings.Cut(page, `id="ended"`)
	holds(t, ended, `id="e-`+e.ID+`"`, "Closed by bedside-nurse", "the patient declined (refuses the bed alarm)", `href="/stays/S106"`)
	s.now = s.now.Add(24*time.Hour + time.Minute)
	_, ended, _ = strings.Cut(s.get("bedside-nurse", "/units/4W/episodes"), `id="ended"`)
	lacks(t, ended, e.ID)
}

// A form of a page that is out of date changes nothing, says who did what when, and
// loses nothing of what was typed.
func TestAFormThatIsOutOfDate(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	s.now = s.now.Add(7 * time.Minute)
	if w := s.act("falls-nurse", e, "defer", 1, "reason", "asleep", "hours", "4"); w.Code != 303 {
		t.Fatal(w.Code)
	}
	when := (text.Catalogue{Zone: s.deps.Zone, At: s.now}).Time(s.now)
	s.now = s.now.Add(time.Minute)
	for _, tc := range []struct {
		verb, form string
		more       []string
	}{
		{"close", `name="note" value="will not have it"`, []string{"reason", "declined", "note", "will not have it"}},
		{"defer", `name="reason" value="at the scan"`, []string{"reason", "at the scan", "hours", "2"}},
	} {
		w := s.act("bedside-nurse", e, tc.verb, 1, tc.more...)
		page := html.UnescapeString(w.Body.String())
		if w.Code != 409 {
			t.Errorf("%s = %d", tc.verb, w.Code)
		}
		checkMarkup(t, tc.verb, page)
		holds(t, page, "Nothing was done", "has changed since you saw it", "Put off by falls-nurse", "asleep", when, tc.form, `name="seen" value="`+e.ID+`:2"`, "Wilhelmina Castarède")
		if want := "bedside-nurse change POST /episodes/:episode/" + tc.verb + " unit=4W stay=S106 not changed: conflict"; s.last() != want {
			t.Errorf("the audit: %s, want %s", s.last(), want)
		}
	}
	holds(t, html.UnescapeString(s.act("bedside-nurse", e, "close", 1, "reason", "declined").Body.String()), `value="declined" selected`)
	holds(t, html.UnescapeString(s.act("bedside-nurse", e, "defer", 1, "hours", "8").Body.String()), `value="8" selected`)
	for _, seen := range []int{0, -1, 3, 1 << 40} {
		if w := s.act("bedside-nurse", e, "take", seen); w.Code != 409 {
			t.Errorf("%d events seen = %d", seen, w.Code)
		}
	}
	if got := s.episode("S106", episodes.PrecautionsMissing); got.Events != 2 || got.Who != "falls-nurse" {
		t.Errorf("it was changed: %+v", got)
	}

	// What was typed is shown where its form is gone.
	if w := s.act("falls-nurse", e, "take", 2); w.Code != 303 {
		t.Fatal(w.Code)
	}
	page := html.UnescapeString(s.act("bedside-nurse", e, "close", 2, "reason", "declined", "note", "will not have it").Body.String())
	holds(t, page, "What you had typed", "<li>the patient declined</li>", "<li>will not have it</li>", "Take over from falls-nurse")
	if w := s.act("falls-nurse", e, "close", 3, "reason", "declined"); w.Code != 303 {
		t.Fatal(w.Code)
	}
	w := s.act("bedside-nurse", e, "defer", 2, "reason", "at the scan", "hours", "2")
	page = html.UnescapeString(w.Body.String())
	holds(t, page, "Closed by falls-nurse", "<li>at the scan</li>")
	if lacks(t, page, "<form"); w.Code != 409 {
		t.Errorf("done already = %d", w.Code)
	}
}

// A button pressed twice is no conflict with oneself.
func TestAButtonPressedTwice(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	for n := range 2 {
		if w := s.act("falls-nurse", e, "take", 1); w.Code != 303 {
			t.Errorf("press %d = %d", n+1, w.Code)
		}
	}
	if got := s.episode("S106", episodes.PrecautionsMissing); got.Events != 2 {
		t.Errorf("%d events", got.Events)
	}
	if w := s.act("bedside-nurse", e, "take", 1); w.Code != 409 {
		t.Errorf("somebody else's press = %d", w.Code)
	}
	if w := s.act("falls-nurse", e, "release", 1); w.Code != 409 {
		t.Errorf("another button = %d", w.Code)
	}
}

func TestWhatAFormLacksIsSaid(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	for _, tc := range []struct {
		verb, says string
		more       []string
	}{
		{"close", "needs a reason", nil},
		{"close", "one of its reasons", []string{"reason", "done"}},
		{"close", "needs a note", []string{"reason", "other"}},
		{"close", "longer than 500", []string{"reason", "declined", "note", strings.Repeat("x", 501)}},
		{"defer", "needs a reason", []string{"hours", "1"}},
		{"defer", "needs an end", []string{"reason", "asleep"}},
		{"defer", "needs an end", []string{"reason", "asleep", "hours", "-3"}},
		{"defer", "12 h at most", []string{"reason", "asleep", "hours", "24"}},
	} {
		w := s.act("falls-nurse", e, tc.verb, 1, tc.more...)
		page := html.UnescapeString(w.Body.String())
		if w.Code != 422 || !strings.Contains(page, tc.says) || !strings.Contains(page, "<details id=\""+tc.verb[:1]+"-"+e.ID+"\" open>") {
			t.Errorf("%s %v = %d, or does not say %q over the open form", tc.verb, tc.more, w.Code, tc.says)
		}
	}
	if w := s.act("falls-nurse", e, "release", 1); w.Code != 409 || !strings.Contains(w.Body.String(), "only who has taken") && !strings.Contains(w.Body.String(), "Only who has taken") {
		t.Errorf("giving back what nobody took = %d", w.Code)
	}
	if got := s.episode("S106", episodes.PrecautionsMissing); got.Events != 1 {
		t.Errorf("%d events", got.Events)
	}
}

// An action leads back to two pages of this site, whatever a form says.
func TestAnActionLeadsNowhereElse(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	for n, back := range []string{"https://elsewhere.example/", "//elsewhere.example", "/accounts", "", "stay\r\nX: y"} {
		w := s.act([]string{"falls-nurse", "bedside-nurse"}[n%2], e, "take", n+1, "back", back)
		if to := w.Header().Get("Location"); w.Code != 303 || to != "/units/4W/episodes#e-"+e.ID {
			t.Errorf("back to %q leads to %q (%d)", back, to, w.Code)
		}
	}
}

// Of an episode that is not there, is another unit's, or may not be acted on, the
// answers are letter by letter the same.
func TestEpisodesCannotBeGuessed(t *testing.T) {
	s := newShift(t)
	own, other := s.episode("S106", episodes.PrecautionsMissing), owed(t, s.deps, "7E")[0]
	missing := records.Episode{ID: strings.Repeat("f", 32)}
	for _, role := range records.Roles {
		for _, verb := range []string{"take", "release", "defer", "close"} {
			want := s.act(string(role), missing, verb, 1)
			pairs := []records.Episode{other}
			if !(records.Account{Roles: []records.Role{role}}).May(records.ActOnEpisodes) {
				pairs = append(pairs, own)
			}
			for _, e := range pairs {
				got := s.act(string(role), e, verb, 1, "reason", "declined", "hours", "1")
				if got.Code != 404 || want.Code != 404 || got.Body.String() != want.Body.String() {
					t.Errorf("%s as %s: %d and %d differ", verb, role, got.Code, want.Code)
				}
				if !strings.HasSuffix(s.last(), " refused") || !strings.Contains(s.last(), "stay="+e.StayID+" ") {
					t.Errorf("%s as %s is recorded as %s", verb, role, s.last())
				}
			}
		}
	}
	for _, e := range []records.Episode{own, other} {
		if h, err := s.deps.Episodes.Episode(t.Context(), e.ID); err != nil || len(h.Events) != 1 {
			t.Errorf("%s has %d events, %v", e.ID, len(h.Events), err)
		}
	}
}

// What cannot be recorded is not done.
func TestWithoutARecordNothingIsDone(t *testing.T) {
	s := newShift(t)
	e := s.episode("S106", episodes.PrecautionsMissing)
	d := s.deps
	d.Note = func(_ context.Context, a records.AuditEntry) error {
		if a.Did == audit.Change {
			return clinical.Errorf(clinical.Internal, "the disk is full")
		}
		return nil
	}
	s.handler = web.New(d)
	if w := s.act("falls-nurse", e, "take", 1); w.Code != 503 {
		t.Errorf("without a record = %d", w.Code)
	}
	if got := s.episode("S106", episodes.PrecautionsMissing); got.State != episodes.Open {
		t.Errorf("it is %s", got.State)
	}
}

// The patient's page tells the whole history, and of another moment what was known then.
func TestTheHistoryOnThePatientsPage(t *testing.T) {
	s := newShift(t)
	e := s.episode("S101", episodes.FallWithoutSet)
	s.now = s.now.Add(5 * time.Minute)
	before := s.now
	s.now = s.now.Add(5 * time.Minute)
	if w := s.act("falls-nurse", e, "take", 1); w.Code != 303 {
		t.Fatal(w.Code)
	}
	s.now = s.now.Add(5 * time.Minute)
	if w := s.act("falls-nurse", e, "close", 2, "reason", "charted_wrongly", "note", "on paper"); w.Code != 303 {
		t.Fatal(w.Code)
	}
	c := text.Catalogue{Zone: s.deps.Zone, At: s.now}
	article := func(page string) string {
		_, a, _ := strings.Cut(page, `id="e-`+e.ID+`"`)
		a, _, _ = strings.Cut(a, "</article>")
		return a
	}
	page := s.get("bedside-nurse", "/stays/S101")
	checkMarkup(t, "stay", page)
	holds(t, article(page), "Opened. ", c.Time(e.OpenedAt), "Taken by falls-nurse.", "Closed by falls-nurse: charted wrongly; it is corrected at its source (on paper).")
	lacks(t, article(page), "<form")
	holds(t, page, `action="/episodes/`+s.episode("S101", episodes.PrecautionsMissing).ID+`/take"`, `name="back" value="stay"`)
	if strings.Index(page, `id="e-`+e.ID) < strings.Index(page, `id="e-`+s.episode("S101", episodes.PrecautionsMissing).ID) {
		t.Error("what is done stands before what is owed")
	}
	for _, h := range historiesOf(t, s.deps, "S101") { // a pharmacist acts on dose reviews alone
		form := `action="/episodes/` + h.Episode.ID + `/take"`
		if got := strings.Contains(s.get("pharmacist", "/stays/S101"), form); got != (h.Episode.Kind == episodes.DoseReview) {
			t.Errorf("the pharmacist's form for %s: %v", h.Episode.Kind, got)
		}
	}

	then := s.get("bedside-nurse", "/stays/S101?as_of="+before.UTC().Format(time.RFC3339))
	key := episodes.KeyOf(e.Kind, e.StayID, e.ID) // while it is owed it is one thing with the rechecks
	then = strings.ReplaceAll(then, `id="e-`+key+`"`, `id="e-`+e.ID+`"`)
	holds(t, article(then), "Opened. ", "Nobody's; owed for")
	lacks(t, article(then), "Taken by", "Closed by")
	lacks(t, then, `action="/episodes/`)
	earlier := s.get("bedside-nurse", "/stays/S101?as_of="+demo.AnchorTime().Add(-time.Hour).UTC().Format(time.RFC3339))
	lacks(t, earlier, `id="e-`, "Episodes of this stay")
}

var owedOnList = regexp.MustCompile(`<p class="owed">(.*?)</p>`)

// The count on the list is of the moment, though the list is kept for its minute.
func TestTheListCountsWhatIsOwed(t *testing.T) {
	s := newShift(t)
	line := func(who, path string) string {
		t.Helper()
		m := owedOnList.FindStringSubmatch(s.get(who, path))
		if m == nil {
			return ""
		}
		return m[1]
	}
	n := len(owed(t, s.deps, "4W")) - 1 // S101: the set after the fall and the recheck are one thing
	before := line("falls-nurse", "/units/4W")
	if want := fmt.Sprintf(`<a href="/units/4W/episodes">%d owed: %d nobody's, 0 in hand, 0 put off.</a>`, n, n); before != want {
		t.Errorf("the list says %q, want %q", before, want)
	}
	if w := s.act("falls-nurse", s.episode("S106", episodes.PrecautionsMissing), "take", 1); w.Code != 303 {
		t.Fatal(w.Code)
	}
	if want := fmt.Sprintf("%d nobody's, 1 in hand", n-1); !strings.Contains(line("falls-nurse", "/units/4W"), want) {
		t.Errorf("within the minute the list says %q, want %s", line("falls-nurse", "/units/4W"), want)
	}
	if got := line("screen", "/units/4W"); !strings.Contains(got, "1 in hand") || strings.Contains(got, "href") {
		t.Errorf("a display says %q", got)
	}
	if got := line("falls-nurse", "/units/4W?as_of="+demo.AnchorTime().UTC().Format(time.RFC3339)); got != "" {
		t.Errorf("the list of another moment counts what is owed now: %q", got)
	}
}

func TestEpisodesOfFeeds(t *testing.T) {
	s := newShift(t)
	lacks(t, s.get("falls-nurse", "/feeds"), "<form")
	silent := []episodes.Silence{{Feed: "feed folder", Since: s.now.Add(-time.Hour), Why: "it cannot be read"}}
	if _, err := s.deps.Episodes.StepFeeds(t.Context(), silent, s.now); err != nil {
		t.Fatal(err)
	}
	e := owed(t, s.deps, "")[0]
	page := s.get("falls-nurse", "/feeds")
	checkMarkup(t, "feeds", page)
	holds(t, page, "The feed folder is not read as it should be: it cannot be read.", `action="/episodes/`+e.ID+`/take"`)
	lacks(t, page, "data-refresh")
	page = s.get("pharmacist", "/feeds")
	holds(t, page, "is not read as it should be", "data-refresh")
	lacks(t, page, `action="/episodes/`)
	for _, who := range []string{"pharmacist", "screen"} {
		for _, verb := range []string{"take", "close"} {
			if w := s.act(who, e, verb, 1, "reason", "known_outage"); w.Code != 404 {
				t.Errorf("%s by the %s = %d", verb, who, w.Code)
			}
		}
	}
	if w := s.act("falls-nurse", e, "take", 1, "back", "stay"); w.Code != 303 || w.Header().Get("Location") != "/feeds#e-"+e.ID {
		t.Errorf("taken = %d to %q", w.Code, w.Header().Get("Location"))
	}
	if want := "falls-nurse change POST /episodes/:episode/take unit= stay= allowed"; s.last() != want {
		t.Errorf("the audit: %s", s.last())
	}
	if w := s.act("bedside-nurse", e, "close", 1, "reason", "known_outage"); w.Code != 409 || !strings.Contains(w.Body.String(), "Taken by falls-nurse") {
		t.Errorf("a page that is out of date = %d", w.Code)
	}
	// Whoever sees to the feeds acts on what is owed of them, and on nothing else.
	holds(t, s.get("administrator", "/feeds"), "Take over from falls-nurse")
	for n, form := range [][]string{{"take"}, {"release"}, {"defer", "reason", "the link is down", "hours", "1"}, {"close", "reason", "known_outage"}} {
		if w := s.act("administrator", e, form[0], n+2, form[1:]...); w.Code != 303 || w.Header().Get("Location") != "/feeds#e-"+e.ID {
			t.Errorf("%s by the administrator = %d", form[0], w.Code)
		}
	}
	if w := s.act("administrator", s.episode("S106", episodes.PrecautionsMissing), "take", 1); w.Code != 404 {
		t.Errorf("a patient's episode taken by the administrator = %d", w.Code)
	}
}

// Who may act on an episode of each kind, in the order of auth.Roles, written from
// the text of docs/accounts.md: the answer to a form that does not say what it showed.
var actingOn = map[records.EpisodeKind]string{
	episodes.FallWithoutSet:     acting,
	episodes.TellProvider:       "409 409 409 404 409 404 404", // a prescriber answers what she is asked
	episodes.ClearanceOwed:      "409 409 409 404 409 404 404",
	episodes.RecheckOverdue:     acting,
	episodes.PrecautionsMissing: acting,
	episodes.DoseReview:         "409 409 409 409 404 404 404",
	episodes.DataContradiction:  acting,
	episodes.FeedStale:          "409 409 409 404 404 409 404",
}

func TestWhoActsOnEachKindOfEpisode(t *testing.T) {
	s := newShift(t)
	silent := []episodes.Silence{{Feed: "feed folder", Since: s.now.Add(-time.Hour), Why: "it cannot be read"}}
	if _, err := s.deps.Episodes.StepFeeds(t.Context(), silent, s.now); err != nil {
		t.Fatal(err)
	}
	seen := map[records.EpisodeKind]bool{}
	for _, e := range append(owed(t, s.deps, "4W"), owed(t, s.deps, "")...) {
		if seen[e.Kind] && testing.Short() {
			continue
		}
		seen[e.Kind] = true
		for n, role := range records.Roles {
			for _, verb := range []string{"take", "release", "defer", "close"} {
				w := s.act(string(role), e, verb, 0, "reason", "other", "note", "x", "hours", "1")
				if want := strings.Fields(actingOn[e.Kind])[n]; strconv.Itoa(w.Code) != want {
					t.Errorf("%s of %s as %s = %d, want %s", verb, e.Kind, role, w.Code, want)
				}
			}
		}
	}
	for _, kind := range episodes.Kinds {
		if actingOn[kind] == "" || !seen[kind] && kind != episodes.DataContradiction { // the demo unit contradicts itself nowhere
			t.Errorf("nobody is tried on %s", kind)
		}
	}
}

// A pharmacist takes, gives back, puts off and closes dose reviews of the own units,
// and is led to where doses are reviewed. A nurse acts on them too, and is not led.
func TestAPharmacistActsOnDoseReviews(t *testing.T) {
	s := newShift(t)
	var e, other records.Episode
	for _, o := range owed(t, s.deps, "4W") {
		if o.Kind == episodes.DoseReview {
			e = o
		} else {
			other = o
		}
	}
	if e.ID == "" || other.ID == "" {
		t.Fatal("the demo unit has no dose review owed, or nothing else")
	}
	link, form := `href="/dose-review/`+e.StayID+`"`, `action="/episodes/`+e.ID+`/take"`
	for _, path := range []string{"/units/4W/episodes", "/stays/" + e.StayID} {
		page := s.get("pharmacist", path)
		holds(t, page, link, form)
		lacks(t, page, `action="/episodes/`+other.ID)
		_, article, _ := strings.Cut(s.get("falls-nurse", path), `id="e-`+e.ID+`"`)
		article, _, _ = strings.Cut(article, "</article>")
		holds(t, article, form)
		lacks(t, article, link)
	}
	for n, form := range [][]string{{"take"}, {"release"}, {"defer", "reason", "the prescriber is away", "hours", "48"}, {"close", "reason", "reviewed"}} {
		if w := s.act("pharmacist", e, form[0], n+1, form[1:]...); w.Code != 303 {
			t.Errorf("%s by the pharmacist = %d", form[0], w.Code)
		}
		if want := "pharmacist change POST /episodes/:episode/" + form[0] + " unit=4W stay=" + e.StayID + " allowed"; s.last() != want {
			t.Errorf("the audit: %s, want %s", s.last(), want)
		}
	}
	if w := s.act("pharmacist", other, "take", 1); w.Code != 404 {
		t.Errorf("%s taken by the pharmacist = %d", other.Kind, w.Code)
	}
	page := s.get("pharmacist", "/stays/"+e.StayID)
	holds(t, page, "Closed by pharmacist")
	lacks(t, page, form)
}

func historiesOf(t *testing.T, d web.Deps, stay string) []care.History {
	t.Helper()
	list, err := d.Episodes.Stay(t.Context(), stay)
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestTheTallyOfAUnit(t *testing.T) {
	s := newShift(t)
	all := owed(t, s.deps, "4W")
	n, told := len(all), 0 // an opening counts when it is told: a recheck that is not overdue yet is told to nobody
	for _, e := range all {
		if len(e.Told) > 0 {
			told++
		}
	}
	s.now = s.now.Add(30 * time.Minute)
	e := s.episode("S106", episodes.PrecautionsMissing)
	if w := s.act("falls-nurse", e, "take", 1); w.Code != 303 {
		t.Fatal(w.Code)
	}
	if w := s.act("falls-nurse", e, "close", 2, "reason", "declined"); w.Code != 303 {
		t.Fatal(w.Code)
	}
	s.now = s.now.Add(2 * time.Minute)
	page := s.get("unit-manager", "/units/4W/episodes/tally")
	checkMarkup(t, "tally", page)
	from := clinical.DayStart(s.now.Year(), s.now.Month(), s.now.In(chicago(t)).Day()-30, chicago(t))
	figures, err := s.deps.Answers.Unit(t.Context(), "4W", from, s.now, "month", s.now)
	if err != nil {
		t.Fatal(err)
	}
	days := 0.0
	for _, p := range figures.Periods {
		days += p.PatientDays
	}
	if days < 30 {
		t.Fatalf("%g patient-days show nothing", days)
	}
	holds(t, page, text.Figure(days)+" patient-days",
		fmt.Sprintf(`<th scope="row">all kinds</th><td>%d</td><td>0</td><td>0</td><td>%s</td><td>0</td><td>1</td><td>%d</td><td>30 min</td><td>30 min</td>`,
			told, text.Figure(float64(told)/days*100), n-1),
		"<td>a person</td><td>the patient declined</td><td>1</td>")
	if want := "unit-manager view GET /units/:unit/episodes/tally unit=4W stay= allowed"; s.last() != want {
		t.Errorf("the audit: %s", s.last())
	}
}
