package clinical

import (
	"slices"
	"testing"
	"time"
)

// Worked by hand: the middle one, or midway between the two in the middle.
func TestMedian(t *testing.T) {
	for _, c := range []struct {
		list []time.Duration
		want time.Duration
		ok   bool
	}{
		{nil, 0, false},
		{[]time.Duration{7}, 7, true},
		{[]time.Duration{9, 1, 4}, 4, true},
		{[]time.Duration{9, 1, 4, 100}, 6, true}, // (4 + 9) / 2, in whole nanoseconds
	} {
		if got, ok := Median(slices.Clone(c.list)); got != c.want || ok != c.ok {
			t.Errorf("the median of %v is %v, %v", c.list, got, ok)
		}
	}
}

func TestTextsOfOneDrug(t *testing.T) {
	for text, want := range map[string]bool{
		"Own  Supply": true, " own supply ": true, "ownsupply": false, "own supply 2": false, "": false,
	} {
		if got := SameDrugText("own supply", text); got != want {
			t.Errorf("%q is the text of the same drug: %v, want %v", text, got, want)
		}
	}
}

// A treatment is known as of its own time, and nothing of it ends later.
func TestATreatmentHasOneTime(t *testing.T) {
	at := time.Date(2026, 11, 2, 10, 0, 0, 0, time.UTC)
	b := Treatment{GivenAt: at}
	if !b.OwnTime().Equal(at) || !slices.Equal(b.times(), []time.Time{at}) {
		t.Errorf("its own time is %v of %v", b.OwnTime(), b.times())
	}
	if before := b.asKnownAt(at.Add(-time.Hour)); before != Body(b) {
		t.Errorf("as known an hour before it is %+v", before)
	}
}
