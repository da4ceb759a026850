package app

import (
	"context"
	"path/filepath"
	"slices"
	"time"

	"plumbline/internal/ingest"
	"plumbline/internal/notify"
	"plumbline/internal/records"
	"plumbline/internal/web/parts"
)

// feedHealth gathers how the feeds stand, for the pages and the metrics.
func (s *site) feedHealth(ctx context.Context, w *ingest.Watcher, now time.Time) (parts.FeedHealth, error) {
	state, err := s.store.Feeds(ctx)
	if err != nil {
		return parts.FeedHealth{}, err
	}
	h := parts.FeedHealth{FeedState: state, Clock: s.clocks.trouble(now)}
	if h.Units, err = s.checks(nil).States(ctx); err != nil {
		return h, err
	}
	if w != nil {
		h.LastRead, h.Trouble = w.Last().At, s.trouble(w, now)
		if h.Folder, err = filepath.Abs(w.Dir); err != nil {
			return h, err
		}
		h.Files = append(h.Files, unread(w.Last(), state.Files)...)
		h.Growing = w.Last().Growing
	} else if state.LastLoad != nil {
		h.LastRead = state.LastLoad.FinishedAt
	}
	if h.Trouble != "" && state.LastLoad != nil {
		h.SilentSince = state.LastLoad.StartedAt
	}
	if len(s.settings.notify.Channels) > 0 {
		service := notify.Service{Store: s.store, Clock: func() time.Time { return now }}
		h.Telling, err = service.Health(ctx)
	}
	return h, err
}

// unread are the files of the folder that cannot be read as they are, and that no load knows of:
// those of a kind that is not read, and what is no regular file.
func unread(last ingest.Look, known []records.FileState) (out []records.FileState) {
	for _, problem := range last.Refused {
		named := func(f records.FileState) bool { return filepath.Base(f.Name) == problem.File && f.Error != "" }
		if !slices.ContainsFunc(known, named) {
			out = append(out, records.FileState{
				Mark: records.Mark{Name: problem.File}, ReadAt: last.ReadAt, Error: problem.Reason,
			})
		}
	}
	return out
}
