package webtest

import (
	"context"
	"slices"
	"time"

	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest/csvfeed"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/web/feeds"
	"plumbline/internal/web/parts"
)

// Desk is a feeds.FeedDesk of rows in memory. A row's number is its place, from 1.
type Desk struct {
	*assesstest.Memory
	Zone *time.Location
	Now  time.Time

	fixed []feeds.FixedRow
	gone  []int // places of rows that read now
}

// Held implements feeds.FeedDesk.
func (d *Desk) Held(_ context.Context, kind clinical.Kind, offset, limit int) ([]feeds.HeldRow, error) {
	var out []feeds.HeldRow
	for n, h := range d.Rows {
		if !slices.Contains(d.gone, n) && (kind == "" || h.Kind == kind) {
			out = append(out, d.row(n))
		}
	}
	out = out[min(offset, len(out)):]
	return out[:min(limit, len(out))], nil
}

func (d *Desk) row(n int) feeds.HeldRow {
	h := d.Rows[n]
	header, record := csvfeed.Cells(h)
	return feeds.HeldRow{
		ID: int64(n) + 1, File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID, Reason: h.Reason,
		FirstSeen: d.Now.Add(-2 * time.Hour),
		Header:    header, Record: record, Columns: csvfeed.Columns(h.Kind),
	}
}

// Row implements feeds.FeedDesk.
func (d *Desk) Row(_ context.Context, id int64) (feeds.HeldRow, error) {
	n := int(id) - 1
	if n < 0 || n >= len(d.Rows) || slices.Contains(d.gone, n) {
		return feeds.HeldRow{}, clinical.Errorf(clinical.NotFound, "the row %d is not held back any more", id)
	}
	return d.row(n), nil
}

// Retry implements feeds.FeedDesk: the rows of the demo stay held back.
func (d *Desk) Retry(_ context.Context, id int64) (feeds.RowEnds, bool, error) {
	if id != 0 {
		return feeds.RowEnds{Quarantined: 1}, true, nil
	}
	return feeds.RowEnds{Quarantined: len(d.Rows) - len(d.gone)}, true, nil
}

// Fix implements feeds.FeedDesk.
func (d *Desk) Fix(_ context.Context, id int64, columns, cells []string, who string) (feeds.RowEnds, string, error) {
	h := d.row(int(id) - 1)
	v, reason := csvfeed.Parse(h.Kind, columns, cells, feed.Options{Zone: d.Zone, Now: d.Now})
	if reason != "" {
		return feeds.RowEnds{}, reason, nil
	}
	v.Feed, v.File, v.Line = csvfeed.Feed, h.File, h.Line
	d.All, d.gone = append(d.All, v), append(d.gone, int(id)-1)
	d.fixed = append(d.fixed, feeds.FixedRow{
		File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID, Reason: h.Reason, Who: who, At: d.Now,
	})
	return feeds.RowEnds{Accepted: 1}, "", nil
}

// Fixed implements feeds.FeedDesk.
func (d *Desk) Fixed(_ context.Context, limit int) ([]feeds.FixedRow, error) {
	out := slices.Clone(d.fixed)
	slices.Reverse(out)
	return out[:min(limit, len(out))], nil
}

// kinds are the kinds of the demo's feed, of which every row is taken to be accepted
// or held back.
func (d *Desk) kinds(read time.Time) []parts.FeedKind {
	var out []parts.FeedKind
	for _, kind := range clinical.Kinds {
		k := parts.FeedKind{Feed: csvfeed.Feed, Kind: kind, ReadAt: read, NewAt: read}
		for _, v := range d.All {
			if v.Kind == kind {
				k.Accepted++
				if v.RecordedAt.After(k.NewestAt) && !v.RecordedAt.After(read) {
					k.NewestAt = v.RecordedAt
				}
			}
		}
		for _, h := range d.Rows {
			if h.Kind == kind {
				k.Quarantined, k.HeldNow = k.Quarantined+1, k.HeldNow+1
			}
		}
		out = append(out, k)
	}
	return out
}
