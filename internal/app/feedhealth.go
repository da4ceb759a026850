package app

import (
	"context"
	"path/filepath"
	"slices"
	"time"

	"plumbline/internal/ingest"
	"plumbline/internal/notify"
	"plumbline/internal/records"
	"plumbline/internal/store"
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
	if h.Gaps, err = s.watch.GapsNow(ctx); err != nil {
		return h, err
	}
	if h.Outbox, err = s.outboxStates(ctx); err != nil {
		return h, err
	}
	lease, mine := s.lease.standing()
	h.Lease = s.leaseShown()
	h.Trouble = s.trouble(w, now)
	if w != nil {
		said := lease.Said
		if mine {
			said = s.saidAt(w, now)
		}
		h.LastRead, h.Growing = said.FolderAt, said.Growing
		if h.Folder, err = filepath.Abs(w.Dir); err != nil {
			return h, err
		}
		h.Files = append(h.Files, unread(said.Refused, state.Files)...)
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

// leaseShown is who reads the feeds, nil where nobody else could.
func (s *site) leaseShown() *records.Lease {
	if s.lease == nil || s.store.Engine() != store.Postgres {
		return nil
	}
	l, _ := s.lease.standing()
	return &l
}

// refusedFiles are the files of the folder that cannot be read as they are.
func refusedFiles(last ingest.Look) (out []records.FileState) {
	for _, problem := range last.Refused {
		out = append(out, records.FileState{Mark: records.Mark{Name: problem.File}, ReadAt: last.ReadAt, Error: problem.Reason})
	}
	return out
}

// unread are those of the files that no load knows of: those of a kind that is not read, and what
// is no regular file.
func unread(refused, known []records.FileState) (out []records.FileState) {
	for _, r := range refused {
		named := func(f records.FileState) bool { return filepath.Base(f.Name) == r.Name && f.Error != "" }
		if !slices.ContainsFunc(known, named) {
			out = append(out, r)
		}
	}
	return out
}
