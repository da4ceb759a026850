package store

import (
	"sync"
	"time"
)

// A machine's clock that ran ahead, and was put right, leaves steps of the episodes that
// lie in the future. Nothing may wait until real time has caught up with them: such a step
// is told of and passed over.
const (
	// aheadLeeway is how far the last step may lie ahead of one that came late: longer
	// than any step takes or waits for its turn.
	aheadLeeway = 5 * time.Minute
	// aheadPatience is for how long nobody may have moved the step on before it is passed
	// over on a database that several machines share: while another one moves it each
	// minute, it is this machine's clock that is behind.
	aheadPatience = 2 * time.Minute
)

// StepAhead is a step of the episodes that lies ahead of the clock.
type StepAhead struct {
	Scope  string
	By     time.Duration
	Passed bool // passed over; false: waited for still, aheadPatience at most
}

// aheadBook remembers since when each scope's step of the future has stood still.
type aheadBook struct {
	mu   sync.Mutex
	seen map[string]standing
}

type standing struct{ stepped, since int64 }

// still is for how long the step of a scope has not been moved on, as far as is known.
func (b *aheadBook) still(scope string, stepped, at int64) time.Duration {
	b.mu.Lock()
	defer b.mu.Unlock()
	was, known := b.seen[scope]
	if !known || was.stepped != stepped || at < was.since {
		if b.seen == nil {
			b.seen = map[string]standing{}
		}
		was = standing{stepped, at}
		b.seen[scope] = was
	}
	return time.Duration(at-was.since) * time.Microsecond
}

// passes says whether a step is made although the last one, stepped, lies ahead of it, and
// tells of it. Several programs on one SQLite file share one clock: there it is at once.
func (s *Store) passes(scope string, stepped, at int64) bool {
	by := time.Duration(stepped-at) * time.Microsecond
	if by <= aheadLeeway {
		return false // this step came late
	}
	passed := s.engine == SQLite || s.ahead.still(scope, stepped, at) >= aheadPatience
	if s.OnAhead != nil {
		s.OnAhead(StepAhead{scope, by, passed})
	}
	return passed
}
