package app

import (
	"context"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/notify"
	"plumbline/internal/records"
	"plumbline/internal/web/feeds"
	"plumbline/internal/web/parts"
)

// feedDesk is where the page of the feeds looks at held rows and puts them right.
type feedDesk struct {
	*site
	all sync.Mutex // held while all rows are being read again
}

// retryWait is how long a page waits for all rows to be read again. It is shorter than
// the time in which an answer must be given.
const retryWait = 15 * time.Second

// Held implements feeds.FeedDesk.
func (d *feedDesk) Held(ctx context.Context, kind clinical.Kind, offset, limit int) ([]feeds.HeldRow, error) {
	held, err := d.store.HeldRows(ctx, records.HeldQuery{Kind: kind, Offset: offset, Limit: limit})
	out := make([]feeds.HeldRow, 0, len(held))
	for _, h := range held {
		out = append(out, heldRowOf(h))
	}
	return out, err
}

// Row implements feeds.FeedDesk.
func (d *feedDesk) Row(ctx context.Context, id int64) (feeds.HeldRow, error) {
	h, err := d.store.HeldRow(ctx, id)
	if err != nil {
		return feeds.HeldRow{}, err
	}
	row := heldRowOf(h)
	if row.Record = []string{string(h.Original)}; h.Feed == csvfeed.Feed {
		row.Header, row.Record = csvfeed.Cells(h)
		row.Columns = csvfeed.Columns(h.Kind)
	}
	return row, nil
}

func heldRowOf(h records.Held) feeds.HeldRow {
	return feeds.HeldRow{
		ID: h.ID, File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID, Reason: ingest.ReasonOf(h), FirstSeen: h.FirstSeen,
	}
}

// Retry implements feeds.FeedDesk. Reading all rows goes on when the page stops
// waiting for it.
func (d *feedDesk) Retry(ctx context.Context, id int64) (feeds.RowEnds, bool, error) {
	if id != 0 {
		summary, err := d.loader.RetryRow(ctx, id)
		return endsOf(summary), true, err
	}
	if !d.all.TryLock() {
		return feeds.RowEnds{}, false, nil // somebody else has asked for it
	}
	type outcome struct {
		summary ingest.Summary
		err     error
	}
	done := make(chan outcome, 1)
	go func() {
		defer d.all.Unlock()
		summary, err := d.loader.Retry(context.WithoutCancel(ctx))
		if err != nil {
			d.log.Error("the rows held back could not all be read again", "error", err)
		}
		done <- outcome{summary, err}
	}()
	wait := time.NewTimer(retryWait)
	defer wait.Stop()
	select {
	case o := <-done:
		return endsOf(o.summary), true, o.err
	case <-wait.C:
	case <-ctx.Done():
	}
	return feeds.RowEnds{}, false, nil
}

// Fix implements feeds.FeedDesk.
func (d *feedDesk) Fix(ctx context.Context, id int64, columns, cells []string, who string) (feeds.RowEnds, string, error) {
	summary, reason, err := d.loader.Fix(ctx, id, csvfeed.Encode(columns), csvfeed.Encode(cells), who)
	return endsOf(summary), reason, err
}

// Fixed implements feeds.FeedDesk.
func (d *feedDesk) Fixed(ctx context.Context, limit int) ([]feeds.FixedRow, error) {
	fixes, err := d.store.LastFixes(ctx, limit)
	out := make([]feeds.FixedRow, 0, len(fixes))
	for _, f := range fixes {
		out = append(out, feeds.FixedRow{
			File: f.Was.File, Line: f.Was.Line, Kind: f.Was.Kind, SourceID: f.Was.SourceID, Reason: f.Was.Reason,
			Who: f.Who, At: f.At, Changed: changedCells(f),
		})
	}
	return out, err
}

// changedCells are the cells that are read otherwise than they were received.
func changedCells(f records.Fix) []feeds.ChangedCell {
	var out []feeds.ChangedCell
	header, record := csvfeed.Cells(f.Was)
	columns, cells := csvfeed.Cells(records.Held{Context: f.Context, Original: f.Original})
	for n, column := range columns {
		was := ""
		if at := slices.Index(header, column); at >= 0 && len(record) == len(header) {
			was = record[at]
		}
		if n < len(cells) && was != cells[n] {
			out = append(out, feeds.ChangedCell{Column: column, Was: was, Is: cells[n]})
		}
	}
	return out
}

func endsOf(s ingest.Summary) feeds.RowEnds {
	e := feeds.RowEnds{Accepted: s.Accepted, Unchanged: s.Unchanged, Superseded: s.Superseded, Waiting: s.Waiting, Quarantined: s.Quarantined}
	for _, p := range s.Problems {
		e.Problems = append(e.Problems, problemLine(p))
	}
	return e
}

// feedHealth gathers how the feeds stand, for the pages and the metrics.
func (s *site) feedHealth(ctx context.Context, w *ingest.Watcher, now time.Time) (parts.FeedHealth, error) {
	state, err := s.store.Feeds(ctx)
	if err != nil {
		return parts.FeedHealth{}, err
	}
	h := parts.FeedHealth{HeldTotal: state.Quarantined, Waiting: state.Waiting}
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
			Superseded: k.Superseded, Waiting: k.Waiting, Quarantined: k.Quarantined, HeldNow: k.HeldNow, WaitingNow: k.WaitingNow,
		})
	}
	for _, f := range state.Files {
		h.Files = append(h.Files, parts.FeedFile{
			Name: filepath.Base(f.Name), Folder: folderOf(s.settings.feedDir, f.Name), LastRead: f.ReadAt,
			Rows: f.Rows, Unchanged: f.Unchanged, Quarantined: f.Quarantined, Error: f.Error,
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
