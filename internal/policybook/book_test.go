package policybook_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/records"
	"plumbline/internal/testdb/teststore"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// unitAnswers moves one patient for each hour by which the set after a fall comes later.
type unitAnswers struct{}

func (unitAnswers) Units(context.Context) ([]string, error) { return []string{"4W", "7E"}, nil }

func (unitAnswers) Moves(_ context.Context, unit string, _ time.Time, from, to clinical.Policy) (int, map[assess.Move]int, error) {
	n := int(to.Recheck.FallHours - from.Recheck.FallHours)
	if unit == "7E" || n == 0 {
		return 9, nil, nil
	}
	return 20, map[assess.Move]int{{From: alerts.Today, To: alerts.Watch}: n, {From: alerts.Now, To: alerts.Today}: 1}, nil
}

func book(s policybook.Store) *policybook.Book {
	return &policybook.Book{
		Store: s, Answers: unitAnswers{}, Clock: func() time.Time { return noon }, InForce: policy.NewSwitch(policy.Default()),
	}
}

func falls(t *testing.T, hours float64) policy.Loaded {
	t.Helper()
	l, err := policy.Load([]byte(fmt.Sprintf("recheck: {fall_hours: %v}", hours)))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func save(t *testing.T, b *policybook.Book, l policy.Loaded, after int64) records.PolicyVersion {
	t.Helper()
	v, err := b.Save(t.Context(), l, policybook.Change{After: after, Seen: l.Hash, Who: "ann", Note: "agreed"})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestSaveAndReturn(t *testing.T) {
	b := book(teststore.Empty(t))
	eight, six := falls(t, 8), falls(t, 6)
	first := save(t, b, eight, 0)
	if got := b.Current(); got.Policy.Hash != eight.Hash || got.Version.Number != 1 || b.InForce.Current().Hash != eight.Hash {
		t.Errorf("in force after the first: %+v", got)
	}
	save(t, b, six, 1)
	v, err := b.Return(t.Context(), 1, policybook.Change{After: 2, Seen: eight.Hash, Who: "bo", Note: " back \n to it "})
	want := records.PolicyVersion{Number: 3, SavedAt: noon, Who: "bo", Note: "back to it", YAML: first.YAML, Hash: eight.Hash, ReturnsTo: ptr(1)}
	if diff := cmp.Diff(want, v); diff != "" || err != nil {
		t.Errorf("returned: %v\n%s", err, diff)
	}
	if got := b.InForce.Current(); got.Hash != eight.Hash {
		t.Error("the returned version is not in force")
	}
	builtIn := policy.Default()
	if _, err := b.Return(t.Context(), 0, policybook.Change{After: 3, Seen: builtIn.Hash, Who: "bo", Note: "n"}); err != nil {
		t.Fatal(err)
	}
	if got := b.Current(); got.Policy.Hash != builtIn.Hash || !got.Version.BuiltIn() {
		t.Errorf("in force after the return to the built-in policy: %+v", got)
	}
	save(t, b, six, 4)
	// A return to a version that itself returned to the built-in policy is one too.
	v, err = b.Return(t.Context(), 4, policybook.Change{After: 5, Seen: builtIn.Hash, Who: "bo", Note: "n"})
	if err != nil || v.ReturnsTo == nil || *v.ReturnsTo != 0 {
		t.Errorf("returned %+v, %v", v, err)
	}
	list, err := b.Versions(t.Context())
	if err != nil || len(list) != 6 || list[0].Number != 6 || list[5].Number != 1 {
		t.Errorf("versions: %+v, %v", list, err)
	}
}

func ptr(n int64) *int64 { return &n }

func TestWhatIsNotSaved(t *testing.T) {
	b := book(teststore.Empty(t))
	eight := falls(t, 8)
	good := policybook.Change{Seen: eight.Hash, Who: "ann", Note: "agreed"}
	with := func(change func(*policybook.Change)) policybook.Change {
		c := good
		change(&c)
		return c
	}
	for name, tc := range map[string]struct {
		c    policybook.Change
		code clinical.Code
		says string
	}{
		"without a preview":        {with(func(c *policybook.Change) { c.Seen = "" }), clinical.Invalid, "was not seen"},
		"another preview":          {with(func(c *policybook.Change) { c.Seen = policy.Default().Hash }), clinical.Invalid, "was not seen"},
		"without a note":           {with(func(c *policybook.Change) { c.Note = " \n" }), clinical.Invalid, "note is missing"},
		"a long note":              {with(func(c *policybook.Change) { c.Note = strings.Repeat("ü", 501) }), clinical.Invalid, "at most 500"},
		"a note that is no text":   {with(func(c *policybook.Change) { c.Note = "a\x00b" }), clinical.Invalid, "control characters"},
		"a note that is not UTF-8": {with(func(c *policybook.Change) { c.Note = "a\xff" }), clinical.Invalid, "control characters"},
		"another version":          {with(func(c *policybook.Change) { c.After = 1 }), clinical.Conflict, "not the latest"},
	} {
		if _, err := b.Save(t.Context(), eight, tc.c); clinical.CodeOf(err) != tc.code || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v, want %s with %q", name, err, tc.code, tc.says)
		}
	}
	if list, err := b.Versions(t.Context()); len(list) != 0 || err != nil || b.Current().Version.Number != 0 {
		t.Errorf("something was saved: %+v, %v", list, err)
	}
	save(t, b, eight, 0)
	good.After = 1
	if _, err := b.Save(t.Context(), eight, good); !errors.Is(err, policybook.ErrUnchanged) {
		t.Errorf("the same again: %v", err)
	}
	plain := policy.Default()
	same := policybook.Change{Seen: plain.Hash, Who: "ann", Note: "n"}
	if _, err := book(teststore.Empty(t)).Save(t.Context(), plain, same); !errors.Is(err, policybook.ErrUnchanged) {
		t.Errorf("the built-in values over the built-in policy: %v", err)
	}
	same.After = 2
	save(t, b, plain, 1)
	if v, err := b.Return(t.Context(), 0, same); err != nil || !v.BuiltIn() {
		t.Errorf("a return to the built-in policy from its values: %v", err)
	}
	good.After = 3
	if _, err := b.Return(t.Context(), 9, good); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("a return to a version that is not there: %v", err)
	}
	if _, err := b.Save(t.Context(), eight, policybook.Change{Seen: eight.Hash, Who: "bo", Note: "n", After: 0}); clinical.CodeOf(err) != clinical.Conflict {
		t.Errorf("a change of an older version: %v", err)
	}
}

