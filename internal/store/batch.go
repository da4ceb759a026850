package store

import (
	"context"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// chunkRows is how many rows are gathered before they are written. It bounds the
// memory of a load, and pays for the statements that a write costs.
var chunkRows = 5000 // tests make it smaller

// chunkBytes is how much rows may hold before they are written, however few they are.
const chunkBytes = 8 << 20

// batch implements records.Batch: it gathers rows into chunks. While a chunk is written
// the next one is gathered, for reading a file and writing to the database take
// about as long as each other.
type batch struct {
	flusher
	name    string // of the file in feed_files
	reading int64  // of the file
	result  records.FileCounts
	err     error // the first error; after it the transaction is lost
	scratch []byte
	skipped map[feedKind]int
	parts   []partRow
	seen    map[seenKey]seenCodeRow

	unmapped         []unmappedRow
	unmappedGathered int64 // bytes of them
	unmappedBytes    int64 // of the delivery
	keepUnmapped     int64

	lastHeldID int64 // of the held rows before this file was read

	gathering, spare *rowChunk
	flushing         chan flushed // of the other chunk; nil while none is written
}

// rowChunk is a number of rows that are written together.
type rowChunk struct {
	rows   []versionRow // they differ from each other
	twins  []twin
	byHash map[hash]int // into rows
	held   []heldRow
	bytes  int // of what the rows hold
}

// twin is a row that says the same as the n-th one of the chunk.
type twin struct {
	n     int
	place place // the smaller of the two
}

// flushed is what came of writing a chunk.
type flushed struct {
	unchanged int
	err       error
}

func newChunk() *rowChunk { return &rowChunk{byHash: map[hash]int{}} }

func (c *rowChunk) size() int { return len(c.rows) + len(c.twins) + len(c.held) }

func (c *rowChunk) clear() {
	clear(c.byHash)
	clear(c.rows) // what they hold may be large
	clear(c.held)
	c.rows, c.twins, c.held, c.bytes = c.rows[:0], c.twins[:0], c.held[:0], 0
}

func (c *rowChunk) add(row versionRow) {
	n, twice := c.byHash[row.hash]
	switch {
	case !twice:
		c.byHash[row.hash] = len(c.rows)
		c.rows = append(c.rows, row)
		c.bytes += len(row.body)
		return
	}
	t := twin{n, row.place}
	if c.rows[n].place.before(row.place) {
		t.place = c.rows[n].place
		c.rows[n].place, c.rows[n].feed = row.place, row.feed
	}
	c.twins = append(c.twins, t)
}

// newBatch begins a batch. Whoever makes one waits for it before the transaction ends.
func newBatch(ctx context.Context, tx *gorm.DB, versions versionSink, load loadRow, name string) (*batch, error) {
	b := &batch{
		flusher:   flusher{ctx: ctx, tx: tx, versions: versions, load: load},
		name:      name,
		skipped:   map[feedKind]int{},
		gathering: newChunk(),
		spare:     newChunk(),
	}
	var err error
	if b.lastID, err = lastVersion(tx); err != nil {
		return nil, err
	}
	b.reading = load.ID<<20 | load.Files // grows with every file read
	err = told(tx.Raw("SELECT coalesce(max(id), 0) FROM quarantined_rows").Row().Scan(&b.lastHeldID))
	return b, err
}

// Put implements records.Batch.
func (b *batch) Put(v clinical.Version) error {
	if b.err != nil {
		return b.err
	}
	b.result.Rows++
	v.Reading = b.reading
	var row versionRow
	if row, b.scratch, b.err = rowOf(v, b.scratch); b.err != nil {
		return b.err
	}
	b.gathering.add(row)
	return b.flushFull()
}

// Hold implements records.Batch.
func (b *batch) Hold(h records.Held) error {
	if b.err != nil {
		return b.err
	}
	b.result.Rows++
	b.result.Held++
	b.gathering.held = append(b.gathering.held, b.heldRow(h))
	b.gathering.bytes += len(h.Original) + len(h.Context)
	return b.flushFull()
}

// Skip implements records.Batch.
func (b *batch) Skip(feed string, kind clinical.Kind) error {
	if b.err != nil {
		return b.err
	}
	b.result.Rows++
	b.result.Skipped++
	b.skipped[feedKind{plain(feed), plain(string(kind))}]++
	return nil
}

func (b *batch) heldRow(h records.Held) heldRow {
	return heldRow{
		Name: b.name, File: plain(h.File), Line: h.Line, Kind: plain(string(h.Kind)), SourceID: plain(h.SourceID),
		Status: plain(string(h.Status)), Reason: plain(h.Reason), Feed: plain(h.Feed),
		Context: someBytes(h.Context), Original: someBytes(h.Original),
		LoadID: b.load.ID, FirstSeen: b.load.StartedAt, LastSeen: b.load.StartedAt, RetryAt: optional(h.RetryAt),
	}
}

func (b *batch) flushFull() error {
	if b.gathering.size() < chunkRows && b.gathering.bytes < chunkBytes {
		return nil
	}
	if b.wait(); b.err == nil {
		b.start()
	}
	return b.err
}

// start writes the chunk gathered, in the background.
func (b *batch) start() {
	full, done := b.gathering, make(chan flushed, 1)
	b.gathering, b.spare, b.flushing = b.spare, full, done
	go func() {
		unchanged, err := b.flush(full)
		full.clear()
		done <- flushed{unchanged, err}
	}()
}

// wait waits until the chunk that is being written is.
func (b *batch) wait() {
	if b.flushing == nil {
		return
	}
	f := <-b.flushing
	b.flushing = nil
	b.result.Unchanged += f.unchanged
	if b.err == nil {
		b.err = f.err
	}
}

// close writes what is left.
func (b *batch) close() error {
	if b.err == nil {
		b.err = b.flushParts()
	}
	if b.err == nil {
		b.err = b.flushUnmapped()
	}
	if b.wait(); b.err == nil {
		b.start()
		b.wait()
	}
	if b.err == nil {
		b.err = b.saveSeen()
	}
	for of, n := range b.skipped {
		if b.err == nil {
			b.err = b.tx.Exec(`INSERT INTO skipped_rows (load_id, feed, kind, rows) VALUES (?, ?, ?, ?)
				ON CONFLICT (load_id, feed, kind) DO UPDATE SET rows = skipped_rows.rows + excluded.rows`, b.load.ID, of.feed, of.kind, n).Error
		}
	}
	return b.err
}
