package app

import (
	"errors"
	"log/slog"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/store"
)

// What could not be stored is told until something is, or for a minute where nothing comes any more; what
// a check finds until the next one.
func TestWhatCannotBeWrittenIsToldUntilItCan(t *testing.T) {
	even := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	w := newWrites()
	w.steady = func() time.Time { return even }
	full := clinical.Errorf(clinical.Unavailable, "full")
	for n, step := range []struct {
		do   func()
		want error
	}{
		{func() { w.delivered(errors.New("the file's own fault")) }, nil},
		{func() { w.delivered(store.ErrLeaseTaken) }, nil},
		{func() { w.delivered(full) }, full},
		{func() { even = even.Add(59 * time.Second) }, full},
		{func() { w.delivered(errors.New("the file's own fault")) }, full},
		{func() { w.delivered(nil) }, nil},
		{func() { w.delivered(full) }, full},
		{func() { even = even.Add(time.Minute) }, nil},
		{func() { w.note(full, slog.New(slog.DiscardHandler)) }, full},
		{func() { even = even.Add(time.Hour) }, full},
		{func() { w.note(nil, slog.New(slog.DiscardHandler)) }, nil},
	} {
		if step.do(); !errors.Is(w.trouble(), step.want) || step.want == nil && w.trouble() != nil {
			t.Errorf("step %d: %v, want %v", n, w.trouble(), step.want)
		}
	}
	if len(w.asked) != 1 {
		t.Error("no check is asked for at once")
	}
}
