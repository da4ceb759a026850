package store

import (
	"context"
	"fmt"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type messageRow struct {
	Feed       string `gorm:"primaryKey"`
	ID         string `gorm:"primaryKey"`
	Sum        string
	StayID     string
	Who        string
	ReceivedAt int64
	Body       string
}

func (messageRow) TableName() string { return "feed_messages" }

func messageRowOf(m records.Message) messageRow {
	return messageRow{
		Feed: plain(m.Feed), ID: plain(m.ID), Sum: plain(m.Sum), StayID: plain(m.StayID), Who: plain(m.Who),
		ReceivedAt: micros(m.ReceivedAt), Body: plain(string(m.Body)),
	}
}

func (r messageRow) message() records.Message {
	return records.Message{
		Feed: r.Feed, ID: r.ID, Sum: r.Sum, StayID: r.StayID, Who: r.Who,
		ReceivedAt: fromMicros(r.ReceivedAt), Body: []byte(r.Body),
	}
}

// Message is a message that was taken in, by its feed and its sender's id; the error
// carries clinical.NotFound where there is none.
func (s *Store) Message(ctx context.Context, feed, id string) (records.Message, error) {
	var rows []messageRow
	err := s.reading(ctx).Where("feed = ? AND id = ?", plain(feed), plain(id)).Limit(1).Find(&rows).Error
	switch {
	case err != nil:
		return records.Message{}, fmt.Errorf("reading a message taken in: %w", err)
	case len(rows) == 0:
		return records.Message{}, clinical.Errorf(clinical.NotFound, "there is no such message")
	}
	return rows[0].message(), nil
}

// MessagesOf lists the messages of a feed about a stay, without their bodies, the first
// received first.
func (s *Store) MessagesOf(ctx context.Context, feed, stayID string) ([]records.Message, error) {
	var rows []messageRow
	err := s.reading(ctx).Select("feed", "id", "stay_id", "who", "received_at").
		Where("feed = ? AND stay_id = ?", plain(feed), plain(stayID)).Order("received_at, id").Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading the messages about a stay: %w", err)
	}
	out := make([]records.Message, len(rows))
	for n, r := range rows {
		out[n] = r.message()
	}
	return out, nil
}
