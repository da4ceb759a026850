package episodes_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

var start = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

func after(h float64) time.Time { return start.Add(time.Duration(h * float64(time.Hour))) }

func vital(id string) records.FactName {
	return records.FactName{Kind: clinical.KindVitals, SourceID: id}
}

// gap is a need of stay S that rests on facts.
func gap(facts ...records.FactName) episodes.Condition {
	return episodes.Condition{
		Kind: episodes.PrecautionsMissing, StayID: "S", Trigger: "stay", Rule: "T-PRECAUTION",
		Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}}, Facts: facts, Opens: true,
	}
}

func quiet(c episodes.Condition) episodes.Condition {
	c.Opens = false
	return c
}

// ward holds the episodes of a test and steps them, each time after a restart:
// what the store gives back is all that it has.
type ward struct {
	t    *testing.T
	have map[string]records.Episode
	log  []records.EpisodeEvent
}

func newWard(t *testing.T) *ward { return &ward{t: t, have: map[string]records.Episode{}} }

func (w *ward) keep(tr records.EpisodeChange) {
	w.t.Helper()
	body, errBody := json.Marshal(tr.Episode)
	said, errSaid := json.Marshal(tr.Event)
	e, errEpisode := records.ReadEpisode(body, episodes.KeptRules)
	v, errEvent := records.ReadEpisodeEvent(said, episodes.KeptRules)
	if err := errors.Join(errBody, errSaid, errEpisode, errEvent); err != nil {
		w.t.Fatal(err)
	}
	w.have[e.ID] = e
	w.log = append(w.log, v)
}

// step says what happened at hour h on unit 4W: each event with its To, and "!"
// where people are told.
func (w *ward) step(h float64, holds ...episodes.Condition) string {
	w.t.Helper()
	return w.stepOn("4W", h, holds...)
}

func (w *ward) stepOn(unit string, h float64, holds ...episodes.Condition) string {
	w.t.Helper()
	return w.scene(episodes.Scene{At: after(h), Unit: unit, Stays: map[string]episodes.Presence{"S": {}}, Holds: holds})
}

func (w *ward) scene(s episodes.Scene) string {
	w.t.Helper()
	var have []records.Episode
	for _, e := range w.have {
		have = append(have, e)
	}
	out := ""
	for _, tr := range episodes.Step(have, s) {
		w.keep(tr)
		if out != "" {
			out += ", "
		}
		out += fmt.Sprintf("%s->%s", tr.Event.What, tr.Event.To)
		if tr.Event.Tells {
			out += "!"
		}
		if tr.Event.What == episodes.Ended {
			out += " " + tr.Event.Reason
		}
	}
	return out
}

func (w *ward) only() records.Episode {
	w.t.Helper()
	if len(w.have) != 1 {
		w.t.Fatalf("there are %d episodes, want one", len(w.have))
	}
	for _, e := range w.have {
		return e
	}
	panic("unreachable")
}

func (w *ward) act(h float64, a episodes.Action) {
	w.t.Helper()
	tr, err := episodes.Act(w.only(), a, after(h))
	if err != nil {
		w.t.Fatal(err)
	}
	w.keep(tr)
}

// The states in which an episode can be found by a step, and how it came there.
var reached = map[string]func(w *ward){
	"none":  func(*ward) {},
	"open":  func(w *ward) { w.step(0, gap(vital("1"))) },
	"taken": func(w *ward) { w.step(0, gap(vital("1"))); w.act(1, episodes.Action{Do: episodes.Take, Who: "mb"}) },
	"deferred": func(w *ward) {
		w.step(0, gap(vital("1")))
		w.act(1, episodes.Action{Do: episodes.Defer, Who: "mb", Reason: "asleep", Until: after(5)})
	},
	"done by evidence": func(w *ward) {
		w.step(0, gap(vital("1")))
		w.scene(episodes.Scene{At: after(1), Unit: "4W", Stays: map[string]episodes.Presence{"S": {Chart: []records.FactName{vital("on the chart")}}}})
	},
	"done by a person": func(w *ward) {
		w.step(0, gap(vital("1")))
		w.act(1, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.Declined, Chart: []records.FactName{vital("on the chart")}})
	},
}

