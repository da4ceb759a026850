package web_test

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web"
	"plumbline/internal/web/webtest"
)

// charted are the facts of a kind on a stay's chart now.
func (s *shift) charted(stay string, kind clinical.Kind) (out []clinical.Record) {
	s.t.Helper()
	chart, err := s.deps.Answers.(*webtest.Answers).Chart(s.t.Context(), stay, s.now)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, r := range chart.Records {
		if r.Kind == kind {
			out = append(out, r)
		}
	}
	return out
}

// later moves the clock, and steps the unit.
func (s *shift) later(d time.Duration) {
	s.t.Helper()
	s.now = s.now.Add(d)
	if _, err := s.deps.Episodes.StepUnit(s.t.Context(), "4W", s.now); err != nil {
		s.t.Fatal(err)
	}
}

// R-ANSWER: an answer moves what was due to 8 h after it, the first three of a recheck count,
// and past them the provider is asked. It is a fact, whose thing comes back when its time is over.
func TestAnAnswerIsChartedAndComesBack(t *testing.T) {
	s := newShift(t)
	e := s.episode("S113", episodes.RecheckOverdue)
	c := func() text.Catalogue { return text.Catalogue{Zone: s.deps.Zone, At: s.now} }
	for n := 1; n <= 3; n++ {
		seen := s.episode("S113", episodes.RecheckOverdue).Events
		answered := s.now
		for press := range 2 { // a button pressed twice
			if w := s.act("bedside-nurse", e, "close", seen, "reason", "declined", "note", "asleep"); w.Code != http.StatusSeeOther {
				t.Fatalf("answer %d, press %d = %d: %s", n, press+1, w.Code, w.Body.String())
			}
		}
		facts := s.charted("S113", clinical.KindAnswer)
		if len(facts) != n {
			t.Fatalf("%d answers are charted, want %d", len(facts), n)
		}
		if !slices.ContainsFunc(facts, func(r clinical.Record) bool {
			return r.Body == clinical.Answer{AnsweredAt: answered, Answer: "declined", Reason: "asleep"}
		}) {
			t.Errorf("charted: %+v", facts)
		}
		putOff := func() { // owed and answered in the shift in which its time ends; before, nothing is owed
			t.Helper()
			until, got := answered.Add(8*time.Hour), s.episode("S113", episodes.RecheckOverdue)
			shift := alerts.NextShift(s.deps.Policy.Current().Policy.Unit, s.deps.Zone, s.now)
			switch {
			case until.After(shift) && (got.State != episodes.Done || got.Ending != episodes.ByEvidence),
				!until.After(shift) && (got.State != episodes.Answered || !got.Until.Equal(until)), len(got.Told) != 0:
				t.Errorf("at %s answer %d is %s until %s, told to %v", c().Time(s.now), n, got.State, got.Until, got.Told)
			}
		}
		putOff()
		s.later(time.Minute)
		says := "declined " + c().Time(answered) + " (asleep), ask again from " + c().Time(answered.Add(8*time.Hour))
		for _, path := range []string{"/stays/S113", "/units/4W"} {
			holds(t, s.get("bedside-nurse", path), says)
		}
		holds(t, s.get("bedside-nurse", "/stays/S113"), "Answered by bedside-nurse: the patient declined (asleep); charted.")
		s.later(6 * time.Hour)
		putOff()
		s.later(2 * time.Hour) // a minute past its time
		if got := s.episode("S113", episodes.RecheckOverdue); got.State != episodes.Open || len(got.Told) != 1 || !got.RaisedAt.Equal(s.now) {
			t.Errorf("when the time of answer %d is over it is %s, told to %v", n, got.State, got.Told)
		}
	}
	for _, path := range []string{"/stays/S113", "/units/4W"} {
		holds(t, s.get("bedside-nurse", path), "answered 3 times: ask the provider")
	}
	seen := s.episode("S113", episodes.RecheckOverdue).Events
	if w := s.act("bedside-nurse", e, "close", seen, "reason", "not_suitable"); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code)
	}
	if got := s.episode("S113", episodes.RecheckOverdue); got.State != episodes.Open || len(s.charted("S113", clinical.KindAnswer)) != 4 {
		t.Errorf("a fourth answer moves it: %s until %s", got.State, got.Until)
	}
}

