package store

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/records"
)

// toTell are the deliveries that are to be tried still. It stands as text, so
// that SQLite sees that the partial index serves.
const toTell = "state IN ('waiting', 'held')"

// noticeOverlap is how far back notices are looked for behind the moment up to
// which all had their deliveries: a notice may be committed after a later one,
// and the clocks of several machines differ.
const noticeOverlap = 24 * time.Hour

// SetChannels names the channels that there are. A new one begins at the moment;
// of one that is gone, what is to be told still is dropped, and if it comes back
// it begins anew.
func (s *Store) SetChannels(ctx context.Context, channels []string, at time.Time) error {
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var had []string
		if err := s.locking(tx).Model(&channelRow{}).Order("channel").Pluck("channel", &had).Error; err != nil {
			return err
		}
		keep := map[string]bool{}
		for _, c := range channels {
			keep[c] = true
			row := channelRow{Channel: c, Since: micros(at), Through: micros(at)}
			if err := tx.Clauses(clause.OnConflict{DoNothing: true}).Create(&row).Error; err != nil {
				return err
			}
		}
		for _, c := range had {
			if keep[c] {
				continue
			}
			if err := tx.Delete(&channelRow{}, "channel = ?", c).Error; err != nil {
				return err
			}
			err := tx.Model(&deliveryRow{}).Where("channel = ? AND "+toTell, c).
				Updates(map[string]any{"state": string(records.DeliveryDropped), "done_at": micros(at), "trouble": "the channel was turned off"}).Error
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("setting up the channels: %w", err)
	}
	return nil
}

// NoticesUntold lists the notices that have no delivery by a channel yet, the oldest
// first. It looks at notices since the channel was set up, and only a little further back
// than the moment up to which AddDeliveries has noted that none is missing.
func (s *Store) NoticesUntold(ctx context.Context, channel string, at time.Time, limit int) ([]records.Notice, error) {
	var out []records.Notice
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		var set []channelRow
		if err := tx.Find(&set, "channel = ?", channel).Error; err != nil || len(set) == 0 {
			return err
		}
		// A clock that was ahead for a while must not hide what came after it.
		since := set[0].Since
		if since > micros(at.Add(aheadLeeway)) {
			since = 0
		}
		from := max(since, min(set[0].Through, micros(at))-noticeOverlap.Microseconds())
		var rows []toldRow
		err := tx.Raw(toldNotices+` WHERE n.at >= ? AND NOT EXISTS
			(SELECT 1 FROM deliveries d WHERE d.notice_id = n.id AND d.channel = ?) ORDER BY n.at, n.id LIMIT ?`,
			from, channel, limit).Scan(&rows).Error
		if err == nil {
			out, err = s.noticesOf(rows)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading what is to be told: %w", err)
	}
	return out, nil
}

const toldNotices = `SELECT n.*, v.body AS event, e.body AS episode, e.state AS state FROM notices n
	JOIN episode_events v ON v.episode_id = n.episode_id AND v.n = n.n JOIN episodes e ON e.id = n.episode_id`

// Notices are what was to be told from a moment on, the oldest first, at most so many.
func (s *Store) Notices(ctx context.Context, from time.Time, limit int) ([]records.Notice, error) {
	var rows []toldRow
	err := s.reading(ctx).Raw(toldNotices+" WHERE n.at >= ? ORDER BY n.at, n.id LIMIT ?", micros(from), limit).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading notices: %w", err)
	}
	return s.noticesOf(rows)
}

// AddDeliveries writes deliveries; one that is there already stays as it is. seen names
// the channels for which, with these, no notice up to the moment lacks its delivery.
func (s *Store) AddDeliveries(ctx context.Context, list []records.NoticeDelivery, seen []string, at time.Time) error {
	behind, err := s.channelsBehind(ctx, seen, at)
	if err != nil || len(list) == 0 && len(behind) == 0 {
		return err
	}
	rows := make([]deliveryRow, len(list))
	for n, d := range list {
		rows[n] = deliveryRowOf(d, at)
	}
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if len(rows) > 0 {
			if err := tx.Clauses(clause.OnConflict{DoNothing: true}).CreateInBatches(&rows, 100).Error; err != nil {
				return err
			}
		}
		if len(behind) == 0 {
			return nil
		}
		return tx.Model(&channelRow{}).Where("channel IN ?", behind).Update("through", micros(at)).Error
	})
	if err != nil {
		return fmt.Errorf("noting what is to be told: %w", err)
	}
	return nil
}

