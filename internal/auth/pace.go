package auth

import (
	"fmt"
	"sync"
	"time"

	"plumbline/internal/records"
)

// How often a token may send something; no source gives the figures. A unit of 33 beds takes some
// 100 sets a day, so what a gateway has kept over a day without a network is through in a minute.
const (
	SendsAtOnce    = 120
	SendsPerMinute = 120
)

// pace counts what tokens send, in memory, for one instance of the program. Its zero value is ready.
// Only tokens that are known are counted, so it holds no more of them than there are.
type pace struct {
	mu    sync.Mutex
	left  map[int64]float64   // of SendsAtOnce
	since map[int64]time.Time // when left was so
}

// spend takes one of what a token may send.
func (p *pace) spend(id int64, now time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.left == nil {
		p.left, p.since = map[int64]float64{}, map[int64]time.Time{}
	}
	left := float64(SendsAtOnce)
	if since, known := p.since[id]; known {
		grown := max(0, now.Sub(since).Minutes()) * SendsPerMinute
		left = min(left, p.left[id]+grown)
	}
	p.since[id], p.left[id] = now, left
	if left < 1 {
		return &PaceError{time.Duration((1 - left) / SendsPerMinute * float64(time.Minute))}
	}
	p.left[id]--
	return nil
}

// PaceError says that a token sends too often, and how long to wait.
type PaceError struct{ For time.Duration }

func (e *PaceError) Error() string {
	return fmt.Sprintf("the token sends more than %d a minute; wait %d s", SendsPerMinute, e.Seconds())
}

// Seconds is the time to wait, at least 1.
func (e *PaceError) Seconds() int { return max(1, int((e.For+time.Second-1)/time.Second)) }

// Send counts that a token sends something. The error is a *PaceError where it does so too often.
func (s *Tokens) Send(t records.APIToken) error { return s.pace.spend(t.ID, steady(s.Steady, s.Clock)) }
