package store

import (
	"context"
	"errors"
	"fmt"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Take takes a delivery in, in one transaction: the versions and the held rows that
// read hands on are stored together with the bookmark, and nothing of them where read
// returns an error. It is the only way of facts into the store.
//
//   - A file: an error is noted with it, and its earlier versions, held rows and bookmark
//     stay as they were. Rows that were held when the file was last read give way to
//     those of this time.
//   - A message: one that was taken in before is answered as it was then, and not read
//     again. The error carries clinical.Conflict where its content was another.
//   - A held row: it leaves the quarantine. The error carries clinical.NotFound where it
//     is not held any more.
//
// A version that is held already is not stored again. Where it now stands at a
// larger place (file by its bytes, then line) it takes that place, so that which
// of two versions recorded at one moment counts does not depend on the order in
// which files were read.
//
// Memory does not grow with what is read. Only one delivery is written at a time;
// read must not call methods of the store that write, for they would wait for it.
func (s *Store) Take(ctx context.Context, d records.Delivery, read func(records.Batch) error) (records.Taken, error) {
	var in intake
	err := s.writing(ctx, func(tx *gorm.DB, versions versionSink) error {
		in = intake{ctx: ctx, tx: tx, versions: versions, delivery: d, keepUnmapped: s.KeepUnmapped}
		return in.take(read)
	})
	if err == nil {
		return in.taken, nil
	}
	if d.File != nil && !d.Growing && in.load.ID != 0 && ctx.Err() == nil { // being stopped is not the file's error
		if noting := s.noteError(ctx, in.load, plain(d.File.Name), err); noting != nil {
			err = errors.Join(err, noting)
		}
	}
	return records.Taken{}, err
}

// intake is a delivery that is being taken in.
type intake struct {
	ctx      context.Context
	tx       *gorm.DB
	versions versionSink
	delivery records.Delivery
	load     loadRow

	keepUnmapped int64
	taken        records.Taken
}

func (in *intake) take(read func(records.Batch) error) error {
	if known, err := in.answered(); known || err != nil {
		return err
	}
	if err := in.open(); err != nil {
		return err
	}
	if in.delivery.Release != 0 {
		if err := release(in.tx, in.load, in.delivery); err != nil {
			return err
		}
	}
	counts, err := in.store(read)
	if err != nil {
		return err
	}
	if err := in.bookmark(counts); err != nil {
		return err
	}
	if err := in.queue(); err != nil {
		return err
	}
	if in.delivery.Load == 0 {
		if in.taken.Counts, err = finishLoad(in.tx, in.load.ID, in.delivery.At); err == nil {
			err = dropNotes(in.tx, "load_id = ?", in.load.ID) // nobody asks for its rows by name
		}
	}
	return err
}

// answered reports whether the delivery is a message that was taken in before.
func (in *intake) answered() (bool, error) {
	m := in.delivery.Message
	if m == nil {
		return false, nil
	}
	row := messageRowOf(*m)
	var held []messageRow
	if err := in.tx.Where("feed = ? AND id = ?", row.Feed, row.ID).Find(&held).Error; err != nil || len(held) == 0 {
		in.taken.Message = row.message()
		return false, err
	}
	if held[0].Sum != row.Sum || held[0].StayID != row.StayID {
		return true, clinical.Errorf(clinical.Conflict, "a message with this number is stored already, with other content")
	}
	in.taken.Repeated, in.taken.Message = true, held[0].message()
	return true, nil
}

// open finds the load that the delivery is part of, or begins one.
func (in *intake) open() (err error) {
	if in.delivery.Load != 0 {
		in.load, err = findLoad(in.tx, in.delivery.Load)
		return err
	}
	in.load = loadRow{StartedAt: micros(in.delivery.At), How: plain(in.delivery.How)}
	return openLoad(in.tx, &in.load)
}

// name is that of the bookmark; a row that is released has none.
func (in *intake) name() string {
	switch {
	case in.delivery.File != nil:
		return plain(in.delivery.File.Name)
	case in.delivery.Message != nil:
		return plain(in.delivery.Message.Name())
	case in.delivery.Of != "":
		return plain(in.delivery.Of)
	}
	return ""
}

// store stores what read hands on.
func (in *intake) store(read func(records.Batch) error) (records.FileCounts, error) {
	b, err := newBatch(in.ctx, in.tx, in.versions, in.load, in.name())
	if err != nil {
		return records.FileCounts{}, err
	}
	if in.delivery.Of == "" { // they are kept already
		b.keepUnmapped = in.keepUnmapped
	}
	defer b.wait() // also where read fails, or panics
	if err := read(b); err != nil {
		return b.result, err
	}
	if err := b.close(); err != nil { // also of a Put whose error read passed over
		return b.result, err
	}
	if in.delivery.File != nil {
		err = b.replaceHeld()
	}
	return b.result, err
}

// bookmark keeps what tells that the delivery was taken in, and counts its rows.
func (in *intake) bookmark(counts records.FileCounts) (err error) {
	switch {
	case in.delivery.File != nil:
		err = saveMark(in.tx, in.load, *in.delivery.File, counts)
	case in.delivery.Message != nil:
		row := messageRowOf(*in.delivery.Message)
		err = in.tx.Create(&row).Error
	}
	if err != nil {
		return err
	}
	return in.tx.Exec(`UPDATE loads SET files = files + 1, rows = rows + ?, unchanged = unchanged + ?, skipped = skipped + ?,
		quarantined = quarantined + ? WHERE id = ?`,
		counts.Rows, counts.Unchanged, counts.Skipped, counts.Held, in.load.ID).Error
}

func saveMark(tx *gorm.DB, load loadRow, mark records.Mark, counts records.FileCounts) error {
	row := fileRow{
		Name: plain(mark.Name), Size: &mark.Size, Hash: &mark.Hash,
		Rows: &counts.Rows, Unchanged: &counts.Unchanged, Skipped: &counts.Skipped, Held: &counts.Held,
		LoadID: load.ID, ReadAt: load.StartedAt,
	}
	if !mark.ModTime.IsZero() {
		ns := mark.ModTime.UnixNano()
		row.ModTimeNS = &ns
	}
	return tx.Clauses(clause.OnConflict{UpdateAll: true}).Create(&row).Error
}

// noteError notes with a file why it could not be read.
func (s *Store) noteError(ctx context.Context, load loadRow, name string, cause error) error {
	row := fileRow{Name: name, LoadID: load.ID, ReadAt: load.StartedAt, Error: plain(cause.Error())}
	keepTheRest := clause.OnConflict{
		Columns:   []clause.Column{{Name: "name"}},
		DoUpdates: clause.AssignmentColumns([]string{"load_id", "read_at", "error"}),
	}
	if err := s.write.WithContext(ctx).Clauses(keepTheRest).Create(&row).Error; err != nil {
		return fmt.Errorf("noting the error with the file: %w", err)
	}
	return nil
}
