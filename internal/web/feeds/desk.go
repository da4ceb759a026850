package feeds

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"

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

// HeldRow is a held row with its cells: as it was received, and the columns that its kind
// has. Header is empty, and Record the row as it stood, where it could not be parted.
type HeldRow struct {
	records.Held
	Header, Record, Columns []string
}

// FixedRow is a row that somebody has put right, with the cells that are read otherwise
// than they were received.
type FixedRow struct {
	records.Fix
	Changed []ChangedCell
}

// ChangedCell is a cell of a row that was put right.
type ChangedCell struct{ Column, Was, Is string }

// Row is a held row. The error of this and the next two is clinical.NotFound where it is
// not held any more.
func (d *Desk) Row(ctx context.Context, id int64) (HeldRow, error) {
	h, err := d.Rows.HeldRow(ctx, id)
	if err != nil {
		return HeldRow{}, err
	}
	row := HeldRow{Held: h}
	if row.Record = []string{string(h.Original)}; h.Feed == csvfeed.Feed {
		row.Header, row.Record = csvfeed.Cells(h)
		row.Columns = csvfeed.Columns(h.Kind)
	}
	return row, nil
}

// Retry reads a row again, or all of them for 0. done is false where that takes longer
// than a page should; it then goes on, and so it does when the page is no longer waited for.
func (d *Desk) Retry(ctx context.Context, id int64) (ends ingest.Summary, done bool, err error) {
	if id != 0 {
		summary, err := d.Loader.RetryRow(ctx, id)
		return summary, true, err
	}
	if !d.all.TryLock() {
		return ingest.Summary{}, false, nil // somebody else has asked for it
	}
	type outcome struct {
		summary ingest.Summary
		err     error
	}
	finished := make(chan outcome, 1)
	go func() {
		summary, err := d.retryAll(context.WithoutCancel(ctx))
		finished <- outcome{summary, err} // the desk is free by now: who reads this may ask again
	}()
	wait := time.NewTimer(retryWait)
	defer wait.Stop()
	select {
	case o := <-finished:
		return o.summary, true, o.err
	case <-wait.C:
	case <-ctx.Done():
	}
	return ingest.Summary{}, false, nil
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

// Fix reads a row as it was put right. A reason says why it still cannot be used.
func (d *Desk) Fix(
	ctx context.Context, id int64, columns, cells []string, who string,
) (ends ingest.Summary, reason string, err error) {
	return d.Loader.Fix(ctx, id, csvfeed.Encode(columns), csvfeed.Encode(cells), who)
}

// Fixed lists the rows put right last, newest first.
func (d *Desk) Fixed(ctx context.Context, limit int) ([]FixedRow, error) {
	fixes, err := d.Rows.LastFixes(ctx, limit)
	out := make([]FixedRow, 0, len(fixes))
	for _, f := range fixes {
		out = append(out, FixedRow{f, changedCells(f)})
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
