package episodes_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

var units = []string{"4W", "7E"}

func some[T any](t *rapid.T, name string, values ...T) T {
	return rapid.SampledFrom(values).Draw(t, name)
}

func stayVersion(id, patient, unit string, at time.Time, line int) clinical.Version {
	return clinical.Version{
		Kind: clinical.KindStay, SourceID: id, StayID: id, RecordedAt: at, Stated: true, Status: clinical.Final, File: "stays.csv", Line: line,
		Body: clinical.Stay{PatientID: patient, Unit: unit, Bed: "1", BirthDate: "1950-01-01", AdmittedAt: start},
	}
}

// drawRows draws what one delivery of a feed says: a set, a fall, an order, a
// precaution, a treatment, a transfer or discharge, a correction of any of them.
// Ids are few, so that rows of one delivery correct those of another.
func drawRows(t *rapid.T, now time.Time, line int) []clinical.Version {
	at := now.Add(-time.Duration(rapid.IntRange(0, 20*60).Draw(t, "minutes ago")) * time.Minute)
	stay := some(t, "stay", "S1", "S1", "S2")
	n := rapid.IntRange(0, 5).Draw(t, "id")
	v := clinical.Version{
		StayID: stay, RecordedAt: now, Stated: true, Status: clinical.Final, File: "feed.csv", Line: line,
	}
	row := func(kind clinical.Kind, id string, body clinical.Body) []clinical.Version {
		v.Kind, v.SourceID, v.Body = kind, fmt.Sprintf("%s-%s-%s", stay, kind, id), body
		if rapid.IntRange(0, 7).Draw(t, "taken back") == 0 {
			v.Status, v.Body = clinical.EnteredInError, nil
		}
		return []clinical.Version{v}
	}
	switch some(t, "what", "set", "set", "set", "fall", "order", "precaution", "treatment", "answer", "stay") {
	case "set":
		drop := some(t, "drop", 0.0, 5, 25, 60)
		lying, standing := 140.0, 140-drop
		if rapid.IntRange(0, 9).Draw(t, "implausible") == 0 {
			lying = 400
		}
		low := clinical.Vitals{TakenAt: at, Systolic: &lying, Position: clinical.Lying, SetID: some(t, "set_id", "", "", fmt.Sprint("G", n))}
		high := clinical.Vitals{
			TakenAt: at.Add(3 * time.Minute), Systolic: &standing, Position: clinical.Standing, SetID: low.SetID,
			StoppedEarly: rapid.IntRange(0, 4).Draw(t, "stopped") == 0, Symptoms: some(t, "symptoms", nil, nil, []string{"dizziness"}),
		}
		return slices.Concat(row(clinical.KindVitals, fmt.Sprint(n, "a"), low), row(clinical.KindVitals, fmt.Sprint(n, "b"), high))
	case "fall":
		return row(clinical.KindFall, fmt.Sprint(n%2), clinical.Fall{FellAt: at, Injury: some(t, "injury", "", "none", "major", "death")})
	case "order":
		dose, times := some(t, "dose", 20.0, 40), 1.0
		return row(clinical.KindOrder, fmt.Sprint(n), clinical.Order{
			Drug: clinical.Drug{Text: some(t, "drug", "furosemide", "doxazosin", "lisinopril")}, StartAt: at,
			Dose: &dose, DoseUnit: "mg", TimesPerDay: &times, NewDrug: true,
		})
	case "precaution":
		end := at.Add(time.Duration(rapid.IntRange(-1, 30).Draw(t, "hours in place")) * time.Hour)
		return row(clinical.KindPrecaution, fmt.Sprint(n), clinical.Precaution{
			Precaution: clinical.Precautions[n], StartedAt: at, EndedAt: some(t, "ended", nil, &end),
		})
	case "answer":
		return row(clinical.KindAnswer, fmt.Sprint(n), clinical.Answer{AnsweredAt: at, Answer: some(t, "answer", clinical.Answers...)})
	case "treatment":
		return row(clinical.KindTreatment, fmt.Sprint(n), clinical.Treatment{GivenAt: at, What: "fluid bolus"})
	}
	s := stayVersion(stay, some(t, "patient", "P", stay, stay), some(t, "unit", units...), now, line)
	if b := s.Body.(clinical.Stay); rapid.IntRange(0, 5).Draw(t, "discharged") == 0 {
		b.DischargedAt = &now
		s.Body = b
	}
	return []clinical.Version{s}
}

