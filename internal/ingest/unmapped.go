package ingest

import (
	"context"
	"time"

	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// RetryUnmapped reads the rows again of which some code was told by nothing, where something tells it now:
// what they say with it counts as if it had come so. It returns how many there were.
func (l *Loader) RetryUnmapped(ctx context.Context) (read int, err error) {
	var load int64
	now := l.Clock()
	var found finds
	err = l.Store.EachUnmapped(ctx, func(name string, h records.Held) error {
		r := l.readerNamed(h.Feed)
		if r == nil {
			return nil
		}
		var a again
		if err := r.Again(h, l.options(now), &a); err != nil {
			return err
		}
		codes := a.untold()
		if codes == h.Reason { // the table says nothing new of it
			return nil
		}
		if load == 0 {
			if load, err = l.Store.BeginLoad(ctx, now, retried); err != nil {
				return err
			}
		}
		read++
		if err := l.takeUnmapped(ctx, load, name, r, a, now, &found); err != nil {
			return err
		}
		return l.Store.DoneUnmapped(ctx, h.ID, codes)
	})
	if err != nil || load == 0 {
		return read, err
	}
	s := Summary{Problems: []Problem{}}
	return read, l.finish(ctx, load, &s, found, records.HeldQuery{Load: load})
}

// takeUnmapped stores what a row says now. What it holds back is held already, or is from now on.
func (l *Loader) takeUnmapped(
	ctx context.Context, load int64, name string, r feed.Reader, a again, now time.Time, found *finds,
) error {
	a.skipped = nil // it was counted when it came
	var fresh []records.Held
	for _, h := range a.holds {
		held, err := l.Store.IsHeld(ctx, h)
		if err != nil {
			return err
		}
		if !held {
			fresh = append(fresh, h)
		}
	}
	if len(a.facts)+len(a.parts)+len(a.beside)+len(fresh) == 0 {
		return nil
	}
	s := sink{loader: l, options: l.options(now)}
	_, err := l.Store.Take(ctx, records.Delivery{Load: load, Of: name}, func(b records.Batch) error {
		s.batch = b
		if err := a.into(&s); err != nil {
			return err
		}
		for _, h := range fresh {
			if err := s.Hold(h); err != nil {
				return err
			}
		}
		return s.compose(r)
	})
	found.doubt(s.finds)
	return err
}

// untold are the codes of a row that nothing tells, as one text.
func (a *again) untold() string { return feed.Untold(a.seen) }

// Seen implements feed.Sink: what is read again was counted when it came.
func (a *again) Seen(c records.SeenCode) error {
	a.seen = append(a.seen, c)
	return nil
}

// Unmapped implements feed.Keeper.
func (s *sink) Unmapped(h records.Held, codes []records.SeenCode) error {
	h.Reason = feed.Untold(codes)
	return s.keep(s.batch.Unmapped(h))
}
