package outbox

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Outcome is what came of one attempt.
type Outcome int

// The outcomes. What is not there, or does not answer, is tried again; so is what the other side says to
// be its own fault.
const (
	Taken       Outcome = iota
	Again               // AE, 5xx, no answer: this message is tried again later
	Unreachable         // nothing was sent: no other message need be tried now
	Refused             // AR, 4xx: not sent again by itself
)

// Result is an outcome with the other side's words, or why there were none. It names no patient.
type Result struct {
	Outcome
	Answer string
}

// Transport sends by one way. A run ends with Close.
type Transport interface {
	Send(ctx context.Context, i Item) Result
	Close()
}

// Store keeps the messages; *store.Store is one.
type Store interface {
	DueOutgoing(ctx context.Context, channel string, at time.Time, limit int) ([]records.Outgoing, error)
	Tried(ctx context.Context, o records.Outgoing, at time.Time) error
}

// Sender sends what waits. Only one of several instances may.
type Sender struct {
	Store Store
	Ways  map[string]Transport // by channel
	Clock clinical.Clock
	Log   *slog.Logger
}

// atOnce is how many messages are read at a time.
const atOnce = 100

// Run sends what is due, by each way until nothing is left, or nobody is there.
func (s *Sender) Run(ctx context.Context) error {
	var all sync.WaitGroup
	var mu sync.Mutex
	var failed []error
	for channel, way := range s.Ways {
		all.Go(func() {
			defer way.Close()
			if err := s.channel(ctx, channel, way); err != nil && ctx.Err() == nil {
				mu.Lock()
				defer mu.Unlock()
				failed = append(failed, err)
			}
		})
	}
	all.Wait()
	return errors.Join(failed...)
}

// channel sends by one way. Of each patient one message is read at a time: the next may go once that
// has been taken.
func (s *Sender) channel(ctx context.Context, channel string, way Transport) error {
	for {
		due, err := s.Store.DueOutgoing(ctx, channel, s.Clock(), atOnce)
		if err != nil || len(due) == 0 {
			return err
		}
		for _, o := range due {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			r, known := s.send(ctx, way, o)
			if !known {
				return ctx.Err()
			}
			if err := s.Store.Tried(context.WithoutCancel(ctx), s.outcome(o, r), s.Clock()); err != nil {
				return err
			}
			if r.Outcome == Unreachable {
				return nil
			}
		}
	}
}

// lastWords is how long a message that is under way may take where the program is being stopped: sent
// again, it is charted twice by a record that keeps no identities.
const lastWords = 5 * time.Second

// send sends one message. What came of it is not known where the program was stopped meanwhile.
func (s *Sender) send(ctx context.Context, way Transport, o records.Outgoing) (r Result, known bool) {
	item, err := Read(o)
	if err != nil {
		return Result{Refused, err.Error()}, true
	}
	under, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	defer context.AfterFunc(ctx, func() { time.AfterFunc(lastWords, cancel) })()
	r = way.Send(under, item)
	return r, under.Err() == nil
}

// outcome is what becomes of a message.
func (s *Sender) outcome(o records.Outgoing, r Result) records.Outgoing {
	now := s.Clock()
	o.Answer = r.Answer
	switch r.Outcome {
	case Taken:
		o.State, o.DoneAt, o.NextAt = records.SendSent, now, now
	case Refused:
		o.State, o.DoneAt, o.NextAt = records.SendRefused, now, now
		s.Log.Error("the record has refused a message; `dashboard outbox list` tells which",
			"channel", o.Channel, "number", o.Number)
	case Unreachable:
		o.NextAt = now.Add(min(wait(o.Attempts), longestOutage))
	default:
		o.NextAt = now.Add(wait(o.Attempts))
	}
	if r.Outcome == Again || r.Outcome == Unreachable {
		s.Log.Warn("a message was not taken by the record; it is sent again",
			"channel", o.Channel, "number", o.Number, "attempts", o.Attempts+1, "next", o.NextAt)
	}
	return o
}

// waits are the pauses after the attempts; the last one comes again and again.
var waits = []time.Duration{
	5 * time.Second, 15 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute,
	20 * time.Minute,
}

// longestOutage bounds the pause where nobody was there: once somebody is, what waits must not wait long.
const longestOutage = time.Minute

func wait(attempts int) time.Duration { return waits[min(attempts, len(waits)-1)] }

// longestAnswer is how much of an answer is kept, in runes.
const longestAnswer = 200

// short is the beginning of an answer.
func short(s string) string {
	if r := []rune(s); len(r) > longestAnswer {
		return string(r[:longestAnswer]) + "…"
	}
	return s
}