// Every state against everything that a step can find, at hour 2 unless said.
func TestTableOfSteps(t *testing.T) {
	gone := func(w *ward) string {
		return w.scene(episodes.Scene{At: after(2), Unit: "4W", Stays: map[string]episodes.Presence{}})
	}
	found := map[string]func(w *ward) string{
		"holds":                        func(w *ward) string { return w.step(2, gap(vital("1"))) },
		"holds, after the deferral":    func(w *ward) string { return w.step(5, gap(vital("1"))) },
		"holds, new fact":              func(w *ward) string { return w.step(2, gap(vital("1"), vital("2"))) },
		"holds, same id, other kind":   func(w *ward) string { return w.step(2, gap(records.FactName{Kind: clinical.KindFall, SourceID: "1"})) },
		"holds, fact of the chart":     func(w *ward) string { return w.step(2, gap(vital("on the chart"))) },
		"holds, window over":           func(w *ward) string { return w.step(2, quiet(gap(vital("1")))) },
		"holds, window over, new fact": func(w *ward) string { return w.step(2, quiet(gap(vital("2")))) },
		"holds on another unit":        func(w *ward) string { return w.stepOn("7E", 2, gap(vital("1"))) },
		"holds no more":                func(w *ward) string { return w.step(2) },
		"left the unit":                gone,
		"holds not on another unit":    func(w *ward) string { return w.stepOn("7E", 2) },
	}
	want := map[string]map[string]string{
		"none": {
			"holds": "opened->open!", "holds, after the deferral": "opened->open!", "holds, new fact": "opened->open!",
			"holds, same id, other kind": "opened->open!", "holds, fact of the chart": "opened->open!",
			"holds on another unit": "opened->open!",
		},
		"open": {
			"holds on another unit": "moved->open!", "holds no more": "ended->done no_longer_holds", "left the unit": "ended->done left_unit",
		},
		"taken": {
			"holds on another unit": "moved->open!", "holds no more": "ended->done no_longer_holds", "left the unit": "ended->done left_unit",
		},
		"deferred": {
			"holds, after the deferral": "deferral_over->open",
			"holds on another unit":     "moved->open!", "holds no more": "ended->done no_longer_holds", "left the unit": "ended->done left_unit",
		},
		"done by evidence": {
			"holds": "resumed->open", "holds, after the deferral": "resumed->open", "holds, new fact": "reopened->open!",
			"holds, same id, other kind": "reopened->open!", "holds, fact of the chart": "resumed->open",
			"holds, window over": "resumed->open", "holds, window over, new fact": "resumed->open",
			"holds on another unit": "moved->open!",
		},
		"done by a person": {
			"holds, new fact": "reopened->open!", "holds, same id, other kind": "reopened->open!",
		},
	}
	for state, reach := range reached {
		for situation, find := range found {
			t.Run(state+", "+situation, func(t *testing.T) {
				w := newWard(t)
				reach(w)
				before := len(w.log)
				if got := find(w); got != want[state][situation] {
					t.Errorf("got %q, want %q", got, want[state][situation])
				}
				if again := find(w); again != "" {
					t.Errorf("a second step at the same moment: %q", again)
				}
				if len(w.log) > 0 {
					if d := cmp.Diff(w.only(), episodes.Replay(w.log)); d != "" {
						t.Errorf("the history gives another state (-have +replayed):\n%s", d)
					}
				}
				for _, v := range w.log[min(before, len(w.log)):] {
					if v.Who != records.Program {
						t.Errorf("a step is said to be of %q", v.Who)
					}
				}
			})
		}
	}
}

// A patient who goes to another unit and comes back is told once on each, until
// there is new evidence.
func TestAUnitIsToldOnce(t *testing.T) {
	w := newWard(t)
	want := []struct {
		unit  string
		facts []records.FactName
		want  string
	}{
		{"4W", []records.FactName{vital("1")}, "opened->open!"},
		{"7E", []records.FactName{vital("1")}, "moved->open!"},
		{"4W", []records.FactName{vital("1")}, "moved->open"},
		{"7E", []records.FactName{vital("1")}, "moved->open"},
	}
	for n, s := range want {
		if got := w.stepOn(s.unit, float64(n), gap(s.facts...)); got != s.want {
			t.Errorf("step %d: got %q, want %q", n, got, s.want)
		}
	}
	w.act(5, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.Declined})
	if got := w.stepOn("4W", 6, gap(vital("1"), vital("2"))); got != "reopened->open!" {
		t.Errorf("new evidence: %q", got)
	}
	if got := w.stepOn("7E", 7, gap(vital("1"), vital("2"))); got != "moved->open!" {
		t.Errorf("the other unit, after new evidence: %q", got)
	}
}

