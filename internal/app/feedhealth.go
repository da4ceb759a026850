package app

import (
	"context"
	"path/filepath"
	"time"

	"plumbline/internal/ingest"
	"plumbline/internal/notify"
	"plumbline/internal/web/parts"
)

// feedHealth gathers how the feeds stand, for the pages and the metrics.
func (s *site) feedHealth(ctx context.Context, w *ingest.Watcher, now time.Time) (parts.FeedHealth, error) {
	state, err := s.store.Feeds(ctx)
	if err != nil {
		return parts.FeedHealth{}, err
	}
	h := parts.FeedHealth{HeldTotal: state.Held, Waiting: state.Waiting}
	if w != nil {
		h.FolderSet, h.LastRead, h.Trouble = true, w.Last().At, s.trouble(w, now)
	} else if state.LastLoad != nil {
		h.LastRead = state.LastLoad.FinishedAt
	}
	if h.Trouble != "" && state.LastLoad != nil {
		h.SilentSince = state.LastLoad.StartedAt
	}
	for _, k := range state.Kinds {
		h.Kinds = append(h.Kinds, parts.FeedKind{
			Feed: k.Feed, Kind: k.Kind, ReadAt: k.ReadAt, NewAt: k.NewAt, NewestAt: k.NewestAt, Accepted: k.Accepted, Unchanged: k.Unchanged,
			Superseded: k.Superseded, Waiting: k.Waiting, Held: k.Held, HeldNow: k.HeldNow, WaitingNow: k.WaitingNow,
		})
	}
	for _, f := range state.Files {
		h.Files = append(h.Files, parts.FeedFile{
			Name: filepath.Base(f.Name), Folder: folderOf(s.settings.feedDir, f.Name), LastRead: f.ReadAt,
			Rows: f.Rows, Unchanged: f.Unchanged, Held: f.Held, Error: f.Error,
		})
	}
	if w != nil {
		for _, problem := range w.Last().Summary.Problems {
			if problem.Line == 0 && !named(h.Files, problem.File) { // a file of a kind that is not read
				h.Files = append(h.Files, parts.FeedFile{Name: problem.File, LastRead: w.Last().ReadAt, Error: problem.Reason})
			}
		}
	}
	h.Telling, err = s.channels(ctx, now)
	return h, err
}

// folderOf is the folder of a file below the feed folder, "" for one that lies in it.
// Of a file that was loaded from elsewhere it is the last folder alone: how the machine
// is laid out is nobody's business who looks at feeds.
func folderOf(feedDir, path string) string {
	full, err := filepath.Abs(feedDir)
	if feedDir == "" || err != nil {
		return filepath.Base(filepath.Dir(path))
	}
	below, err := filepath.Rel(full, filepath.Dir(path))
	switch {
	case err != nil || !filepath.IsLocal(below):
		return filepath.Base(filepath.Dir(path))
	case below == ".":
		return ""
	}
	return below
}

// channels tells how telling goes, of the channels that are set up.
func (s *site) channels(ctx context.Context, now time.Time) ([]parts.Channel, error) {
	if len(s.settings.notify.Channels) == 0 {
		return nil, nil
	}
	service := notify.Service{Store: s.store, Clock: func() time.Time { return now }}
	states, err := service.Health(ctx)
	out := make([]parts.Channel, 0, len(states))
	for _, c := range states {
		out = append(out, parts.Channel{
			Name: c.Channel, LastSent: c.LastSent, FailingSince: c.FailingSince, Trouble: c.Trouble,
			Waiting: c.Waiting, Oldest: c.Oldest, Failed: c.Failed,
		})
	}
	return out, err
}

func named(files []parts.FeedFile, name string) bool {
	for _, f := range files {
		if f.Name == name {
			return true
		}
	}
	return false
}
