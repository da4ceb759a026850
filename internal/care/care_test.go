package care_test

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/trends"
)

var now = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

// unitAnswers says of each unit what its one patient's falls are.
type unitAnswers struct {
	falls  map[string][]trends.FallFact // by unit; the stay is "S " and the unit
	broken string                       // a unit that cannot be answered
	chart  clinical.Chart
}

func (b unitAnswers) Units(context.Context) ([]string, error) { return []string{"7E", "4W"}, nil }

func (b unitAnswers) Live(_ context.Context, unit string, at time.Time) ([]alerts.Assessment, error) {
	if unit == b.broken {
		return nil, errors.New("no answer")
	}
	falls, listed := b.falls[unit]
	if !listed {
		return nil, nil
	}
	d := trends.Digest{StayID: "S " + unit, Stay: clinical.Stay{PatientID: "P", Unit: unit, AdmittedAt: now.Add(-20 * time.Hour)}, Falls: falls}
	p := policy.Default().Policy
	p.Precautions.InFeed = false
	return []alerts.Assessment{alerts.Assess(d, p, time.UTC, at)}, nil
}

func (b unitAnswers) Chart(context.Context, string, time.Time) (clinical.Chart, error) {
	return b.chart, nil
}

func fall(id string, hours float64) trends.FallFact {
	return trends.FallFact{SourceID: id, At: now.Add(time.Duration(hours * float64(time.Hour))), Injury: "none"}
}

func kinds(list []records.Episode) string {
	var out []string
	for _, e := range list {
		out = append(out, string(e.Kind)+" "+e.Trigger)
	}
	return strings.Join(out, "; ")
}

// A unit that cannot be answered keeps no other from its step, and none of its
// episodes is ended for it.
func TestAUnitThatFailsHoldsUpNoOther(t *testing.T) {
	m := teststore.Empty(t)
	b := unitAnswers{falls: map[string][]trends.FallFact{"4W": {fall("F1", -1)}, "7E": {fall("F2", -1)}}}
	s := care.Service{Answers: b, Store: m, Policy: policy.Default()}
	if _, err := s.StepAll(t.Context(), now); err != nil {
		t.Fatal(err)
	}
	s.Answers = unitAnswers{falls: map[string][]trends.FallFact{}, broken: "4W"}
	done, err := s.StepAll(t.Context(), now)
	if err == nil || !strings.Contains(err.Error(), "unit 4W: no answer") {
		t.Errorf("the unit that fails is not named: %v", err)
	}
	if len(done) == 0 || slices.ContainsFunc(done, func(tr records.EpisodeChange) bool {
		return tr.Episode.Unit != "7E" || tr.Event.Reason != episodes.LeftUnit
	}) {
		t.Errorf("the other unit's step: %+v", done)
	}
	if list, _ := s.Unit(t.Context(), "4W"); len(list) != len(done) { // the same of another fall
		t.Errorf("the episodes of the unit that fails: %q", kinds(list))
	}
}

func TestTheOrderOfWhatIsShown(t *testing.T) {
	m := teststore.Empty(t)
	s := care.Service{Answers: unitAnswers{falls: map[string][]trends.FallFact{"4W": {fall("F1", -9), fall("F2", -8)}}}, Store: m, Policy: policy.Default()}
	if _, err := s.StepUnit(t.Context(), "4W", now.Add(-6*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, err := s.StepUnit(t.Context(), "4W", now); err != nil {
		t.Fatal(err)
	}
	list, err := s.Unit(t.Context(), "4W")
	if err != nil {
		t.Fatal(err)
	}
	if got := kinds(list); !strings.HasPrefix(got, "fall_without_set") || strings.Index(got, "recheck_overdue") < strings.Index(got, "fall F2") {
		t.Errorf("the unit's order: %s", got)
	}
	first := list[0]
	if _, err := s.Act(t.Context(), first.ID, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.DoneUncharted}, now); err != nil {
		t.Fatal(err)
	}
	histories, err := s.Stay(t.Context(), "S 4W")
	if err != nil || len(histories) != len(list) {
		t.Fatalf("%d histories, %v", len(histories), err)
	}
	// One set answers the falls and the rechecks: closing one closes all of them.
	for n, h := range histories {
		if h.Episode.State != episodes.Done || len(h.Events) < 2 || h.Events[len(h.Events)-1].Who != "mb" {
			t.Errorf("episode %d of the set, %s, is %s", n, h.Episode.Trigger, h.Episode.State)
		}
	}
	one, err := s.Episode(t.Context(), first.ID)
	if err != nil || one.Episode.State != episodes.Done || len(one.Events) != 2 {
		t.Errorf("one episode: %+v, %v", one.Episode.State, err)
	}
	if _, err := s.Episode(t.Context(), "nobody"); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("an episode that there is not: %v", err)
	}
}