// A stale form charts nothing and loses nothing.
func TestAStaleAnswerIsNotCharted(t *testing.T) {
	s := newShift(t)
	e := s.episode("S113", episodes.RecheckOverdue)
	if w := s.act("falls-nurse", e, "take", 1); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code)
	}
	w := s.act("bedside-nurse", e, "close", 1, "reason", "declined", "note", "in the bath")
	if w.Code != http.StatusConflict || len(s.charted("S113", clinical.KindAnswer)) != 0 {
		t.Errorf("= %d, and %d answers", w.Code, len(s.charted("S113", clinical.KindAnswer)))
	}
	holds(t, w.Body.String(), "in the bath", "Taken by falls-nurse")
}

// Who was told and when is kept, shown wherever the thing stands, and ends telling the provider.
func TestToldIsKept(t *testing.T) {
	s := newShift(t)
	e := s.episode("S103", episodes.TellProvider)
	c := text.Catalogue{Zone: s.deps.Zone, At: s.now}
	for name, tc := range map[string]struct {
		who, at string
		status  int
	}{
		"nobody":         {"", c.ClockTime(s.now), 422},
		"no time":        {"Dr Invented", "soon", 422},
		"who was told":   {"Dr  Invented", c.ClockTime(s.now.Add(-time.Minute)), 303},
		"a second press": {"Dr Invented", c.ClockTime(s.now.Add(-time.Minute)), 303},
	} {
		if tc.status == 303 {
			continue // in their order, below
		}
		if w := s.act("bedside-nurse", e, "tell", 1, "name", tc.who, "at", tc.at); w.Code != tc.status {
			t.Errorf("%s = %d, want %d", name, w.Code, tc.status)
		}
	}
	told := s.now.Add(-time.Minute).Truncate(time.Minute)
	for press := range 2 {
		if w := s.act("bedside-nurse", e, "tell", 1, "name", "Dr  Invented", "at", c.ClockTime(told)); w.Code != 303 {
			t.Fatalf("press %d = %d", press+1, w.Code)
		}
	}
	got := s.episode("S103", episodes.TellProvider)
	if got.State != episodes.Done || got.ToldWhom != "Dr Invented" || !got.ToldAt.Equal(told) || got.Events != 2 {
		t.Fatalf("told: %+v", got)
	}
	says := "told Dr Invented at " + c.Time(told)
	holds(t, s.get("falls-nurse", "/units/4W"), says)
	holds(t, strings.ToLower(s.get("falls-nurse", "/stays/S103")), strings.ToLower(says))
	list := s.get("falls-nurse", "/units/4W")
	bed := part(t, part(t, list, `id="row-S103"`, `id="row-`), `class="bed">`, "<")
	holds(t, part(t, part(t, list, `class="sheet`, "</html>"), `class="bed">`+bed+"<", "</tr>"), says)
	holds(t, part(t, part(t, list, `id="row-S103"`, `id="row-`), `class="handover"`, "</textarea>"), says)
	lacks(t, s.get("falls-nurse", "/units/4W?names=off"), "Dr Invented")
	screen := s.get("screen", "/units/4W")
	holds(t, screen, "provider told at "+c.Time(told))
	lacks(t, screen, "Dr Invented", "bedside-nurse")
}

