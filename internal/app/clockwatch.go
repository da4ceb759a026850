package app

import (
	"log/slog"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/store"
	"plumbline/internal/web/parts"
)

// clockWatch notices that the machine's clock was set, or that another clock ran ahead of
// it, and remembers the last time. It may be used from any goroutine.
type clockWatch struct {
	log    *slog.Logger
	steady clinical.Clock

	mu            sync.Mutex
	now, steadily time.Time // at the last look; zero: none yet
	last          *parts.ClockTrouble
}

const (
	// clockSet is from which difference on between two looks the clock was set: more than
	// a time service corrects while it runs (common practice, no source).
	clockSet = 30 * time.Second
	// clockKept is for how long it is said.
	clockKept = 24 * time.Hour
	// stillWaits is how old the note of a step that waits may be: they are made each minute.
	stillWaits = 3 * time.Minute
)

// look compares what the clock shows with what has passed since the last look.
func (w *clockWatch) look(now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	even := w.steady()
	if !w.now.IsZero() {
		by := now.Sub(w.now) - even.Sub(w.steadily)
		if by.Abs() >= clockSet {
			w.log.Error("the machine's clock was set; check its time service. What was written with later times is passed over",
				"by", by, "now", now)
			w.last = &parts.ClockTrouble{At: now, By: by}
		}
	}
	w.now, w.steadily = now, even
}

// ahead takes note of a step of the episodes that lies in the future.
func (w *clockWatch) ahead(a store.StepAhead, now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if a.Passed {
		w.log.Error("a clock ran ahead: the last step of the episodes lies in the future and is passed over; "+
			"check the time services of all machines", "scope", a.Scope, "ahead", a.By)
	} else {
		w.log.Error("the last step of the episodes lies in the future: this machine's clock is behind, or another one ran ahead; "+
			"check the time services of all machines", "scope", a.Scope, "ahead", a.By)
	}
	w.last = &parts.ClockTrouble{At: now, By: -a.By, Waits: !a.Passed}
}

// trouble is what was noticed within the last day; nil: nothing.
func (w *clockWatch) trouble(now time.Time) *parts.ClockTrouble {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.last == nil || now.Sub(w.last.At).Abs() > clockKept {
		return nil
	}
	last := *w.last
	last.Waits = last.Waits && now.Sub(last.At) < stillWaits
	return &last
}
