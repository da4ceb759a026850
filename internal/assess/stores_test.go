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
	"plumbline/internal/policy"
	"plumbline/internal/testdb/teststore"
	"plumbline/internal/trends"
	"plumbline/seed"
)

// The properties of this package draw their histories in memory. What they find holds
// for the real store as far as both give the same answers: here, to every question, of
// the whole demo unit, at moments before, among and after its facts.
func TestBothStoresAnswerAlike(t *testing.T) {
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
			month := at.AddDate(0, -1, 0)
			same(t, "figures of "+unit, at, ask(drawn.Unit(t.Context(), unit, month, at, trends.ByWeek, at)),
				ask(kept.Unit(t.Context(), unit, month, at, trends.ByWeek, at)))
			same(t, "falls of "+unit, at, ask(drawn.Falls(t.Context(), unit, month, at, at)), ask(kept.Falls(t.Context(), unit, month, at, at)))
		}
		for _, s := range demo.Stories() {
			same(t, "stay "+s.StayID, at, ask(drawn.Stay(t.Context(), s.StayID, at)), ask(kept.Stay(t.Context(), s.StayID, at)))
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