// Precautions are facts, charted singly or the whole bundle; what they end, ends.
func TestPrecautionsAreChartedOnThePage(t *testing.T) {
	s := newShift(t)
	before := len(s.charted("S106", clinical.KindPrecaution))
	missing := s.episode("S106", episodes.PrecautionsMissing).Figures
	page := s.get("bedside-nurse", "/stays/S106")
	words := regexp.MustCompile(`name="place" value="([^"]+)" checked`).FindAllStringSubmatch(page, -1)
	if len(words) < 2 {
		t.Fatalf("the page offers %v of %v", words, missing)
	}
	all := map[string]bool{}
	for _, w := range words {
		all[w[1]] = true
	}
	form := url.Values{"back": {"list?"}}
	for w := range all {
		form.Add("place", w)
	}
	for press := range 2 {
		if w := post(webtest.As(s.handler, "bedside-nurse"), "/stays/S106/precautions", form); w.Code != 303 {
			t.Fatalf("press %d = %d", press+1, w.Code)
		}
	}
	facts := s.charted("S106", clinical.KindPrecaution)
	if len(facts) != before+len(all) || !facts[len(facts)-1].TakenHere() {
		t.Fatalf("%d precautions are charted, want %d", len(facts), before+len(all))
	}
	if e := s.episode("S106", episodes.PrecautionsMissing); e.State != episodes.Done || e.Reason != episodes.PrecautionsInPlace {
		t.Errorf("all are in place, and it is %s (%s)", e.State, e.Reason)
	}
	if page := s.get("bedside-nurse", "/stays/S106?charted=now"); strings.Contains(page, `class="missing"`) {
		t.Error("the page still says that some are missing")
	}
	// One of them is over.
	s.later(2 * time.Minute)
	over := facts[len(facts)-1]
	w := post(webtest.As(s.handler, "falls-nurse"), "/stays/S106/precautions", url.Values{"end": {over.SourceID}, "back": {"stay"}})
	if w.Code != 303 || w.Header().Get("Location") != "/stays/S106?charted=now#h-prec" {
		t.Errorf("ending = %d to %s", w.Code, w.Header().Get("Location"))
	}
	s.later(time.Minute)
	holds(t, s.get("falls-nurse", "/stays/S106"), `class="missing"><li>`+over.Body.(clinical.Precaution).Precaution)
}

// Where the feeds carry no precautions the page offers the whole bundle; once one is charted
// here the rest are missing (Precautions).
func TestPrecautionsWhereTheFeedsBringNone(t *testing.T) {
	s := newShift(t)
	p := s.deps.Policy.Current()
	p.Policy.Precautions.InFeed = false
	d := s.deps
	d.Policy = p
	d.Answers.(*webtest.Answers).Policy = p
	d.Episodes.Policy = p
	s.handler = web.New(d)
	page := s.get("bedside-nurse", "/stays/S106")
	offered := regexp.MustCompile(`name="place" value="([^"]+)" checked`).FindAllStringSubmatch(page, -1)
	if len(offered) < len(p.Policy.Precautions.Bundle) {
		t.Fatalf("offered: %v, the bundle is %v", offered, p.Policy.Precautions.Bundle)
	}
}