// policies are those that a history switches between.
func policies() []policy.Loaded {
	other := policy.Default()
	other.Hash = "other"
	other.Policy.Sets.Comparison = clinical.MoreThan
	other.Policy.Recheck.PositiveHours, other.Policy.Recheck.FallHours = 6, 1
	other.Policy.Precautions.Bundle = []string{"call light in reach"}
	other.Policy.Tiers.RecentHours, other.Policy.DoseReview.PositiveHours = 8, 8
	strict := policy.Default()
	strict.Hash = "strict"
	strict.Policy.Sets.WindowMinutes, strict.Policy.Serial.ClearNegatives = 5, 1
	return []policy.Loaded{policy.Default(), other, strict}
}

// world is one random history: facts that come, policies that change, people who
// act, and nothing kept between two steps but what a store would give back.
type world struct {
	t       *rapid.T
	memory  *assesstest.Memory
	service *assess.Service
	list    func(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error)
	now     time.Time

	stored map[string]storedEpisode          // by id
	log    map[string][]records.EpisodeEvent // their events
	closed map[string][]records.FactName     // what was on the chart when it was done: no new evidence
}

func newWorld(t *rapid.T) *world {
	m := &assesstest.Memory{All: []clinical.Version{
		stayVersion("S1", "P1", "4W", start, 1), stayVersion("S2", "P2", "4W", start, 2),
		stayVersion("S9", "P9", "7E", start, 3), // keeps the other unit known
	}}
	w := &world{
		t: t, memory: m, service: &assess.Service{Store: m, Policy: policy.Default(), Zone: time.UTC}, now: start.Add(time.Hour),
		stored: map[string]storedEpisode{}, log: map[string][]records.EpisodeEvent{}, closed: map[string][]records.FactName{},
	}
	// Both answer alike, which properties of assess hold; kept digests are read back
	// from JSON each time, which is most of the work.
	w.list = w.service.List
	if rapid.IntRange(0, 3).Draw(t, "from kept digests") == 0 {
		w.list = w.service.Live
	}
	return w
}

// storedEpisode is an episode as it is written, and as it is read back. It is read
// once, and given to many steps: unchanged finds out where one of them changed it in
// place.
type storedEpisode struct {
	body []byte
	read records.Episode
}

// load gives back what is stored, as after a restart, in any order.
func (w *world) load() []records.Episode {
	out := make([]records.Episode, 0, len(w.stored))
	for _, s := range w.stored {
		out = append(out, s.read)
	}
	return out
}

// unchanged: what a step or an action is given stays as it was read.
func (w *world) unchanged() {
	for id, s := range w.stored {
		if body, err := json.Marshal(s.read); err != nil || !bytes.Equal(body, s.body) {
			w.t.Fatalf("the episode %s was changed in place: %s, stored %s (%v)", id, body, s.body, err)
		}
	}
}

func (w *world) keep(tr records.EpisodeChange) {
	e, v := tr.Episode, tr.Event
	history := w.log[e.ID]
	if v.N != len(history)+1 {
		w.t.Fatalf("event %d follows %d events: %+v", v.N, len(history), v)
	}
	if len(history) > 0 && v.At.Before(history[len(history)-1].At) {
		w.t.Fatalf("time goes back: %+v", v)
	}
	body, err := json.Marshal(e)
	if err != nil {
		w.t.Fatal(err)
	}
	said, err := json.Marshal(v)
	if err != nil {
		w.t.Fatal(err)
	}
	back, err := records.ReadEpisodeEvent(said, episodes.KeptRules)
	if err != nil {
		w.t.Fatal(err)
	}
	kept := storedEpisode{body: body}
	if kept.read, err = records.ReadEpisode(body, episodes.KeptRules); err != nil {
		w.t.Fatal(err)
	}
	w.stored[e.ID] = kept
	w.log[e.ID] = append(slices.Clip(history), back)
}

func (w *world) sceneOf(unit string) episodes.Scene {
	list, err := w.list(context.Background(), unit, w.now)
	if err != nil {
		w.t.Fatal(err)
	}
	return episodes.SceneOf(unit, list, w.service.Policy.Current().Policy, w.now, w.now.Add(12*time.Hour))
}