func TestWhyAnEpisodeEnds(t *testing.T) {
	set := []records.FactName{vital("new")}
	overdue := episodes.Condition{Kind: episodes.RecheckOverdue, StayID: "S", Trigger: "R-FALL F1", Rule: "R-FALL", Facts: []records.FactName{vital("1")}, Opens: true}
	silent := []episodes.Silence{{Feed: "feed folder", Since: start, Why: "cannot be read"}}
	cases := []struct {
		name string
		c    episodes.Condition
		p    episodes.Presence
		want string
	}{
		{"a set", overdue, episodes.Presence{SetAt: after(1), Set: set}, episodes.SetDone},
		{"no new set", overdue, episodes.Presence{SetAt: after(0), Set: []records.FactName{vital("1")}}, episodes.NoLongerHolds},
		{"blocked", overdue, episodes.Presence{Blocked: true}, episodes.CannotBeDone},
		{"guarded", gap(vital("1")), episodes.Presence{PrecautionsInPlace: true, SetAt: after(1), Set: set}, episodes.PrecautionsInPlace},
		{"no longer needed", gap(vital("1")), episodes.Presence{SetAt: after(1), Set: set}, episodes.NoLongerHolds},
	}
	low := episodes.Condition{Kind: episodes.TellProvider, StayID: "S", Trigger: "set 2", Rule: "T-LOW-LYING", Figures: alerts.SetFigures{SetAt: after(0)}, Facts: []records.FactName{vital("1")}, Opens: true}
	cases = append(cases, []struct {
		name string
		c    episodes.Condition
		p    episodes.Presence
		want string
	}{
		{"a set after the one that was told", low, episodes.Presence{SetAt: after(1), Set: set}, episodes.SetDone},
		{"the one that was told is corrected, and an earlier one is the latest", low, episodes.Presence{SetAt: after(-1), Set: set}, episodes.NoLongerHolds},
	}...)
	for _, tc := range cases {
		w := newWard(t)
		w.step(0, tc.c)
		w.scene(episodes.Scene{At: after(2), Unit: "4W", Stays: map[string]episodes.Presence{"S": tc.p}})
		e := w.only()
		if e.Reason != tc.want || e.Ending != episodes.ByEvidence || e.Who != records.Program {
			t.Errorf("%s: ended by %q (%s), want %q", tc.name, e.Reason, e.Ending, tc.want)
		}
	}
	w := newWard(t)
	if got := w.scene(episodes.SilenceScene(silent, after(0))); got != "opened->open!" {
		t.Errorf("a silence: %q", got)
	}
	if got := w.scene(episodes.SilenceScene(silent, after(1))); got != "" {
		t.Errorf("the same silence: %q", got)
	}
	if got := w.scene(episodes.SilenceScene(nil, after(2))); got != "ended->done feed_back" {
		t.Errorf("the feed is back: %q", got)
	}
	if got := w.scene(episodes.SilenceScene(silent, after(3))); got != "resumed->open" {
		t.Errorf("the same silence once more: %q", got)
	}
	w.scene(episodes.SilenceScene(nil, after(4)))
	silent[0].Since = after(4)
	if got := w.scene(episodes.SilenceScene(silent, after(5))); got != "reopened->open!" {
		t.Errorf("a second silence: %q", got)
	}
}