// T-CLEARANCE: after an injury the provider owes the clearance, and no nurse a set. Charting it
// with who and when lets the set be owed again.
func TestTheProviderOwesTheClearance(t *testing.T) {
	s := newShift(t)
	e := s.episode("S102", episodes.ClearanceOwed)
	page := s.get("bedside-nurse", "/units/4W")
	holds(t, page, "clearance to stand, owed by the provider", `id="e-`+e.ID+`"`)
	set := `id="e-` + episodes.KeyOf(episodes.FallWithoutSet, "S102", "") + `"`
	lacks(t, page, set)
	c := text.Catalogue{Zone: s.deps.Zone, At: s.now}
	if w := s.act("bedside-nurse", e, "tell", 1, "name", "Dr A", "at", c.ClockTime(s.now)); w.Code != 303 {
		t.Fatal(w.Code)
	}
	if got := s.episode("S102", episodes.ClearanceOwed); got.State != episodes.Told {
		t.Errorf("told, and still to be decided: %s", got.State)
	}
	for _, nobody := range []string{" ", "\u200b", "\u2060 \u202e", "-", "\u0301"} {
		w := s.act("bedside-nurse", e, "clear", 2, "by", nobody, "at", c.ClockTime(s.now))
		if w.Code != 422 || !strings.Contains(w.Body.String(), "which provider cleared the patient") {
			t.Errorf("cleared by %q = %d", nobody, w.Code)
		}
		if nobody != " " {
			if w := s.act("bedside-nurse", e, "tell", 2, "name", nobody, "at", c.ClockTime(s.now)); w.Code != 422 {
				t.Errorf("told %q = %d", nobody, w.Code)
			}
			if w := s.act("bedside-nurse", e, "give", 2, "name", nobody); w.Code != 422 {
				t.Errorf("given to %q = %d", nobody, w.Code)
			}
		}
	}
	s.later(time.Minute)
	for press := range 2 {
		if w := s.act("bedside-nurse", e, "clear", 2, "by", "Dr A", "at", c.ClockTime(s.now)); w.Code != 303 {
			t.Fatalf("press %d = %d: %s", press+1, w.Code, w.Body.String())
		}
	}
	facts := s.charted("S102", clinical.KindClearance)
	if len(facts) != 1 || facts[0].Body.(clinical.Clearance).By != "Dr A" {
		t.Fatalf("charted: %+v", facts)
	}
	if got := s.episode("S102", episodes.ClearanceOwed); got.State != episodes.Done || got.Reason != episodes.Cleared {
		t.Errorf("cleared, and it is %s (%s)", got.State, got.Reason)
	}
	holds(t, s.get("bedside-nurse", "/stays/S102"), "Done: cleared to stand by Dr A, "+c.Time(facts[0].Body.OwnTime()))
	s.later(time.Minute)
	holds(t, s.get("bedside-nurse", "/units/4W"), set)
}

// Nobody cleared the patient, and nobody was told of a fall or a set, before it was, or at a
// time that is still to come (Recheck: a clearance at or after the fall ends the block).
func TestTimesBeforeWhatTheyAreAboutAreRefused(t *testing.T) {
	s := newShift(t)
	c := text.Catalogue{Zone: s.deps.Zone}
	clock := func(at time.Time) string { return c.ClockTime(at) }
	fell, set := s.episode("S102", episodes.ClearanceOwed), s.episode("S103", episodes.TellProvider)
	ahead := s.now.Add(2 * time.Hour)
	for _, tc := range []struct {
		e        records.Episode
		verb, at string
	}{
		{fell, "clear", clock(episodes.About(fell).Add(-time.Minute))},
		{fell, "clear", clock(ahead)},
		{fell, "tell", clock(episodes.About(fell).Add(-time.Minute))},
		{fell, "tell", clock(ahead)},
		{set, "tell", clock(episodes.About(set).Add(-2 * time.Minute))},
		{set, "tell", clock(ahead)},
	} {
		who := map[string]string{"clear": "by", "tell": "name"}[tc.verb]
		w := s.act("bedside-nurse", tc.e, tc.verb, 1, who, "Dr A", "at", tc.at)
		if w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s of %s at %s = %d", tc.verb, tc.e.StayID, tc.at, w.Code)
		}
		holds(t, w.Body.String(), "he time lies ahead, or before the ", `="Dr A" required`)
	}
	if facts := s.charted("S102", clinical.KindClearance); len(facts) != 0 {
		t.Errorf("charted: %+v", facts)
	}
	// A recheck is about no fall and no set: a time of half a day ahead is none of yesterday.
	recheck := s.episode("S113", episodes.RecheckOverdue)
	if w := s.act("bedside-nurse", recheck, "tell", 1, "name", "Dr A", "at", clock(ahead)); w.Code != 422 {
		t.Errorf("told of a recheck at a time ahead = %d", w.Code)
	}
	for _, by := range []string{"bedside-nurse", "Bedside Nurse", "none"} { // the decision is the provider's
		if w := s.act("bedside-nurse", fell, "clear", 1, "by", by, "at", clock(episodes.About(fell).Add(time.Minute))); w.Code != 422 {
			t.Errorf("cleared by %s = %d", by, w.Code)
		}
	}
	if w := s.act("bedside-nurse", fell, "clear", 1, "by", "Dr A", "at", clock(episodes.About(fell).Add(time.Minute))); w.Code != 303 {
		t.Errorf("cleared a minute after the fall = %d: %s", w.Code, w.Body.String())
	}
}

