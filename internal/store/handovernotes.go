package store

import (
	"context"
	"fmt"
	"time"

	"plumbline/internal/records"
)

type handoverNoteRow struct {
	Number int64 `gorm:"primaryKey"`
	StayID string
	Unit   string
	Text   string
	Who    string
	At     int64
	Until  int64
	Ends   int64 // the note that this one takes back; 0 for none
}

func (handoverNoteRow) TableName() string { return "handover_notes" }

// AddHandoverNote keeps a note. It counts at once.
func (s *Store) AddHandoverNote(ctx context.Context, n records.HandoverNote) error {
	return s.addNote(ctx, n, 0)
}

// EndHandoverNote takes a note back, in the name and at the moment of n. A note that is not there, or
// of another stay or unit, is not touched.
func (s *Store) EndHandoverNote(ctx context.Context, n records.HandoverNote) error {
	ends := n.Number
	n.Text = ""
	return s.addNote(ctx, n, ends)
}

func (s *Store) addNote(ctx context.Context, n records.HandoverNote, ends int64) error {
	row := handoverNoteRow{
		StayID: plain(n.StayID), Unit: plain(n.Unit), Text: plain(n.Text), Who: plain(n.Who), At: micros(n.At),
		Until: micros(n.Until), Ends: ends,
	}
	if err := s.write.WithContext(ctx).Create(&row).Error; err != nil {
		return fmt.Errorf("keeping a note for the handover: %w", err)
	}
	return nil
}

// HandoverNotes lists the notes of stays, and of a unit ("" for none), that are shown at a moment: the
// first one first.
func (s *Store) HandoverNotes(
	ctx context.Context, unit string, stayIDs []string, at time.Time,
) ([]records.HandoverNote, error) {
	var rows []handoverNoteRow
	err := s.reading(ctx).Where("until > ? AND at <= ?", micros(at), micros(at)).Order("number").Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading the notes for the handover: %w", err)
	}
	of := map[string]bool{}
	for _, id := range stayIDs {
		of[id] = true
	}
	ended := map[int64]handoverNoteRow{}
	for _, r := range rows {
		if r.Ends != 0 {
			ended[r.Ends] = r
		}
	}
	var out []records.HandoverNote
	for _, r := range rows {
		end, over := ended[r.Number]
		over = over && end.StayID == r.StayID && (r.StayID != "" || end.Unit == r.Unit)
		asked := of[r.StayID] || r.StayID == "" && unit != "" && r.Unit == unit
		if r.Ends == 0 && !over && asked {
			out = append(out, records.HandoverNote{
				Number: r.Number, StayID: r.StayID, Unit: r.Unit, Text: r.Text, Who: r.Who,
				At: fromMicros(r.At), Until: fromMicros(r.Until),
			})
		}
	}
	return out, nil
}