// channelsBehind are the channels whose bookmark is worth a write.
func (s *Store) channelsBehind(ctx context.Context, channels []string, at time.Time) (behind []string, err error) {
	const worth = 10 * time.Minute
	if len(channels) == 0 {
		return nil, nil
	}
	err = s.reading(ctx).Model(&channelRow{}).Order("channel").
		Where("channel IN ? AND through < ?", channels, micros(at.Add(-worth))).Pluck("channel", &behind).Error
	if err != nil {
		return nil, fmt.Errorf("reading the channels: %w", err)
	}
	return behind, nil
}

// ChannelsWithout are the channels, set up by a moment, that have no delivery of an id.
func (s *Store) ChannelsWithout(ctx context.Context, id string, by time.Time) ([]string, error) {
	return s.texts(ctx, `SELECT channel FROM delivery_channels c WHERE since <= ? AND NOT EXISTS
		(SELECT 1 FROM deliveries d WHERE d.notice_id = ? AND d.channel = c.channel) ORDER BY channel`, micros(by), id)
}

// longestWait is longer than any delivery waits for its next attempt: quiet hours end
// within a day.
const longestWait = 25 * time.Hour

// DeliveriesDue are the deliveries of a channel that are to be tried by a moment, the
// longest due first. What a clock that ran ahead has planned is due at once.
func (s *Store) DeliveriesDue(ctx context.Context, channel string, at time.Time, limit int) ([]records.NoticeDelivery, error) {
	var out []records.NoticeDelivery
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		var rows []deliveryRow
		err := tx.Order("next_at, notice_id").Limit(limit).
			Where("channel = ? AND (next_at <= ? OR made_at > ? OR next_at > ?) AND "+toTell, channel,
				micros(at), micros(at.Add(aheadLeeway)), micros(at.Add(longestWait))).Find(&rows).Error
		if err != nil {
			return err
		}
		told, err := s.noticesTold(tx, rows)
		if err != nil {
			return err
		}
		for _, r := range rows {
			d := r.delivery()
			if n, ok := told[r.NoticeID]; ok {
				d.Notice = &n
			}
			out = append(out, d)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading what is to be told: %w", err)
	}
	return out, nil
}

// noticesTold are the notices of deliveries, by their ids.
func (s *Store) noticesTold(tx *gorm.DB, rows []deliveryRow) (map[string]records.Notice, error) {
	ids := make([]string, len(rows))
	for n, r := range rows {
		ids[n] = r.NoticeID
	}
	out := map[string]records.Notice{}
	for part := range parts(distinct(ids), 500) {
		var told []toldRow
		if err := tx.Raw(toldNotices+" WHERE n.id IN ?", part).Scan(&told).Error; err != nil {
			return nil, err
		}
		notices, err := s.noticesOf(told)
		if err != nil {
			return nil, err
		}
		for _, n := range notices {
			out[n.ID] = n
		}
	}
	return out, nil
}

// ClaimDelivery counts an attempt and reserves the delivery: until a moment nobody else
// attempts it. It is false where another instance has reserved it first.
func (s *Store) ClaimDelivery(ctx context.Context, d records.NoticeDelivery, until time.Time) (bool, error) {
	done := s.write.WithContext(ctx).Model(&deliveryRow{}).
		Where("notice_id = ? AND channel = ? AND attempts = ? AND "+toTell, d.ID, d.Channel, d.Attempts).
		Updates(map[string]any{"attempts": d.Attempts + 1, "next_at": micros(until), "made_at": micros(d.MadeAt)})
	if done.Error != nil {
		return false, fmt.Errorf("claiming the delivery of %s: %w", d.ID, done.Error)
	}
	return done.RowsAffected == 1, nil
}

// FinishDelivery writes what has become of a delivery, and how its channel stands
// with it. An attempt that somebody else has counted since is left alone, unless
// the message was sent: that stays so.
func (s *Store) FinishDelivery(ctx context.Context, d records.NoticeDelivery, at time.Time) error {
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		row := deliveryRowOf(d, at)
		done := tx.Model(&deliveryRow{}).
			Where("notice_id = ? AND channel = ? AND (attempts = ? OR ?) AND "+toTell, d.ID, d.Channel, d.Attempts, d.State == records.DeliverySent).
			Updates(map[string]any{"state": row.State, "next_at": row.NextAt, "made_at": row.MadeAt, "done_at": row.DoneAt, "trouble": row.Trouble})
		if done.Error != nil {
			return done.Error
		}
		channel := tx.Model(&channelRow{}).Where("channel = ?", d.Channel)
		switch {
		case d.State == records.DeliverySent:
			return channel.Updates(map[string]any{"last_sent_at": micros(at), "failing_since": nil, "trouble": ""}).Error
		case d.Trouble != "" && (d.State == records.DeliveryWaiting || d.State == records.DeliveryFailed):
			return channel.Updates(map[string]any{"failing_since": gorm.Expr("COALESCE(failing_since, ?)", micros(at)), "trouble": d.Trouble}).Error
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("noting what became of telling %s: %w", d.ID, err)
	}
	return nil
}