// T-CLEARANCE: while standing is blocked no reason of closing takes the decision off the list,
// nor off the count, and no page offers one.
func TestAClearanceIsNotClosedAway(t *testing.T) {
	s := newShift(t)
	e := s.episode("S102", episodes.ClearanceOwed)
	for _, reason := range []string{"not_suitable", "charted_wrongly", "other"} {
		w := s.act("falls-nurse", e, "close", 1, "reason", reason, "note", "in bed")
		if w.Code != http.StatusUnprocessableEntity {
			t.Errorf("closed for %s = %d", reason, w.Code)
		}
		holds(t, w.Body.String(), "not closed by hand", "chart the clearance")
	}
	if got := s.episode("S102", episodes.ClearanceOwed); got.State != episodes.Open {
		t.Errorf("it is %s", got.State)
	}
	for _, path := range []string{"/units/4W", "/units/4W/episodes", "/stays/S102"} {
		page := s.get("falls-nurse", path)
		holds(t, page, `action="/episodes/`+e.ID+`/clear"`)
		lacks(t, page, `action="/episodes/`+e.ID+`/close"`)
	}
}

// The same count on the huddle, the page of episodes and the display, and in sum over the
// patients, before and after something was done.
func TestOneCountEverywhere(t *testing.T) {
	drill.Long(t)
	s := newShift(t)
	total := regexp.MustCompile(`(\d+) owed`)
	check := func(when string) (n int) {
		t.Helper()
		list, err := s.deps.Episodes.Unit(t.Context(), "4W")
		if err != nil {
			t.Fatal(err)
		}
		n = len(episodes.Things(list, nil))
		for who, path := range map[string]string{"bedside-nurse": "/units/4W", "falls-nurse": "/units/4W/episodes", "screen": "/units/4W"} {
			for _, m := range total.FindAllStringSubmatch(s.get(who, path), -1) {
				if m[1] != strconv.Itoa(n) {
					t.Errorf("%s: %s tells %s %q, want %d", when, path, who, m[0], n)
				}
			}
		}
		sum := 0
		stays := map[string]bool{}
		for _, e := range list {
			stays[e.StayID] = true
		}
		for stay := range stays {
			sum += strings.Count(s.get("bedside-nurse", "/stays/"+stay), "/give\"")
		}
		if sum != n {
			t.Errorf("%s: the patients' pages offer %d things, want %d", when, sum, n)
		}
		return n
	}
	before := check("at first")
	e := s.episode("S103", episodes.TellProvider)
	c := text.Catalogue{Zone: s.deps.Zone, At: s.now}
	if w := s.act("bedside-nurse", e, "tell", 1, "name", "Dr A", "at", c.ClockTime(s.now)); w.Code != 303 {
		t.Fatal(w.Code)
	}
	if after := check("after telling"); after != before-1 {
		t.Errorf("%d owed, then %d", before, after)
	}
	if at := demo.AnchorTime(); at.After(s.now) {
		t.Error(fmt.Sprint("the clock stands before the demo's moment ", at))
	}
}

// apart is a store to which names were given in the form before migration 20.
type apart struct {
	care.Store
	last time.Time
}

func (s apart) LastAssignment(context.Context) (time.Time, error) { return s.last, nil }

// Names that were given in the old form are not put together by guessing: pages of moments
// by then say that they do not show, later ones and those of now say nothing.
func TestNamesGivenApartAreSaidNotToShow(t *testing.T) {
	d, _ := open(t)
	d.Episodes.Store = apart{d.Episodes.Store, demo.AnchorTime().Add(-3 * time.Hour)}
	h := signedIn(d)
	for _, path := range []string{"/units/4W", "/stays/S101"} {
		for query, want := range map[string]bool{
			"": false, "?as_of=2026-11-02T06:00:00Z": true, "?as_of=2026-11-02T07:00:00Z": true, "?as_of=2026-11-02T08:00:00Z": false,
		} {
			if got := strings.Contains(said(t, h, path+query), "Names that were given before 2 Nov 01:00 do not show here"); got != want {
				t.Errorf("%s%s says so: %v, want %v", path, query, got, want)
			}
		}
	}
}