// T-CLEARANCE ends by a provider's word, or by a set that shows that the patient stands; which of
// the two it was, whose word and when is kept. A fall that is taken back was cleared by nobody.
func TestWhatEndedTheClearanceOwedIsKept(t *testing.T) {
	fell := func() chart {
		var c chart
		c.admit("1980-01-01")
		c.add("F", after(2), clinical.Fall{FellAt: after(2), Injury: "major"})
		return c
	}
	for _, tc := range []struct {
		name, reason string
		by           episodes.Evidence
		tell         func(c *chart)
	}{
		{"a clearance", episodes.Cleared, episodes.Evidence{ClearedAt: after(4), ClearedBy: "Dr A"}, func(c *chart) {
			c.add("C0", after(4), clinical.Clearance{ClearedAt: after(1), By: "Dr Before"})
			c.add("C1", after(4), clinical.Clearance{ClearedAt: after(4), By: "Dr A"})
			c.add("C2", after(4.5), clinical.Clearance{ClearedAt: after(4.5), By: "Dr Late"})
		}},
		{"a set and a clearance", episodes.Cleared, episodes.Evidence{ClearedAt: after(4)}, func(c *chart) {
			c.set("A", 3.5, 120, 118, false)
			c.add("C", after(4), clinical.Clearance{ClearedAt: after(4)})
		}},
		{"a set", episodes.StoodSince, episodes.Evidence{SetAt: after(4)}, func(c *chart) { c.set("A", 4, 120, 118, false) }},
		{"no injury after all", episodes.NoLongerHolds, episodes.Evidence{}, func(c *chart) {
			c.add("F", after(4), clinical.Fall{FellAt: after(2), Injury: "none"})
		}},
	} {
		c, p, w := fell(), policy.Default().Policy, newWard(t)
		scene := func(h float64) episodes.Scene {
			return episodes.SceneOf("4W", []alerts.Assessment{c.assess(h, p)}, p, after(h), time.Time{})
		}
		w.scene(scene(3))
		tc.tell(&c)
		w.scene(scene(5))
		n := slices.IndexFunc(w.log, func(v records.EpisodeEvent) bool {
			return v.Kind == episodes.ClearanceOwed && v.What == episodes.Ended
		})
		if n < 0 {
			t.Fatalf("%s: the clearance is owed still", tc.name)
		}
		by, _ := w.log[n].Figures.(episodes.Evidence)
		if w.log[n].Reason != tc.reason || by != tc.by {
			t.Errorf("%s: ended by %s, %+v; want %s, %+v", tc.name, w.log[n].Reason, by, tc.reason, tc.by)
		}
	}
}

// Clocks of two machines differ: the times of a history never go back.
func TestTimesNeverGoBack(t *testing.T) {
	w := newWard(t)
	w.step(2, gap(vital("1")))
	w.act(1, episodes.Action{Do: episodes.Take, Who: "mb"})
	if e := w.only(); !e.ChangedAt.Equal(after(2)) {
		t.Errorf("taken at %s, before it was opened", e.ChangedAt)
	}
}

func TestAnEpisodeAsItStoodAtAMoment(t *testing.T) {
	w := newWard(t)
	reached["done by a person"](w)
	for h, want := range map[float64]records.EpisodeState{0: episodes.Open, 0.5: episodes.Open, 1: episodes.Done, 9: episodes.Done} {
		if e, ok := episodes.At(w.log, after(h)); !ok || e.State != want {
			t.Errorf("at hour %v: %q, want %q", h, e.State, want)
		}
	}
	if _, ok := episodes.At(w.log, after(-1)); ok {
		t.Error("it stood before it was opened")
	}
}

// Taking is not hushing: the age goes on from the opening.
func TestAgeCountsFromTheOpening(t *testing.T) {
	w := newWard(t)
	reached["taken"](w)
	if got := w.only().Age(after(4)); got != 4*time.Hour {
		t.Errorf("taken: owed for %s, want 4 h", got)
	}
	w.step(6)
	if got := w.only().Age(after(9)); got != 6*time.Hour {
		t.Errorf("done: it was owed for %s, want 6 h", got)
	}
	w.step(10, gap(vital("1")))
	if got := w.only().Age(after(11)); got != 11*time.Hour {
		t.Errorf("resumed: owed for %s, want 11 h", got)
	}
	w.step(12)
	w.step(13, gap(vital("2")))
	if got := w.only().Age(after(14)); got != time.Hour {
		t.Errorf("opened again by new evidence: owed for %s, want 1 h", got)
	}
}
