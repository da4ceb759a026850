package main

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// Every figure, word, order and rank equals that of an implementation which was
// written from the rules alone by somebody who had not seen this one, but for those
// that were taken over since, each with its day and its reason. The feed is drawn at
// random to reach the edges of every rule.
func TestASecondImplementationAnswersAlike(t *testing.T) {
	v, taken, err := hold(t.Context(), "testdata")
	if err != nil {
		t.Fatal(err)
	}
	t.Log(strings.SplitN(v.inWords(), "\n", 2)[0])
	if len(v.differ)+len(v.stale) > 0 {
		t.Errorf("%s\nread each against the words of its rule; doc.go says how to go on", v.inWords())
	}
	if all := v.independent + v.reviewed + len(v.differ); all < 100_000 {
		t.Errorf("only %d figures are compared", all)
	}
	for _, r := range taken {
		if _, err := time.Parse(time.DateOnly, r.day); err != nil || r.why == "" {
			t.Errorf("%s was taken over without day or reason", r.key)
		}
	}
}

func TestFiguresOfADocument(t *testing.T) {
	got, err := figuresOf(map[string]any{
		"patients": []any{map[string]any{"stay_id": "S1", "rank": 1, "text": "a sentence",
			"reasons": []any{map[string]any{"rule": "T-FALL", "n": 2.0}}, "missing": []any{"a", "b"}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]any{
		"patients.length": 1.0, "patients[S1].reasons[T-FALL].n": 2.0, "patients[S1].missing[1]": "b", "patients[S1].missing.length": 2.0,
	} {
		if got[name] != want {
			t.Errorf("%s is %v, want %v", name, got[name], want)
		}
	}
	if _, ok := got["patients[S1].text"]; ok {
		t.Error("a sentence is compared")
	}
	if f := field("list 4W patients[S1].reasons[T-FALL].n"); f != "list 4W patients[].reasons[T-FALL].n" {
		t.Errorf("field %q", f)
	}
}

// A figure that was taken over is not counted as independent, and an entry that
// nothing needs any more is named.
func TestWhatIsTakenOverIsCountedApart(t *testing.T) {
	changed := figure{asOf: "t", name: "a", second: 1.0, own: 2.0, inSecond: true, has: true}
	gone := figure{asOf: "t", name: "b", second: "x", inSecond: true}
	equal := figure{asOf: "t", name: "c", second: nil, own: "", inSecond: true, has: true}
	all := []figure{changed, gone, equal}
	v := judge(all, nil)
	if v.independent != 1 || len(v.differ) != 2 {
		t.Fatalf("%+v", v)
	}
	taken := takeOver(v, nil, "2026-11-30", "a rule")
	if v = judge(all, taken); v.independent != 1 || v.reviewed != 2 || len(v.differ) != 0 || len(v.stale) != 0 {
		t.Errorf("after taking over: %+v", v)
	}
	changed.own = 3.0
	if v = judge([]figure{changed, equal}, taken); len(v.differ) != 1 || len(v.stale) != 1 || v.stale[0].key != gone.key() {
		t.Errorf("after another change: %+v", v)
	}
	path := filepath.Join(t.TempDir(), "reviewed.tsv")
	if err := writeReviewed(path, taken); err != nil {
		t.Fatal(err)
	}
	if read, err := readReviewed(path); err != nil || !slices.Equal(read, taken) {
		t.Errorf("read back: %v, %v", read, err)
	}
}

func TestTakingOverNeedsAReason(t *testing.T) {
	for _, why := range []string{"", "  ", "two\nlines"} {
		if err := run(t.Context(), options{take: true, why: why, data: "testdata"}, time.Time{}, nil); err == nil {
			t.Errorf("taken over for %q", why)
		}
	}
}