// A patient who died of the fall owes nothing, on no page and not on paper; what was owed ends.
func TestWhoDiedOfTheFallOwesNothing(t *testing.T) {
	s := newShift(t)
	fell := s.now.Add(-10 * time.Minute)
	s.deps.Answers.(*webtest.Answers).Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-DIED", StayID: "S106", RecordedAt: fell, Stated: true, Status: clinical.Final,
		Body: clinical.Fall{FellAt: fell, Injury: "death"},
	})
	if n := len(s.get("bedside-nurse", "/stays/S106")); n == 0 {
		t.Fatal("no page")
	}
	before := s.episode("S106", episodes.PrecautionsMissing)
	if !before.Active() {
		t.Fatal("no precautions were owed: the test sees nothing")
	}
	s.later(time.Minute)
	all, err := s.deps.Episodes.Stay(t.Context(), "S106")
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range all {
		if h.Episode.Active() || h.Episode.Reason != episodes.PatientDied && h.Episode.ID == before.ID {
			t.Errorf("%s is %s (%s)", h.Episode.Kind, h.Episode.State, h.Episode.Reason)
		}
	}
	page := s.get("bedside-nurse", "/units/4W")
	_, row, _ := strings.Cut(page, `id="row-S106"`)
	row, _, _ = strings.Cut(row, `id="row-`)
	_, sheet, _ := strings.Cut(page, `class="sheet`)
	_, sheet, _ = strings.Cut(sheet, ">9A<")
	sheet, _, _ = strings.Cut(sheet, "</tr>")
	patient, was, _ := strings.Cut(s.get("bedside-nurse", "/stays/S106"), `id="h-episodes"`)
	holds(t, was, "the patient died of the fall: nothing is asked for any more")
	lacks(t, was, `/give"`)
	holds(t, patient, "Nothing is to be cleared: the patient died of the fall.")
	lacks(t, patient, "Not cleared", "2 negative sets in a row", "the patient stands for", "stand for ")
	for where, part := range map[string]string{"list": row, "patient": patient, "paper": sheet} {
		holds(t, part, "died of it")
		for _, word := range []string{"precautions missing", "set after the fall", "Dose review due", "Dose review needed", `/give"`, `class="missing"`} {
			if strings.Contains(part, word) {
				at := strings.Index(part, word)
				t.Errorf("%s says %q: %s", where, word, part[max(0, at-400):min(len(part), at+100)])
			}
		}
	}
	lacks(t, s.get("bedside-nurse", "/units/4W/new-set"), "/stays/S106/")
}

// Whatever reading lands after a death of a fall, nothing but the contradiction is owed (C-FATAL),
// the page of sets does not offer the bed, and the form says it and asks before it stores anything.
func TestAReadingAfterADeathIsAskedAboutAndOwesNothing(t *testing.T) {
	s := newShift(t)
	s.deps.Answers.(*webtest.Answers).Put(t, clinical.Version{
		Kind: clinical.KindFall, SourceID: "F-DIED", StayID: "S108", RecordedAt: s.now.Add(-11 * time.Minute), Stated: true,
		Status: clinical.Final, Body: clinical.Fall{FellAt: s.now.Add(-11 * time.Minute), Injury: "death"},
	})
	s.later(time.Minute)
	const says = "died of the fall of"
	_, first, _ := strings.Cut(s.get("bedside-nurse", "/stays/S108/new-set"), `id="s-before"`)
	first, _, _ = strings.Cut(first, "</fieldset>")
	holds(t, first, says, `value="died"`)
	h := webtest.As(web.New(s.deps), "bedside-nurse")
	atRest := typed("first_systolic=", "first_diastolic=", "first_pulse=", "second_systolic=", "second_diastolic=", "second_pulse=", "symptom=")
	for what, form := range map[string]url.Values{"a set": typed(), "a reading at rest": atRest} {
		w := sendSet(h, "/stays/S108/new-set", form, "application/json")
		if w.Code != 422 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s = %d %s", what, w.Code, w.Body)
		}
	}
	if w := sendSet(h, "/stays/S108/new-set", typed("confirm=died"), "application/json"); w.Code != 200 {
		t.Fatalf("confirmed = %d %s", w.Code, w.Body)
	}
	s.later(time.Minute)
	all, err := s.deps.Episodes.Stay(t.Context(), "S108")
	if err != nil {
		t.Fatal(err)
	}
	told := false
	for _, e := range all {
		if e.Episode.Active() && e.Episode.Rule != episodes.CFatal {
			t.Errorf("%s is %s", e.Episode.Kind, e.Episode.State)
		}
		told = told || e.Episode.Active() && e.Episode.Rule == episodes.CFatal
	}
	if !told {
		t.Error("the contradiction is not told")
	}
	lacks(t, s.get("bedside-nurse", "/units/4W/new-set"), "/stays/S108/")
	result := s.get("bedside-nurse", "/stays/S108/new-set?sent="+setID)
	lacks(t, result, "Precautions missing", `class="missing"`)
}

