package app

import (
	"context"
	"time"

	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/store"
)

// feedStore is the store as the loader wants it: the readers know nothing of
// how rows are kept.
type feedStore struct{ *store.Store }

type feedBatch struct{ store.Batch }

func (b feedBatch) Hold(h feed.Held) error {
	return b.Batch.Hold(store.Held{
		File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID, Status: string(h.Status),
		Reason: h.Reason, Feed: h.Feed, Header: h.Header, Record: h.Record,
	})
}

func (s feedStore) LoadFile(ctx context.Context, load int64, m ingest.Mark, read func(ingest.Batch) error) error {
	_, err := s.Store.LoadFile(ctx, load, store.FileMark{Name: m.Name, Size: m.Size, ModTime: m.ModTime},
		func(b store.Batch) error { return read(feedBatch{b}) })
	return err
}

func (s feedStore) FinishLoad(ctx context.Context, load int64, at time.Time) (ingest.Counts, error) {
	r, err := s.Store.FinishLoad(ctx, load, at)
	c := ingest.Counts{
		Rows: r.Rows, Accepted: r.Accepted, Unchanged: r.Unchanged, Superseded: r.Superseded,
		Waiting: r.Waiting, Quarantined: r.Quarantined,
	}
	for _, w := range r.WaitingRows {
		c.WaitingRows = append(c.WaitingRows, ingest.RowRef{
			File: w.File, Line: w.Line, Kind: w.Kind, SourceID: w.SourceID, StayID: w.StayID,
		})
	}
	return c, err
}

func (s feedStore) Newest(ctx context.Context, load int64, kind clinical.Kind, sourceIDs []string, each func(clinical.Version) error) error {
	return s.AcceptedAmong(ctx, load, kind, sourceIDs, each)
}

func (s feedStore) Marks(ctx context.Context) (map[string]ingest.Mark, error) {
	marks, err := s.FileMarks(ctx)
	out := make(map[string]ingest.Mark, len(marks))
	for name, m := range marks {
		out[name] = ingest.Mark{Name: m.Name, Size: m.Size, ModTime: m.ModTime}
	}
	return out, err
}

func (s feedStore) HeldFacts(ctx context.Context, kind clinical.Kind, sourceIDs []string) (map[string]bool, error) {
	return s.HasFacts(ctx, kind, sourceIDs)
}

func (s feedStore) Held(ctx context.Context, id int64) (map[int64]feed.Held, error) {
	rows, err := s.HeldRows(ctx, store.HeldQuery{ID: id})
	out := make(map[int64]feed.Held, len(rows))
	for _, h := range rows {
		out[h.ID] = heldOf(h)
	}
	return out, err
}

func (s feedStore) Fix(ctx context.Context, load int64, id int64, v clinical.Version, f feed.Fix) error {
	return s.FixRow(ctx, load, id, v, store.RowFix{NewHeader: f.NewHeader, NewRecord: f.NewRecord, Who: f.Who, At: f.At})
}

func (s feedStore) Fixes(ctx context.Context, path string) ([]feed.Fix, error) {
	rows, err := s.FixesOf(ctx, path)
	out := make([]feed.Fix, len(rows))
	for n, r := range rows {
		out[n] = feed.Fix{
			Kind: r.Kind, Header: r.Header, Record: r.Record, NewHeader: r.NewHeader, NewRecord: r.NewRecord, Who: r.Who, At: r.At,
		}
	}
	return out, err
}

func heldOf(h store.Held) feed.Held {
	return feed.Held{
		Feed: h.Feed, File: h.File, Line: h.Line, Kind: h.Kind, SourceID: h.SourceID,
		Status: clinical.Status(h.Status), Reason: h.Reason, Header: h.Header, Record: h.Record,
	}
}

// heldReason is the reason of a row held back, as people should read it now.
func heldReason(h store.Held) string { return ingest.NameCorrection(heldOf(h), h.Correction) }

// factStore is the store as the answers want it.
type factStore struct {
	*store.Store
	// keep, where set, takes digests to be written behind the answer: a page
	// must not wait for a file that is being loaded.
	keep func([]store.Digest)
}

func (s factStore) Kept(ctx context.Context, stayIDs []string) (map[string]assess.Kept, map[string]int64, error) {
	digests, revisions, err := s.Digests(ctx, stayIDs)
	out := make(map[string]assess.Kept, len(digests))
	for stay, d := range digests {
		out[stay] = assess.Kept(d)
	}
	return out, revisions, err
}

func (s factStore) Keep(ctx context.Context, digests []assess.Kept) error {
	out := make([]store.Digest, len(digests))
	for n, d := range digests {
		out[n] = store.Digest(d)
	}
	if s.keep != nil {
		s.keep(out)
		return nil
	}
	return s.SaveDigests(ctx, out)
}
