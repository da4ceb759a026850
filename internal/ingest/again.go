package ingest

import (
	"cmp"
	"context"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Ways of starting a load that reads no file; the store knows them by these words.
const (
	retried = "retry"
	fixed   = "fix"
)

// Retry reads the held rows again, by today's clock and lists.
func (l *Loader) Retry(ctx context.Context) (Summary, error) {
	return l.retry(ctx, records.HeldQuery{})
}

// RetryDue reads the rows again that were held only because they lay ahead of the clock, and do
// not any more. any is false where there was none.
func (l *Loader) RetryDue(ctx context.Context) (s Summary, any bool, err error) {
	q := records.HeldQuery{Due: l.Clock(), Bare: true, Limit: 1}
	rows, err := l.Store.HeldRows(ctx, q)
	if err != nil || len(rows) == 0 {
		return Summary{}, false, err
	}
	q.Bare, q.Limit = false, 0
	s, err = l.retry(ctx, q)
	return s, true, err
}

// RetryRow reads one of the held rows again. The error is clinical.NotFound where it is
// not held any more.
func (l *Loader) RetryRow(ctx context.Context, id int64) (Summary, error) {
	if id <= 0 {
		return Summary{}, notHeld(id)
	}
	return l.retry(ctx, records.HeldQuery{ID: id})
}

func notHeld(id int64) error {
	return clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
}

func (l *Loader) retry(ctx context.Context, q records.HeldQuery) (Summary, error) {
	now := l.Clock()
	if q.ID != 0 {
		if rows, err := l.Store.HeldRows(ctx, q); err != nil || len(rows) == 0 {
			return Summary{}, cmp.Or(err, notHeld(q.ID))
		}
	}
	load, err := l.Store.BeginLoad(ctx, now, retried)
	if err != nil {
		return Summary{}, err
	}
	s := Summary{Problems: []Problem{}}
	var found finds
	stay := 0
	// By place: of two rows of one fact and time the later one counts.
	err = l.Store.EachHeld(ctx, q, func(h records.Held) error {
		a := l.again(h, now)
		if a.reason == "" {
			return l.releaseAgain(ctx, load, h, a, now, &found)
		}
		stay++
		was := h.Reason
		h.Reason = a.reason
		if at := retryAt(h, now); h.Reason != was || !at.Equal(h.RetryAt) {
			h.RetryAt = at
			return l.Store.StaysHeld(ctx, h)
		}
		return nil
	})
	if err != nil {
		return s, err
	}
	if !q.Due.IsZero() { // those that stay are due no more, and are told of with the rest
		q = records.HeldQuery{Load: load}
	}
	err = l.finish(ctx, load, &s, found, q)
	s.Held = stay
	s.Rows = s.Accepted + s.Unchanged + s.Superseded + s.Waiting + s.Skipped + s.Held
	return s, err
}

// releaseAgain stores what a held row says when it is read again.
func (l *Loader) releaseAgain(ctx context.Context, load int64, h records.Held, a again, now time.Time, found *finds) error {
	release := l.releasing(h, a, now)
	_, err := l.Store.Take(ctx, records.Delivery{Load: load, Release: h.ID}, release.into)
	found.doubt(release.finds)
	if clinical.CodeOf(err) == clinical.NotFound { // its file was read again meanwhile
		return nil
	}
	return err
}

// Fix reads a held row as somebody has put it right: original and about, its context, in place of
// those received, in the same place of the same file, so that what it says counts as if
// it had come so. Whenever the file is read again and the row stands in it as it did, the
// same is read in its place. A reason other than "" says why it still cannot be used;
// nothing is stored then. The error is clinical.NotFound where the row is not held.
func (l *Loader) Fix(ctx context.Context, id int64, about, original []byte, who string) (s Summary, reason string, err error) {
	now := l.Clock()
	rows, err := l.Store.HeldRows(ctx, records.HeldQuery{ID: id})
	if err != nil {
		return Summary{}, "", err
	}
	if len(rows) != 1 || id <= 0 {
		return Summary{}, "", notHeld(id)
	}
	right := rows[0]
	right.Context, right.Original = about, original
	a := l.again(right, now)
	if a.reason != "" {
		return Summary{}, a.reason, nil
	}
	load, err := l.Store.BeginLoad(ctx, now, fixed)
	if err != nil {
		return Summary{}, "", err
	}
	s.Problems = []Problem{}
	fix := records.Fix{Was: rows[0], Context: about, Original: original, Who: who, At: now}
	release := l.releasing(right, a, now)
	if _, err := l.Store.Take(ctx, records.Delivery{Load: load, Release: id, Fix: &fix}, release.into); err != nil {
		return s, "", err
	}
	return s, "", l.finish(ctx, load, &s, release.finds, records.HeldQuery{Load: load})
}

// releasing is a held row, which reads now, on its way into the store.
type releasing struct {
	sink
	from feed.Reader
	what again
}

func (l *Loader) releasing(h records.Held, a again, now time.Time) *releasing {
	return &releasing{
		sink: sink{loader: l, options: feed.Options{Zone: l.Zone, Now: now}},
		from: l.readerNamed(h.Feed), what: a,
	}
}

func (r *releasing) into(b records.Batch) error {
	r.batch = b
	if err := r.what.into(&r.sink); err != nil {
		return err
	}
	return r.compose(r.from)
}

// again is what a held row says when it is read again. It is released whole or stays:
// where a part of it still cannot be used, nothing of it is stored.
type again struct {
	facts   []clinical.Version
	beside  []records.Part
	parts   []records.Part
	skipped []skipped
	holds   []records.Held
	seen    []records.SeenCode
	held    bool
	reason  string // why it stays
}

type skipped struct {
	feed string
	kind clinical.Kind
}

func (l *Loader) again(h records.Held, now time.Time) again {
	if r := l.readerNamed(h.Feed); r != nil {
		return readAgain(r, h, l.options(now))
	}
	return again{reason: h.Reason}
}

func readAgain(r feed.Reader, h records.Held, o feed.Options) again {
	var a again
	if err := r.Again(h, o, &a); err != nil { // a, the sink, has no errors; the store may
		return again{reason: err.Error()}
	}
	if a.held || len(a.facts)+len(a.parts)+len(a.skipped) == 0 {
		a.reason = cmp.Or(a.reason, h.Reason, "it cannot be used")
	}
	return a
}

// Put, Beside, Hold, Skip and Notice implement feed.Sink.
func (a *again) Put(v clinical.Version) error { a.facts = append(a.facts, v); return nil }

// Beside implements feed.Sink.
func (a *again) Beside(p records.Part) error { a.beside = append(a.beside, p); return nil }

// Hold keeps the first reason.
func (a *again) Hold(h records.Held) error {
	a.held, a.reason, a.holds = true, cmp.Or(a.reason, h.Reason), append(a.holds, h)
	return nil
}

// Skip implements feed.Sink.
func (a *again) Skip(feedName string, kind clinical.Kind) error {
	a.skipped = append(a.skipped, skipped{feedName, kind})
	return nil
}

// Part implements feed.Sink.
func (a *again) Part(p records.Part) error { a.parts = append(a.parts, p); return nil }

// Notice implements feed.Sink.
func (a *again) Notice(string) {}

// taker takes what a row says: a sink or the store's batch.
type taker interface {
	Put(clinical.Version) error
	Beside(records.Part) error
	Part(records.Part) error
	Skip(feed string, kind clinical.Kind) error
}

// into hands on what the row says.
func (a again) into(b taker) error {
	for _, v := range a.facts {
		if err := b.Put(v); err != nil {
			return err
		}
	}
	for _, p := range a.parts {
		if err := b.Part(p); err != nil {
			return err
		}
	}
	for _, p := range a.beside {
		if err := b.Beside(p); err != nil {
			return err
		}
	}
	for _, s := range a.skipped {
		if err := b.Skip(s.feed, s.kind); err != nil {
			return err
		}
	}
	return nil
}
