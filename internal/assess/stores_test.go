package assess_test

import (
	"bytes"
	"reflect"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plumbline/internal/assess"
	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/policy"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/trends"
	"plumbline/seed"
)

// The properties of this package draw their histories in memory. What they find holds
// for the real store as far as both give the same answers: here, to every question, of
// the whole demo unit, at moments before, among and after its facts.
func TestBothStoresAnswerAlike(t *testing.T) {
	drill.Long(t)
	files, err := seed.Files()
	if err != nil {
		t.Fatal(err)
	}
	memory := &assesstest.Memory{}
	for _, f := range files {
		if err := memory.Read(bytes.NewReader(f.Data), f.Name, time.UTC, teststore.Now()); err != nil {
			t.Fatal(err)
		}
	}
	drawn := &assess.Service{Store: memory, Policy: policy.Default(), Zone: time.UTC}
	kept := &assess.Service{Store: teststore.Demo(t), Policy: policy.Default(), Zone: time.UTC}
	for _, back := range []time.Duration{-60 * time.Hour, 0, 30 * time.Hour, 9000 * time.Hour} {
		at := teststore.Now().Add(-back)
		for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
			same(t, "list of "+unit, at, ask(drawn.List(t.Context(), unit, at)), ask(kept.List(t.Context(), unit, at)))
			same(t, "live list of "+unit, at, ask(drawn.Live(t.Context(), unit, at)), ask(kept.Live(t.Context(), unit, at)))
			same(t, "age of the list of "+unit, at, ask(drawn.Freshness(t.Context(), unit, at)), ask(kept.Freshness(t.Context(), unit, at)))
			month := at.AddDate(0, -1, 0)
			same(t, "figures of "+unit, at, ask(drawn.Unit(t.Context(), unit, month, at, trends.ByWeek, at)),
				ask(kept.Unit(t.Context(), unit, month, at, trends.ByWeek, at)))
			same(t, "falls of "+unit, at, ask(drawn.Falls(t.Context(), unit, month, at, at)), ask(kept.Falls(t.Context(), unit, month, at, at)))
		}
		for _, s := range demo.Stories() {
			view := ask(kept.Stay(t.Context(), s.StayID, at))
			same(t, "stay "+s.StayID, at, ask(drawn.Stay(t.Context(), s.StayID, at)), view)
			place := view
			if found, ok := view.Answer.(assess.StayView); ok {
				place.Answer = assess.Place{StayID: s.StayID, Unit: found.Assessment.Digest.Stay.Unit}
			}
			for _, service := range []*assess.Service{drawn, kept} {
				same(t, "place of "+s.StayID, at, ask(service.StayPlace(t.Context(), s.StayID, at)), place)
			}
		}
	}
}

// answered is an answer, or by which code it was refused.
type answered struct {
	Answer any
	Code   clinical.Code
}

func ask[T any](answer T, err error) answered {
	if err != nil {
		return answered{Code: clinical.CodeOf(err)}
	}
	return answered{Answer: answer}
}

// unread passes over when a file was read: only a store counts the readings.
var unread = cmpopts.IgnoreFields(clinical.Version{}, "Reading")

// whole compares the fields that no other package sees, too.
var whole = cmp.Exporter(func(reflect.Type) bool { return true })

// unsorted are the versions from which a review of a fall is worked out: they are put in
// order there.
var unsorted = cmpopts.IgnoreFields(assess.Fall{}, "versions")

func same(t *testing.T, what string, at time.Time, drawn, kept answered) {
	t.Helper()
	if d := cmp.Diff(drawn, kept, unread, whole, unsorted); d != "" {
		t.Errorf("%s at %s, in memory (-) and in the store (+):\n%s", what, at.Format(time.RFC3339), d)
	}
}

// The unit by which a fall may be seen is asked for by itself: it is that of the whole answer.
func TestThePlaceOfAFallIsThatOfTheFall(t *testing.T) {
	service := &assess.Service{Store: teststore.DemoWithPast(t), Policy: policy.Default(), Zone: time.UTC}
	now, found := teststore.Now(), 0
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		falls, err := service.Falls(t.Context(), unit, now.AddDate(-1, 0, 0), now, now)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range falls {
			found++
			place, err := service.FallPlace(t.Context(), f.SourceID, now)
			if want := (assess.Place{StayID: f.StayID, Unit: unit}); err != nil || place != want {
				t.Errorf("fall %s: %+v, %v; want %+v", f.SourceID, place, err, want)
			}
		}
	}
	if found < 5 {
		t.Errorf("only %d falls", found)
	}
	if _, err := service.FallPlace(t.Context(), "none", now); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("no fall: %v", err)
	}
}
