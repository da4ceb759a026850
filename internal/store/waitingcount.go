package store

import (
	"context"
	"sync"
	"time"

	"gorm.io/gorm"
)

// waitingCounts is what was counted last of the rows that wait. Counting millions takes seconds, and each
// list asks for it.
type waitingCounts struct {
	mu    sync.Mutex
	rows  []waitingCount
	total int
	at    time.Time     // by Store.Steady; zero: not counted yet
	took  time.Duration // to count
	runs  bool
}

const (
	slowCount  = 200 * time.Millisecond // what takes longer is not counted for each who asks
	countTimes = 20                     // for how many times as long as counting took the figures are good
)

// waitingNow counts what waits, or tells what was counted a short while ago where counting is slow; then
// it is counted anew behind whoever asks.
func (s *Store) waitingNow(tx *gorm.DB) ([]waitingCount, int, error) {
	if s.Steady == nil {
		return waitingByKind(tx)
	}
	c := &s.waitingKept
	c.mu.Lock()
	if !c.at.IsZero() && c.took >= slowCount {
		defer c.mu.Unlock()
		if s.Steady().Sub(c.at) >= countTimes*c.took {
			s.countBehind()
		}
		return c.rows, c.total, nil
	}
	c.mu.Unlock()
	rows, total, err := s.countWaiting(tx)
	if err != nil { // whoever asked may not have had the time
		c.mu.Lock()
		defer c.mu.Unlock()
		s.countBehind()
	}
	return rows, total, err
}

// countBehind counts behind whoever asks, where nobody does. The counts are locked.
func (s *Store) countBehind() {
	if s.waitingKept.runs {
		return
	}
	s.waitingKept.runs = true
	go func() {
		_, _, _ = s.countWaiting(s.reading(context.Background()))
		s.waitingKept.mu.Lock()
		defer s.waitingKept.mu.Unlock()
		s.waitingKept.runs = false
	}()
}

// countWaiting counts what waits, and keeps it. What fails keeps what was counted before.
func (s *Store) countWaiting(tx *gorm.DB) ([]waitingCount, int, error) {
	begun := s.Steady()
	rows, total, err := waitingByKind(tx)
	c := &s.waitingKept
	c.mu.Lock()
	defer c.mu.Unlock()
	if err == nil {
		c.rows, c.total, c.at = rows, total, s.Steady()
		c.took = c.at.Sub(begun)
	}
	return rows, total, err
}