func TestOthersFollow(t *testing.T) {
	shared := teststore.Empty(t)
	one, other := book(shared), book(shared)
	eight := falls(t, 8)
	save(t, one, eight, 0)
	if other.InForce.Current().Hash != policy.Default().Hash {
		t.Error("the other program changed by itself")
	}
	if err := other.Refresh(t.Context()); err != nil || other.InForce.Current().Hash != eight.Hash {
		t.Errorf("after a refresh: %v", err)
	}
	// A change on top of what the other has not seen yet is a conflict, and is seen then.
	save(t, one, falls(t, 6), 1)
	_, err := other.Save(t.Context(), falls(t, 5), policybook.Change{After: 1, Seen: falls(t, 5).Hash, Who: "bo", Note: "n"})
	if clinical.CodeOf(err) != clinical.Conflict || other.Current().Version.Number != 2 {
		t.Errorf("%v, in force %d", err, other.Current().Version.Number)
	}
}

// slow answers with what was the latest before the last version came.
type slow struct{ policybook.Store }

func (s slow) LatestPolicyVersion(ctx context.Context) (records.PolicyVersion, error) {
	return s.PolicyVersionOf(ctx, 1)
}

func TestAnOlderVersionDoesNotComeBack(t *testing.T) {
	b := book(teststore.Empty(t))
	save(t, b, falls(t, 8), 0)
	six := falls(t, 6)
	save(t, b, six, 1)
	b.Store = slow{b.Store}
	if err := b.Refresh(t.Context()); err != nil || b.Current().Version.Number != 2 || b.InForce.Current().Hash != six.Hash {
		t.Errorf("in force: %+v, %v", b.Current().Version, err)
	}
}

