package store

import (
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// Where counting what waits is slow it is not done for each who asks, but anew behind them after a while.
func TestWhatWaitsIsNotCountedForEachWhoAsks(t *testing.T) {
	s := openStore(t, SQLite)
	ticks := make(chan time.Time, 1)
	ticks <- noon
	step := time.Duration(0) // by which the clock goes on with each look
	s.Steady = func() time.Time {
		now := (<-ticks).Add(step)
		ticks <- now
		return now
	}
	weight := func(id string) file {
		return in(id+".csv", version(id, "NOBODY", noon, clinical.Weight{MeasuredAt: noon, KG: 70}))
	}
	waiting := func() int { return get(s.Feeds(t.Context()))(t).Waiting }
	load(t, s, weight("a"))
	if n := waiting(); n != 1 {
		t.Fatalf("%d wait, want 1", n)
	}
	load(t, s, weight("b"))
	if n := waiting(); n != 2 { // it was quick, and is counted anew
		t.Errorf("%d wait, want 2", n)
	}
	step = time.Second
	if n := waiting(); n != 2 {
		t.Errorf("%d wait, want 2", n)
	}
	load(t, s, weight("c"))
	if n := waiting(); n != 2 { // it took a second, a second ago
		t.Errorf("%d wait, want the 2 of before", n)
	}
	step = time.Minute
	for deadline := time.Now().Add(time.Minute); waiting() != 3; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("it is not counted anew")
		}
	}
}