// ChannelStates is how each channel stands; failures count from a moment on.
func (s *Store) ChannelStates(ctx context.Context, failedSince time.Time) ([]records.ChannelHealth, error) {
	var rows []struct {
		Row     channelRow `gorm:"embedded"`
		Waiting int
		Oldest  *int64
		Failed  int
	}
	// The lists of states are those of the partial indexes, word for word.
	err := s.reading(ctx).Raw(`SELECT c.*,
		(SELECT COUNT(*) FROM deliveries d WHERE d.channel = c.channel AND d.state IN ('waiting', 'held')) AS waiting,
		(SELECT MIN(d.made_at) FROM deliveries d WHERE d.channel = c.channel
			AND d.state IN ('waiting', 'held') AND d.state = 'waiting') AS oldest,
		(SELECT COUNT(*) FROM deliveries d WHERE d.channel = c.channel AND d.state = 'failed' AND d.done_at >= ?) AS failed
		FROM delivery_channels c ORDER BY c.channel`, micros(failedSince)).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading how the channels stand: %w", err)
	}
	out := make([]records.ChannelHealth, len(rows))
	for n, r := range rows {
		c := r.Row
		out[n] = records.ChannelHealth{
			Channel: c.Channel, LastSent: fromOptional(c.LastSentAt), FailingSince: fromOptional(c.FailingSince), Trouble: c.Trouble,
			Waiting: r.Waiting, Oldest: fromOptional(r.Oldest), Failed: r.Failed,
		}
	}
	return out, nil
}

type deliveryRow struct {
	NoticeID string `gorm:"primaryKey"`
	Channel  string `gorm:"primaryKey"`
	State    string
	Attempts int
	MadeAt   int64
	NextAt   int64
	DoneAt   *int64
	Trouble  string
	Body     string
}

func (deliveryRow) TableName() string { return "deliveries" }

// deliveryRowOf is a delivery as it is stored; at is when it came to its end, if it has.
func deliveryRowOf(d records.NoticeDelivery, at time.Time) deliveryRow {
	r := deliveryRow{
		NoticeID: d.ID, Channel: d.Channel, State: string(d.State), Attempts: d.Attempts,
		MadeAt: micros(d.MadeAt), NextAt: micros(d.NextAt), Trouble: d.Trouble, Body: string(d.Body),
	}
	if d.State != records.DeliveryWaiting && d.State != records.DeliveryHeld {
		r.DoneAt = optional(at)
	}
	return r
}

func (r deliveryRow) delivery() records.NoticeDelivery {
	return records.NoticeDelivery{
		ID: r.NoticeID, Channel: r.Channel, State: records.DeliveryState(r.State), Attempts: r.Attempts,
		MadeAt: fromMicros(r.MadeAt), NextAt: fromMicros(r.NextAt), Trouble: r.Trouble, Body: []byte(r.Body),
	}
}

type channelRow struct {
	Channel      string `gorm:"primaryKey"`
	Since        int64
	Through      int64
	LastSentAt   *int64
	FailingSince *int64
	Trouble      string
}

func (channelRow) TableName() string { return "delivery_channels" }

// toldRow is a notice with its event and its episode.
type toldRow struct {
	Row     noticeRow `gorm:"embedded"`
	Event   string
	Episode string
	State   string
}

// noticeOf reads a notice. The words of an event that has none of its own are those of
// its episode: a patient who was moved is owed the same.
func (s *Store) noticeOf(r toldRow) (records.Notice, error) {
	n := records.Notice{ID: r.Row.ID, Owed: r.State != string(records.EpisodeDone)}
	var err error
	if n.Event, err = s.eventOf(r.Row.EpisodeID, r.Event); err != nil {
		return n, err
	}
	n.Rule, n.Figures = n.Event.Rule, n.Event.Figures
	if n.Rule != "" {
		return n, nil
	}
	e, err := s.episodeOf(episodeRow{ID: r.Row.EpisodeID, Body: r.Episode})
	n.Rule, n.Figures = e.Rule, e.Figures
	return n, err
}

func (s *Store) noticesOf(rows []toldRow) ([]records.Notice, error) {
	var out []records.Notice
	for _, r := range rows {
		n, err := s.noticeOf(r)
		if err != nil {
			return nil, err
		}
		out = append(out, n)
	}
	return out, nil
}