// step steps a unit and holds every promise of an episode against what happened.
func (w *world) step(unit string) {
	scene := w.sceneOf(unit)
	have := w.load()
	before := map[string]records.Episode{}
	for _, e := range have {
		before[e.ID] = e
	}
	done := episodes.Step(have, scene)
	for _, tr := range done {
		w.checkTransition(before[tr.Episode.ID], tr.Event)
		w.keep(tr)
		if tr.Event.What == episodes.Ended {
			w.closed[tr.Episode.ID] = scene.Stays[tr.Episode.StayID].Chart // empty for one who left
		}
	}
	if len(done) > 0 {
		have = w.load()
	}
	if again := episodes.Step(have, scene); len(again) > 0 {
		w.t.Fatalf("a second step at the same moment: %+v", again[0].Event)
	}
	w.checkAgainst(have, scene)
	if len(done) > 0 {
		w.checkHistories(have)
	}
}

func (w *world) checkTransition(before records.Episode, v records.EpisodeEvent) {
	switch {
	case before.Ending == episodes.ByPerson && v.What != episodes.Reopened:
		w.t.Fatalf("what a person closed came back as %s", v.What)
	case v.What == episodes.Reopened:
		if !slices.ContainsFunc(v.Facts, func(f records.FactName) bool { return !slices.Contains(w.closed[before.ID], f) }) {
			w.t.Fatalf("opened again, and every fact of it was on the chart when it was done: %+v", v)
		}
	case (before.State == episodes.Taken || before.State == episodes.Told) && !slices.Contains([]records.EpisodeWhat{
		episodes.Ended, episodes.Moved, episodes.FellDue, episodes.AnswerMoved}, v.What):
		w.t.Fatalf("%s, and then %s", before.State, v.What)
	case v.What == episodes.FellDue && (v.To != before.State || !v.Tells):
		w.t.Fatalf("a recheck that fell due changed hands, or is told to nobody: %+v", v)
	case before.State == episodes.Assigned && v.What == episodes.GivenOver && w.now.Before(before.Until):
		w.t.Fatalf("an assignment ended early: %+v", v)
	case before.State == episodes.Answered && v.What == episodes.AnswerOver && v.Tells && slices.Contains(before.Told, v.Unit):
		w.t.Fatalf("the end of an answer is told where the episode was told before: %+v", v)
	case before.State == episodes.Deferred && v.What == episodes.DeferralOver && w.now.Before(before.Until):
		w.t.Fatalf("a deferral ended early: %+v", v)
	}
}

// checkAgainst holds the episodes against what holds.
func (w *world) checkAgainst(have []records.Episode, scene episodes.Scene) {
	holds := map[string]bool{}
	byID := map[string]records.Episode{}
	for _, e := range have {
		byID[e.ID] = e
	}
	for _, c := range scene.Holds {
		holds[c.ID()] = true
		e, ok := byID[c.ID()]
		switch {
		case !ok && c.Opens:
			w.t.Fatalf("%s of %s holds and has no episode", c.Trigger, c.StayID)
		case ok && !e.Active() && e.Ending != episodes.ByPerson:
			w.t.Fatalf("%s of %s holds and is done by evidence", c.Trigger, c.StayID)
		case ok && e.Active() && e.Unit != scene.Unit:
			w.t.Fatalf("%s of %s is owed on another unit", c.Trigger, c.StayID)
		}
	}
	for id, e := range byID {
		if e.Active() && e.Unit == scene.Unit && !holds[id] {
			w.t.Fatalf("%s of %s is %s and does not hold", e.Trigger, e.StayID, e.State)
		}
		if e.State != episodes.Done && !e.Until.IsZero() && e.Unit == scene.Unit && !scene.At.Before(e.Until) {
			w.t.Fatalf("%s of %s is %s beyond its end", e.Trigger, e.StayID, e.State)
		}
	}
}

