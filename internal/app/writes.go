package app

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

// writes is whether the database takes what is written to it: a full disk can be read on, and nothing
// but a write tells. It may be used from any goroutine.
type writes struct {
	steady clinical.Clock
	asked  chan struct{} // a check is wanted at once

	mu     sync.Mutex
	checks error     // of the last check
	feeds  error     // why what a feed brought last was not stored; nil: it was
	since  time.Time // of that, by steady
}

func newWrites() *writes { return &writes{steady: clinical.SteadyClock, asked: make(chan struct{}, 1)} }

// stillFails is how long after something could not be stored the database counts as one that cannot be
// written, though a check could: what is sent again and again has come again by then.
const stillFails = time.Minute

// delivered notes what became of a file, a message or a set.
func (w *writes) delivered(err error) {
	fails := clinical.CodeOf(err) == clinical.Unavailable && !errors.Is(err, store.ErrLeaseTaken)
	if err != nil && !fails {
		return // the fault of what was delivered
	}
	w.mu.Lock()
	w.feeds, w.since = err, w.steady()
	w.mu.Unlock()
	if fails {
		select {
		case w.asked <- struct{}{}:
		default: // it is wanted already
		}
	}
}

// trouble says why the database cannot be written, nil where it can.
func (w *writes) trouble() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.checks != nil:
		return w.checks
	case w.feeds != nil && w.steady().Sub(w.since) < stillFails:
		return w.feeds
	}
	return nil
}

// How often it is tried whether the database can be written, and how often while it cannot.
const (
	checkEvery = 15 * time.Second
	againEvery = 2 * time.Second
)

// startWriteChecks tries now and then whether the database can be written, and at once where
// something could not.
func startWriteChecks(ctx context.Context, s *site, clock clinical.Clock) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for ctx.Err() == nil {
			every := checkEvery
			if s.writes.note(s.store.CheckWrite(ctx, clock()), s.log) {
				every = againEvery
			}
			select {
			case <-ctx.Done():
			case <-time.After(every):
			case <-s.writes.asked:
			}
		}
	}()
	return func() { cancel(); <-done }
}

// note notes what a check found, and reports whether the database could not be written.
func (w *writes) note(err error, log *slog.Logger) (fails bool) {
	w.mu.Lock()
	was := w.checks
	w.checks = err
	w.mu.Unlock()
	switch {
	case err != nil && was == nil:
		log.Error("the database cannot be written: nothing that the feeds bring is stored, and no page keeps what is typed; "+
			"check the room on its disk and the rights of its folder, or its server", "error", err)
	case err == nil && was != nil:
		log.Info("the database can be written again")
	}
	return err != nil
}

// notedStore is the store of the loader: what becomes of all that feeds deliver is noted.
type notedStore struct {
	*store.Store
	writes *writes
}

// BeginLoad implements ingest.Store. That it works says little of what comes after it.
func (n notedStore) BeginLoad(ctx context.Context, at time.Time, how string) (int64, error) {
	load, err := n.Store.BeginLoad(ctx, at, how)
	if err != nil {
		n.writes.delivered(err)
	}
	return load, err
}

// Take implements ingest.Store.
func (n notedStore) Take(ctx context.Context, d records.Delivery, read func(records.Batch) error) (records.Taken, error) {
	taken, err := n.Store.Take(ctx, d, read)
	n.writes.delivered(err)
	return taken, err
}
