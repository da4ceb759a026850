package feeds

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/records"
)

// HeldRows keeps the rows held back; *store.Store is one.
type HeldRows interface {
	HeldRows(ctx context.Context, q records.HeldQuery) ([]records.Held, error)
	HeldRow(ctx context.Context, id int64) (records.Held, error)
	LastFixes(ctx context.Context, limit int) ([]records.Fix, error)
}

// Desk looks at held rows in a store, and has a loader read them again.
type Desk struct {
	Rows   HeldRows
	Loader *ingest.Loader
	Log    *slog.Logger

	all sync.Mutex // held while all rows are being read again
}

// retryWait is how long a page waits for all rows to be read again. It is shorter than
// the time in which an answer must be given.
const retryWait = 15 * time.Second

// Held implements FeedDesk.
func (d *Desk) Held(ctx context.Context, kind clinical.Kind, offset, limit int) ([]HeldRow, error) {
	held, err := d.Rows.HeldRows(ctx, records.HeldQuery{Kind: kind, Offset: offset, Limit: limit})
	out := make([]HeldRow, 0, len(held))
	for _, h := range held {
		out = append(out, heldRowOf(h))
	}
	return out, err
}

// Row implements FeedDesk.
func (d *Desk) Row(ctx context.Context, id int64) (HeldRow, error) {
	h, err := d.Rows.HeldRow(ctx, id)
	if err != nil {
		return HeldRow{}, err
	}
	row := heldRowOf(h)
	if row.Record = []string{string(h.Original)}; h.Feed == csvfeed.Feed {
		row.Header, row.Record = csvfeed.Cells(h)
		row.Columns = csvfeed.Columns(h.Kind)
	}
	return row, nil
}

func heldRowOf(h records.Held) HeldRow {
	return HeldRow{
		ID: h.ID, File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID, Reason: ingest.ReasonOf(h), FirstSeen: h.FirstSeen,
	}
}

// Retry implements FeedDesk. Reading all rows goes on when the page stops
// waiting for it.
func (d *Desk) Retry(ctx context.Context, id int64) (RowEnds, bool, error) {
	if id != 0 {
		summary, err := d.Loader.RetryRow(ctx, id)
		return endsOf(summary), true, err
	}
	if !d.all.TryLock() {
		return RowEnds{}, false, nil // somebody else has asked for it
	}
	type outcome struct {
		summary ingest.Summary
		err     error
	}
	done := make(chan outcome, 1)
	go func() {
		summary, err := d.retryAll(context.WithoutCancel(ctx))
		done <- outcome{summary, err} // the desk is free by now: who reads this may ask again
	}()
	wait := time.NewTimer(retryWait)
	defer wait.Stop()
	select {
	case o := <-done:
		return endsOf(o.summary), true, o.err
	case <-wait.C:
	case <-ctx.Done():
	}
	return RowEnds{}, false, nil
}

// retryAll reads all rows again and frees the desk.
func (d *Desk) retryAll(ctx context.Context) (ingest.Summary, error) {
	defer d.all.Unlock()
	summary, err := d.Loader.Retry(ctx)
	if err != nil {
		d.Log.Error("the rows held back could not all be read again", "error", err)
	}
	return summary, err
}

// Fix implements FeedDesk.
func (d *Desk) Fix(ctx context.Context, id int64, columns, cells []string, who string) (RowEnds, string, error) {
	summary, reason, err := d.Loader.Fix(ctx, id, csvfeed.Encode(columns), csvfeed.Encode(cells), who)
	return endsOf(summary), reason, err
}

// Fixed implements FeedDesk.
func (d *Desk) Fixed(ctx context.Context, limit int) ([]FixedRow, error) {
	fixes, err := d.Rows.LastFixes(ctx, limit)
	out := make([]FixedRow, 0, len(fixes))
	for _, f := range fixes {
		out = append(out, FixedRow{
			File: f.Was.File, Line: f.Was.Line, Kind: f.Was.Kind, SourceID: f.Was.SourceID, Reason: f.Was.Reason,
			Who: f.Who, At: f.At, Changed: changedCells(f),
		})
	}
	return out, err
}

// changedCells are the cells that are read otherwise than they were received.
func changedCells(f records.Fix) []ChangedCell {
	var out []ChangedCell
	header, record := csvfeed.Cells(f.Was)
	columns, cells := csvfeed.Cells(records.Held{Context: f.Context, Original: f.Original})
	for n, column := range columns {
		was := ""
		if at := slices.Index(header, column); at >= 0 && len(record) == len(header) {
			was = record[at]
		}
		if n < len(cells) && was != cells[n] {
			out = append(out, ChangedCell{Column: column, Was: was, Is: cells[n]})
		}
	}
	return out
}

func endsOf(s ingest.Summary) RowEnds {
	e := RowEnds{Accepted: s.Accepted, Unchanged: s.Unchanged, Superseded: s.Superseded, Waiting: s.Waiting, Held: s.Held}
	for _, p := range s.Problems {
		e.Problems = append(e.Problems, p.String())
	}
	return e
}