// A day later the fall decides no more, and what the rules hold of the chart leads the row. It
// asks for nothing either, on no list, paper, display or queue, and no figure counts it.
func TestADayAfterADeathNothingIsAskedFor(t *testing.T) {
	s := newShift(t)
	board := s.deps.Answers.(*webtest.Answers)
	fell := s.now.Add(-10 * time.Minute)
	died := []string{"S103", "S106", "S118"} // precautions, and doses to be looked at
	for _, stay := range died {
		board.Put(t, clinical.Version{
			Kind: clinical.KindFall, SourceID: "F-" + stay, StayID: stay, RecordedAt: fell, Stated: true, Status: clinical.Final,
			Body: clinical.Fall{FellAt: fell, Injury: "death"},
		})
	}
	s.later(25 * time.Hour)
	list, err := board.List(t.Context(), "4W", s.now)
	if err != nil {
		t.Fatal(err)
	}
	asked := map[string]bool{}
	for _, a := range list {
		if slices.Contains(died, a.Digest.StayID) {
			for _, r := range a.Reasons {
				asked[r.Rule] = true
			}
			if by := a.DecidedBy(); by == alerts.TFall || by == alerts.TFell {
				t.Fatalf("%s is still decided by %s: the test sees nothing", a.Digest.StayID, by)
			}
		}
	}
	if !asked[alerts.TPrecaution] || !asked[alerts.TReview] {
		t.Fatalf("the rules that hold are %v: the test sees nothing", asked)
	}
	explained := regexp.MustCompile(` title="[^"]*"`) // what a rule says of everybody
	page, wall := s.get("bedside-nurse", "/units/4W"), s.get("screen", "/units/4W")
	for _, stay := range died {
		for where, text := range map[string]string{
			"list": part(t, page, `id="row-`+stay, `id="row-`), "patient": s.get("bedside-nurse", "/stays/"+stay),
		} {
			before, _, _ := strings.Cut(explained.ReplaceAllString(text, ""), `id="h-episodes"`)
			for _, word := range []string{"missing", "to be looked at", "dose review, ", "asked for</strong>", `class="needed"`} {
				if strings.Contains(before, word) {
					at := strings.Index(before, word)
					t.Errorf("%s of %s says %q: %s", where, stay, word, before[max(0, at-200):min(len(before), at+60)])
				}
			}
			holds(t, before, "died of the fall")
		}
		for _, queue := range []string{"/dose-review", "/dose-review.csv"} {
			lacks(t, s.get("pharmacist", queue), stay)
		}
	}
	for _, a := range list {
		if slices.Contains(died, a.Digest.StayID) {
			row := part(t, wall, fmt.Sprintf(`id="row-%d"`, a.Rank), `id="row-`)
			holds(t, row, "died of the fall")
			lacks(t, explained.ReplaceAllString(row, ""), "missing", "to be looked at")
		}
	}
}