func TestAFileStaysInForce(t *testing.T) {
	shared := teststore.Empty(t)
	save(t, book(shared), falls(t, 8), 0)
	b := book(shared)
	b.File = "site.yaml"
	six := falls(t, 6)
	b.InForce.Set(six)
	if err := b.Refresh(t.Context()); err != nil || b.InForce.Current().Hash != six.Hash {
		t.Errorf("refreshed away from the file: %v", err)
	}
	_, err := b.Save(t.Context(), falls(t, 5), policybook.Change{After: 1, Seen: falls(t, 5).Hash, Who: "bo", Note: "n"})
	if clinical.CodeOf(err) != clinical.Conflict || !strings.Contains(err.Error(), "site.yaml") {
		t.Errorf("saved over a file: %v", err)
	}
}

// A version of a newer program leaves the policy as it is, and says so.
func TestAVersionThatCannotBeRead(t *testing.T) {
	shared := teststore.Empty(t)
	if _, err := shared.AddPolicyVersion(t.Context(), records.PolicyVersion{YAML: "recheck: {of_the_future: 1}"}, 0); err != nil {
		t.Fatal(err)
	}
	b := book(shared)
	err := b.Refresh(t.Context())
	if err == nil || !strings.Contains(err.Error(), "version 1 of the policy cannot be used by this program") || b.InForce.Current().Hash != policy.Default().Hash {
		t.Errorf("refresh: %v", err)
	}
}

func TestPreviewCountsByUnit(t *testing.T) {
	b := book(teststore.Empty(t))
	p, err := b.Preview(t.Context(), falls(t, 30))
	if err != nil {
		t.Fatal(err)
	}
	want := []policybook.UnitMoves{
		{Unit: "4W", Patients: 20, Moved: 27, Moves: []policybook.Moved{{From: alerts.Now, To: alerts.Today, Patients: 1}, {From: alerts.Today, To: alerts.Watch, Patients: 26}}},
		{Unit: "7E", Patients: 9},
	}
	if diff := cmp.Diff(want, p.Units); diff != "" {
		t.Errorf("units (-want +got):\n%s", diff)
	}
	if len(p.Changes) != 1 || p.Changes[0].Is != "30 h" || p.Changes[0].Was != "4 h" ||
		len(p.Warnings) != 1 || p.Warnings[0].Path != "recheck.fall_hours" || p.Warnings[0].Is != "30 h" {
		t.Errorf("changes %+v, warnings %+v", p.Changes, p.Warnings)
	}
	if b.Current().Version.Number != 0 {
		t.Error("a preview changed the policy")
	}
}

// Many save, return and read at once: each version is saved by one, and the policy
// in force is at the end the last one, never an earlier one than was seen before.
func TestManyHandsAtOnce(t *testing.T) {
	shared := teststore.Empty(t)
	books := []*policybook.Book{book(shared), book(shared)}
	var saved atomic.Int64
	var hands sync.WaitGroup
	for h := range 8 {
		b := books[h%2]
		hands.Go(func() {
			var before int64
			for n := range 20 {
				l := falls(t, float64(5+h)+float64(n)/100)
				state := b.Current()
				if state.Version.Number < before {
					t.Errorf("version %d came into force after %d", state.Version.Number, before)
				}
				before = state.Version.Number
				_, err := b.Save(t.Context(), l, policybook.Change{After: state.Version.Number, Seen: l.Hash, Who: "x", Note: "n"})
				switch clinical.CodeOf(err) {
				case "":
					saved.Add(1)
				case clinical.Conflict:
				default:
					t.Error(err)
				}
			}
		})
	}
	hands.Wait()
	for _, b := range books {
		if err := b.Refresh(t.Context()); err != nil {
			t.Fatal(err)
		}
		state := b.Current()
		if state.Version.Number != saved.Load() || saved.Load() == 0 || state.Policy.Hash != state.Version.Hash {
			t.Errorf("%d saved, version %d in force", saved.Load(), state.Version.Number)
		}
	}
}
