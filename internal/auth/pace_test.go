package auth

import (
	"errors"
	"testing"
	"time"

	"plumbline/internal/records"
)

func TestATokenSendsSoOftenAndThenWaits(t *testing.T) {
	now := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	s := &Tokens{Clock: func() time.Time { return now }}
	one, other := records.APIToken{ID: 1}, records.APIToken{ID: 2}
	for n := range SendsAtOnce {
		if err := s.Send(one); err != nil {
			t.Fatalf("sent %d times: %v", n+1, err)
		}
	}
	var wait *PaceError
	if err := s.Send(one); !errors.As(err, &wait) || wait.Seconds() != 1 {
		t.Fatalf("one more: %v, want a wait of half a second, said as 1 s", err)
	}
	if err := s.Send(other); err != nil {
		t.Errorf("another token: %v", err)
	}
	now = now.Add(500 * time.Millisecond) // 120 a minute are two a second
	if err := s.Send(one); err != nil {
		t.Errorf("half a second later: %v", err)
	}
	if err := s.Send(one); err == nil {
		t.Error("and one more is let through")
	}
	now = now.Add(-time.Hour) // a clock that is set back gives nothing, and takes nothing
	if err := s.Send(one); err == nil {
		t.Error("a clock that was set back lets more through")
	}
	now = now.Add(time.Minute)
	for n := range SendsAtOnce {
		if err := s.Send(one); err != nil {
			t.Fatalf("a minute later, %d: %v", n+1, err)
		}
	}
	if s.Send(one) == nil {
		t.Error("an hour saves up more than what may be sent at once")
	}
}
