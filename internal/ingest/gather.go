package ingest

import (
	"context"
	"io"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// options are what a reader must know of the site, the moment and what was gathered.
func (l *Loader) options(ctx context.Context, r feed.Reader, now time.Time) feed.Options {
	o := feed.Options{Zone: l.Zone, Now: now}
	if _, ok := r.(feed.Gatherer); !ok {
		return o
	}
	name := r.Feed()
	o.Cards = func(keys, groups []string) ([]records.Card, error) { return l.Store.Cards(ctx, name, keys, groups) }
	o.Known = func(kind clinical.Kind, ids []string) (map[string]bool, error) {
		return l.Store.HasFacts(ctx, kind, ids)
	}
	return o
}

// gather gathers from all files of a load what others must know, before one is read. A file
// that cannot be read is passed over: reading it says why. The errors are the store's, by path.
func (l *Loader) gather(ctx context.Context, sources []source, now time.Time) map[string]error {
	failed := map[string]error{}
	for _, src := range sources {
		if src.err != nil {
			continue
		}
		if err := l.gatherFile(ctx, src, now); err != nil {
			failed[src.path] = err
		}
	}
	return failed
}

func (l *Loader) gatherFile(ctx context.Context, src source, now time.Time) error {
	f, info, err := src.open()
	if err != nil {
		return nil
	}
	defer func() { _ = f.Close() }()
	settled, _, err := src.settled(f, info)
	if err != nil {
		return nil
	}
	text, head, err := feed.Open(settled)
	if err != nil {
		return nil
	}
	if g, ok := l.readerOf(src.name, head).(feed.Gatherer); ok {
		_, err = l.gatherFrom(ctx, g, text, src.name, l.options(ctx, g, now))
	}
	return err
}

// gatherFrom keeps the cards of a file or message. unread says why it cannot be read as a
// whole; err is the store's.
func (l *Loader) gatherFrom(ctx context.Context, g feed.Gatherer, r io.Reader, name string, o feed.Options) (unread, err error) {
	var failed error
	err = l.Store.KeepCards(ctx, func(keep func(records.Card) error) error {
		err := g.Gather(r, name, o, func(c records.Card) error {
			failed = keep(c)
			return failed
		})
		if err != nil && failed == nil {
			unread = err
		}
		return err
	})
	if unread != nil {
		return unread, nil
	}
	return nil, err
}
