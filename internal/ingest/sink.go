package ingest

import (
	"context"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// sink stands between a reader and the store's batch: it remembers what people must be
// told of, and reads in place of a held row what somebody has put right.
type sink struct {
	finds
	loader  *Loader
	batch   records.Batch
	failed  error // of the store, not of the file
	fixes   map[string]records.Fix
	options feed.Options
}

// Put implements feed.Sink.
func (s *sink) Put(v clinical.Version) error {
	s.look(v)
	return s.keep(s.batch.Put(v))
}

// look notes a reading with a value that is not believed.
func (s *sink) look(v clinical.Version) {
	if len(s.loader.doubts(v)) > 0 {
		s.doubt(finds{doubted: []string{v.SourceID}})
	}
}

// Beside implements feed.Sink.
func (s *sink) Beside(p records.Part) error { return s.keep(s.batch.Beside(p)) }

// Hold implements feed.Sink. A row that somebody has put right is not held.
func (s *sink) Hold(h records.Held) error {
	if f, known := s.fixes[s.loader.fixKey(h)]; known {
		right := h
		right.Original, right.Context = f.Original, f.Context
		if r := s.loader.readerNamed(h.Feed); r != nil {
			if a := readAgain(r, right, s.options); a.reason == "" {
				return a.into(s)
			}
		}
	}
	h.RetryAt = retryAt(h, s.options.Now)
	return s.keep(s.batch.Hold(h))
}

// retryAt is when a held row is read again by itself: where it lies ahead of the clock, once it
// does not any more.
func retryAt(h records.Held, now time.Time) time.Time {
	if at := feed.AheadUntil(h.Reason); at.After(now) {
		return at
	}
	return time.Time{}
}

// Skip implements feed.Sink.
func (s *sink) Skip(feedName string, kind clinical.Kind) error {
	return s.keep(s.batch.Skip(feedName, kind))
}

// Part implements feed.Sink.
func (s *sink) Part(p records.Part) error { return s.keep(s.batch.Part(p)) }

// Seen implements feed.Sink.
func (s *sink) Seen(c records.SeenCode) error { return s.keep(s.batch.Seen(c)) }

// Notice implements feed.Sink.
func (s *sink) Notice(text string) { s.notices = append(s.notices, Problem{Reason: text}) }

// compose makes facts of the parts that the reader handed on, where it makes any.
func (s *sink) compose(from feed.Reader) error {
	composer, makes := from.(feed.Composer)
	if !makes {
		return nil
	}
	return s.keep(s.batch.Compose(from.Feed(), func(topic string, look records.Look) (records.Composed, error) {
		made, err := composer.Compose(topic, look, s.options)
		if err == nil {
			made, err = s.withoutEchoes(topic, look, made)
		}
		for _, v := range made.Versions {
			s.look(v)
		}
		return made, err
	}))
}

// keep keeps the store's error apart from the file's.
func (s *sink) keep(err error) error {
	if err != nil {
		s.failed = err
	}
	return err
}

// fixesOf are the rows of a file that were put right, by what they were.
func (l *Loader) fixesOf(ctx context.Context, path string) (map[string]records.Fix, error) {
	list, err := l.Store.FixesOf(ctx, path)
	out := make(map[string]records.Fix, len(list))
	for _, f := range list { // of two, the later one
		out[l.fixKey(f.Was)] = f
	}
	return out, err
}

// fixKey tells a held row by all that was received of it, wherever in its file it stands.
func (l *Loader) fixKey(h records.Held) string {
	if r := l.readerNamed(h.Feed); r != nil {
		return h.Feed + " " + r.Key(h)
	}
	return h.Feed + " " + string(h.Original)
}