// Whoever closes an episode has the whole chart before them, what was taken back too.
func TestClosingLearnsTheWholeChart(t *testing.T) {
	record := func(kind clinical.Kind, id string) clinical.Record {
		return clinical.Record{Version: clinical.Version{Kind: kind, SourceID: id}}
	}
	b := unitAnswers{falls: map[string][]trends.FallFact{"4W": {fall("F1", -1)}}, chart: clinical.Chart{
		Records: []clinical.Record{record(clinical.KindVitals, "V1")}, Removed: []clinical.Record{record(clinical.KindOrder, "O1")},
	}}
	s := care.Service{Answers: b, Store: teststore.Empty(t), Policy: policy.Default()}
	done, err := s.StepUnit(t.Context(), "4W", now)
	if err != nil || len(done) == 0 {
		t.Fatal(done, err)
	}
	e, err := s.Act(t.Context(), done[0].Episode.ID, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.DoneUncharted}, now)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []records.FactName{{Kind: clinical.KindVitals, SourceID: "V1"}, {Kind: clinical.KindOrder, SourceID: "O1"}, {Kind: clinical.KindFall, SourceID: "F1"}} {
		if !slices.Contains(e.Known, f) {
			t.Errorf("%v would be new evidence", f)
		}
	}
}

// What ended is listed for its time alone, and not once it is open again; what was
// known at a moment is cut there.
func TestWhatEndedAndWhatWasKnown(t *testing.T) {
	m := teststore.Empty(t)
	falls := map[string][]trends.FallFact{"4W": {fall("F1", -1), fall("F2", -30)}} // the second before the admission
	s := care.Service{Answers: unitAnswers{falls: falls}, Store: m, Policy: policy.Default()}
	step := func(hours float64) {
		t.Helper()
		if _, err := s.StepUnit(t.Context(), "4W", now.Add(time.Duration(hours*float64(time.Hour)))); err != nil {
			t.Fatal(err)
		}
	}
	step(0)
	list, err := s.Unit(t.Context(), "4W")
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for n, e := range []records.Episode{list[0], list[len(list)-1]} { // the set after a fall, and the contradiction
		ids = append(ids, e.ID)
		at := now.Add(time.Duration(n+1) * time.Hour)
		if _, err := s.Act(t.Context(), e.ID, episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.ChartedWrongly}, at); err != nil {
			t.Fatal(err)
		}
	}
	ended := func(from, to float64, unit string) string {
		t.Helper()
		at := func(h float64) time.Time { return now.Add(time.Duration(h * float64(time.Hour))) }
		list, err := s.Ended(t.Context(), unit, at(from), at(to))
		if err != nil {
			t.Fatal(err)
		}
		out := ""
		for _, h := range list {
			if len(h.Events) != 2 || h.Episode.Ending != episodes.ByPerson {
				t.Errorf("%+v", h)
			}
			if n := slices.Index(ids, h.Episode.ID); n >= 0 { // the rechecks are one thing with the fall
				out += strconv.Itoa(n)
			}
		}
		return out
	}
	for _, tc := range []struct {
		from, to float64
		unit     string
		want     string
	}{{0, 3, "4W", "10"}, {0, 2, "4W", "0"}, {1, 2, "4W", "0"}, {1.5, 3, "4W", "1"}, {3, 4, "4W", ""}, {0, 3, "7E", ""}} {
		if got := ended(tc.from, tc.to, tc.unit); got != tc.want {
			t.Errorf("ended on %s from %g to %g h: %q, want %q", tc.unit, tc.from, tc.to, got, tc.want)
		}
	}
	histories, err := s.Stay(t.Context(), "S 4W")
	if err != nil {
		t.Fatal(err)
	}
	then := care.AsOf(histories, now.Add(90*time.Minute))
	if len(then) != len(histories) {
		t.Errorf("after the first was closed: %+v", then)
	}
	for _, h := range then {
		if h.Episode.Active() != (h.Episode.ID == ids[1]) || h.Episode.Active() && len(h.Events) != 1 {
			t.Errorf("after the first was closed: %+v", h)
		}
	}
	at, err := s.UnitAt(t.Context(), "4W", now.Add(90*time.Minute))
	if err != nil || len(at) != len(histories) || len(episodes.Things(at, nil)) != 1 {
		t.Errorf("the unit at that moment: %+v, %v", at, err)
	}
	if before := care.AsOf(histories, now.Add(-time.Minute)); before != nil {
		t.Errorf("before they opened: %+v", before)
	}
}