// checkHistories: one episode an identity, its events replay to it, and people
// were told once for each opening on each unit, and of a clearance whenever it is owed anew.
func (w *world) checkHistories(have []records.Episode) {
	type identity struct{ kind, stay, trigger string }
	seen := map[identity]string{}
	for _, e := range have {
		id := identity{string(e.Kind), e.StayID, e.Trigger}
		if other, twice := seen[id]; twice {
			w.t.Fatalf("%+v has two episodes, %s and %s", id, e.ID, other)
		}
		seen[id] = e.ID
		if replayed := episodes.Replay(w.log[e.ID]); !reflect.DeepEqual(e, replayed) {
			d := cmp.Diff(e, replayed)
			w.t.Fatalf("the history of %+v gives another state (-have +replayed):\n%s", id, d)
		}
		told := map[string]int{}
		for _, v := range w.log[e.ID] {
			if v.What == episodes.Opened || v.What == episodes.Reopened || v.What == episodes.AnswerMoved || v.Reason == episodes.PutOffByAnswer {
				clear(told)
			}
			if v.What == episodes.Resumed && e.Kind == episodes.ClearanceOwed {
				clear(told) // standing is blocked anew, and the last word told was that the patient may
				if !v.Tells {
					w.t.Fatalf("nobody is told that %+v is owed anew: %+v", id, w.log[e.ID])
				}
			}
			if v.Tells {
				told[v.Unit]++
			}
			if told[v.Unit] > 1 {
				w.t.Fatalf("unit %s was told twice of %+v: %+v", v.Unit, id, w.log[e.ID])
			}
		}
	}
}

// act is a person who does something with an episode that is there.
func (w *world) act() {
	var list []records.Episode
	for _, e := range w.load() {
		if e.Active() {
			list = append(list, e)
		}
	}
	if len(list) == 0 {
		return
	}
	slices.SortFunc(list, func(a, b records.Episode) int { return cmpStrings(a.ID, b.ID) })
	e := some(w.t, "episode", list...)
	chart, err := w.service.Chart(context.Background(), e.StayID, w.now)
	if err != nil {
		w.t.Fatal(err)
	}
	var known []records.FactName
	for _, r := range slices.Concat(chart.Records, chart.Removed) {
		known = append(known, records.FactName{Kind: r.Kind, SourceID: r.SourceID})
	}
	a := episodes.Action{
		Do:  some(w.t, "verb", episodes.Take, episodes.TakeOver, episodes.Release, episodes.Defer, episodes.Close, episodes.Give, episodes.Tell, episodes.Answer),
		Who: some(w.t, "who", "mb", "jk"), Reason: episodes.OtherReason, Note: "a note", Chart: known,
		Until: w.now.Add(time.Duration(rapid.IntRange(-30, 300).Draw(w.t, "minutes put off")) * time.Minute),
		Name:  some(w.t, "name", "", "Dr Invented"), ToldAt: w.now,
	}
	switch a.Do {
	case episodes.Answer:
		a.Reason = episodes.Declined
	case episodes.Give:
		a.Until = w.now.Add(5 * time.Hour)
	}
	tr, err := episodes.Act(e, a, w.now)
	if err != nil {
		return // the table of actions tells when it must be
	}
	if tr.Event.Tells {
		w.t.Fatalf("what a person did is told: %+v", tr.Event)
	}
	w.keep(tr)
	if tr.Episode.State == episodes.Done {
		w.closed[e.ID] = known
	}
}

func cmpStrings(a, b string) int {
	if a < b {
		return -1
	}
	return 1
}

// Thousands of random histories: facts come late, are corrected back and forth and
// taken back, patients move and are discharged, the policy is changed, people act,
// and the program starts anew before every step.
func TestRandomHistories(t *testing.T) {
	all := policies()
	events, told, reopened := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for n := range rapid.IntRange(3, 40).Draw(t, "moments") {
			switch some(t, "next", "facts", "facts", "facts", "act", "act", "policy", "again", "nothing") {
			case "facts":
				w.memory.All = append(w.memory.All, drawRows(t, w.now, n+10)...)
			case "act":
				w.act()
			case "policy":
				w.service.Policy = some(t, "policy", all...)
			case "again": // rows are read again
				w.memory.All = append(w.memory.All, w.memory.All[rapid.IntRange(0, len(w.memory.All)-1).Draw(t, "row")])
			}
			for _, unit := range units {
				w.step(unit)
			}
			w.now = w.now.Add(time.Duration(some(t, "minutes on", 0, 1, 60, 240, 720)) * time.Minute)
		}
		w.unchanged()
		for _, history := range w.log {
			for _, v := range history {
				events++
				if v.Tells {
					told++
				}
				if v.What == episodes.Reopened {
					reopened++
				}
			}
		}
	})
	if told == 0 || reopened == 0 {
		t.Errorf("%d events, %d told, %d reopened: the histories tell nothing", events, told, reopened)
	}
	t.Logf("%d events, %d told, %d reopened", events, told, reopened)
}