// A silence of the feeds is told once while it lasts, told anew when it comes again, and
// stands under no unit.
func TestSilentFeedsAreSteppedLikeAUnit(t *testing.T) {
	s := care.Service{Answers: unitAnswers{}, Store: teststore.Empty(t), Policy: policy.Default()}
	step := func(at time.Time, silent ...episodes.Silence) []records.EpisodeChange {
		t.Helper()
		done, err := s.StepFeeds(t.Context(), silent, at)
		if err != nil {
			t.Fatal(err)
		}
		return done
	}
	vitals := episodes.Silence{Feed: "vitals", Since: now.Add(-time.Hour), Why: "nothing for 1 h"}
	if done := step(now, vitals); len(done) != 1 || done[0].Episode.Kind != episodes.FeedStale || done[0].Episode.Unit != "" {
		t.Fatalf("a silence opens %+v", done)
	}
	if done := step(now.Add(time.Minute), vitals); len(done) != 0 {
		t.Errorf("while it lasts it is told again: %+v", done)
	}
	if list, err := s.Unit(t.Context(), ""); err != nil || len(list) != 1 {
		t.Errorf("of the feeds is owed %q (%v)", kinds(list), err)
	}
	if done := step(now.Add(2 * time.Minute)); len(done) != 1 || done[0].Episode.Active() {
		t.Errorf("the end of the silence: %+v", done)
	}
	again := episodes.Silence{Feed: "vitals", Since: now.Add(3 * time.Minute), Why: "nothing for 1 h"}
	if done := step(now.Add(70*time.Minute), again); len(done) != 1 || !done[0].Episode.Active() {
		t.Errorf("a second silence: %+v", done)
	}
}

// What is counted over a time is what the store has of it: openings by kind, for 100
// patient-days, and what a person ended.
func TestTheTallyCountsWhatTheStoreHas(t *testing.T) {
	s := care.Service{Answers: unitAnswers{falls: map[string][]trends.FallFact{"4W": {fall("F1", -1)}}}, Store: teststore.Empty(t), Policy: policy.Default()}
	done, err := s.StepUnit(t.Context(), "4W", now)
	if err != nil || len(done) == 0 {
		t.Fatal(done, err)
	}
	closing := episodes.Action{Do: episodes.Close, Who: "mb", Reason: episodes.DoneUncharted}
	if _, err := s.Act(t.Context(), done[0].Episode.ID, closing, now.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	tally := func(unit string, from, to time.Time) (all episodes.Count) {
		t.Helper()
		counts, err := s.Tally(t.Context(), unit, from, to, 50)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range counts {
			if c.Kind == "" {
				all = c
			}
		}
		return all
	}
	told := 0
	for _, d := range done {
		if d.Episode.Active() {
			told++
		}
	}
	all := tally("4W", now.Add(-time.Hour), now.Add(time.Hour))
	_, byPerson := all.Ended()
	if all.Opened == 0 || all.Opened > told || byPerson == 0 || all.Per100 == nil || *all.Per100 != float64(all.Opened)*2 {
		t.Errorf("of %d opened are counted %+v", told, all)
	}
	if before := tally("4W", now.Add(-2*time.Hour), now.Add(-time.Hour)); before.Opened != 0 || before.StillOpen != 0 {
		t.Errorf("before it opened: %+v", before)
	}
	if other := tally("7E", now.Add(-time.Hour), now.Add(time.Hour)); other.Opened != 0 {
		t.Errorf("on another unit: %+v", other)
	}
}

// Episodes are found by their ids, done or not; where there is none there is none.
func TestEpisodesAreFoundByTheirIDs(t *testing.T) {
	s := care.Service{Answers: unitAnswers{falls: map[string][]trends.FallFact{"4W": {fall("F1", -1)}}}, Store: teststore.Empty(t), Policy: policy.Default()}
	done, err := s.StepUnit(t.Context(), "4W", now)
	if err != nil || len(done) == 0 {
		t.Fatal(done, err)
	}
	id := done[0].Episode.ID
	list, err := s.Among(t.Context(), []string{"nobody", id})
	if err != nil || len(list) != 1 || list[0].ID != id {
		t.Errorf("among them are %+v (%v)", list, err)
	}
	histories, err := s.Stay(t.Context(), "S 4W")
	if err != nil {
		t.Fatal(err)
	}
	for n, e := range care.Now(histories) {
		if e.ID != histories[n].Episode.ID || e.State != histories[n].Episode.State {
			t.Errorf("episode %d of the histories is %+v", n, e)
		}
	}
	if until, err := s.NamedApart(t.Context(), now); err != nil || !until.IsZero() {
		t.Errorf("where no name was ever kept apart, names do not show until %v (%v)", until, err)
	}
}
