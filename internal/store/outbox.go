package store

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type outgoingRow struct {
	Number    int64 `gorm:"primaryKey"`
	Channel   string
	Thing     string
	Version   int
	Unit      string
	StayID    string
	PatientID string
	Body      string
	QueuedAt  int64
	State     string
	Attempts  int
	NextAt    int64
	TriedAt   *int64
	DoneAt    *int64
	Answer    string
}

func (outgoingRow) TableName() string { return "outbox" }

func (r outgoingRow) outgoing() records.Outgoing {
	return records.Outgoing{
		Number: r.Number, Channel: r.Channel, Thing: r.Thing, Version: r.Version, Unit: r.Unit, StayID: r.StayID,
		PatientID: r.PatientID, Body: []byte(r.Body), QueuedAt: fromMicros(r.QueuedAt),
		State: records.SendState(r.State), Attempts: r.Attempts, NextAt: fromMicros(r.NextAt),
		TriedAt: fromOptional(r.TriedAt), DoneAt: fromOptional(r.DoneAt), Answer: r.Answer,
	}
}

func outgoingOf(rows []outgoingRow) []records.Outgoing {
	out := make([]records.Outgoing, len(rows))
	for n, r := range rows {
		out[n] = r.outgoing()
	}
	return out
}

// queue queues the messages that are made of the facts of a message just stored.
func (in *intake) queue() error {
	if in.delivery.Queue == nil || in.delivery.Message == nil {
		return nil
	}
	sending, known, err := in.sending()
	if err != nil || !known {
		return err
	}
	for _, o := range in.delivery.Queue(sending) {
		at := micros(in.delivery.At)
		row := outgoingRow{
			Channel: plain(o.Channel), Thing: plain(o.Thing), Version: o.Version, Unit: plain(sending.Stay.Unit),
			StayID: plain(sending.StayID), PatientID: plain(sending.Stay.PatientID), Body: plain(string(o.Body)),
			QueuedAt: at, State: string(records.SendWaits), NextAt: at,
		}
		if err := in.tx.Create(&row).Error; err != nil {
			return fmt.Errorf("queuing what goes to the record: %w", err)
		}
	}
	return nil
}

// sending is what messages are made of beside the facts; known is false where the stay is not known.
func (in *intake) sending() (s records.Sending, known bool, err error) {
	m := in.delivery.Message
	s = records.Sending{StayID: m.StayID, Versions: map[string]int{}, Earlier: map[string]clinical.Body{}}
	_, v, err := countingVersion(in.tx, fact{string(clinical.KindStay), plain(m.StayID)})
	if err != nil {
		return s, false, err
	}
	stay, known := v.Body.(clinical.Stay)
	if !known {
		return s, false, nil
	}
	s.Stay = stay
	if s.Installation, err = installation(in.tx); err != nil {
		return s, false, err
	}
	for _, f := range in.delivery.Facts {
		key := records.VersionKey(f.Kind, f.SourceID)
		if s.Versions[key], s.Earlier[key], err = versionsHere(in.tx, fact{string(f.Kind), plain(f.SourceID)}); err != nil {
			return s, false, err
		}
	}
	var found []struct{ Issuer, Subject string }
	err = in.tx.Raw(`SELECT i.issuer, i.subject FROM account_identities i JOIN accounts a ON a.id = i.account_id
		WHERE a.name = ?`, plain(m.Who)).Scan(&found).Error
	if len(found) > 0 {
		s.Performer = records.Identifier{System: found[0].Issuer, Value: found[0].Subject}
	}
	return s, true, err
}

// versionsHere counts the versions of a fact that were taken here; earlier is the body of the last but one.
func versionsHere(tx *gorm.DB, f fact) (n int, earlier clinical.Body, err error) {
	rows, err := tx.Raw("SELECT v.id, "+versionColumns("v")+` FROM fact_versions v
		WHERE v.kind = ? AND v.source_id = ? AND v.feed = ? ORDER BY v.recorded_at, v.id`,
		f.kind, f.sourceID, clinical.BedsideFeed).Rows()
	if err != nil {
		return 0, nil, err
	}
	defer func() { _ = rows.Close() }()
	var last clinical.Body
	for rows.Next() {
		var id int64
		v, err := scanVersion(rows, &id)
		if err != nil {
			return 0, nil, err
		}
		n++
		earlier = last
		if v.Body != nil {
			last = v.Body
		}
	}
	return n, earlier, ended(rows)
}

// installation is the UUID of this installation, made here where there is none yet.
func installation(tx *gorm.DB) (string, error) {
	var ids []string
	if err := tx.Raw("SELECT id FROM installation").Scan(&ids).Error; err != nil || len(ids) > 0 {
		return first(ids), err
	}
	id := uuid.NewString()
	return id, tx.Exec("INSERT INTO installation (id) VALUES (?)", id).Error
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

// Installation is the UUID that tells the identities of this installation from those of any other.
// It is made the first time that it is asked for.
func (s *Store) Installation(ctx context.Context) (id string, err error) {
	var ids []string
	if err := s.reading(ctx).Raw("SELECT id FROM installation").Scan(&ids).Error; err != nil || len(ids) > 0 {
		return first(ids), err
	}
	err = s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		id, err = installation(tx)
		return err
	})
	return id, err
}

// heldUp is true of a message o that must wait for another: an earlier one of its patient that waits,
// or an earlier version of the same that was refused.
const heldUp = `EXISTS (SELECT 1 FROM outbox e WHERE e.channel = o.channel AND e.number < o.number AND
	(e.patient_id = o.patient_id AND e.state = 'waits' OR e.thing = o.thing AND e.state = 'refused'))`

// clockSetBack is how far ahead a next attempt cannot lie: one that does was noted before the clock was set
// back, and must not wait for that.
const clockSetBack = 25 * time.Minute

// DueOutgoing lists messages of a channel that may be tried at a moment, at most one a patient, in
// the order in which they were queued.
func (s *Store) DueOutgoing(ctx context.Context, channel string, at time.Time, limit int) ([]records.Outgoing, error) {
	var rows []outgoingRow
	err := s.reading(ctx).Raw(`SELECT * FROM outbox o WHERE o.channel = ? AND o.state = 'waits'
		AND (o.next_at <= ? OR o.next_at > ?) AND NOT `+heldUp+" ORDER BY o.number LIMIT ?",
		channel, micros(at), micros(at.Add(clockSetBack)), limit).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what is to be sent to the record: %w", err)
	}
	return outgoingOf(rows), nil
}

// Tried notes what came of an attempt: State, NextAt, DoneAt and Answer of o. One that another
// instance has brought to its end meanwhile stays as it is.
func (s *Store) Tried(ctx context.Context, o records.Outgoing, at time.Time) error {
	return s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		err := tx.Exec(`UPDATE outbox SET state = ?, attempts = attempts + 1, next_at = ?, tried_at = ?, done_at = ?, answer = ?
			WHERE number = ? AND state = 'waits'`,
			string(o.State), micros(o.NextAt), micros(at), optional(o.DoneAt), plain(o.Answer), o.Number).Error
		if err != nil {
			return fmt.Errorf("noting what came of a message to the record: %w", err)
		}
		return nil
	})
}

// unsentRows are the messages that the record has not taken; each half has an index of its own.
const unsentRows = `(SELECT * FROM outbox WHERE state = 'waits' UNION ALL SELECT * FROM outbox WHERE state = 'refused') o`

// LateOutgoing lists the messages about patients of a unit that were queued by a moment and not taken yet, and
// those that were refused, in the order in which they were queued.
func (s *Store) LateOutgoing(ctx context.Context, unit string, by time.Time) ([]records.Outgoing, error) {
	var rows []outgoingRow
	err := s.reading(ctx).Raw("SELECT * FROM "+unsentRows+` WHERE unit = ? AND (queued_at <= ? OR state = 'refused')
		ORDER BY number LIMIT 500`,
		plain(unit), micros(by)).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what the record has not taken of a unit: %w", err)
	}
	return outgoingOf(rows), nil
}

// Unsent lists what waits and what was refused, in the order in which it was queued, at most so many.
func (s *Store) Unsent(ctx context.Context, limit int) ([]records.Outgoing, error) {
	var rows []outgoingRow
	err := s.reading(ctx).Raw("SELECT * FROM "+unsentRows+" ORDER BY number LIMIT ?", limit).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what the record has not taken: %w", err)
	}
	return outgoingOf(rows), nil
}

// OutgoingOf lists the messages about a stay in the order in which they were queued.
func (s *Store) OutgoingOf(ctx context.Context, stayID string) ([]records.Outgoing, error) {
	var rows []outgoingRow
	err := s.reading(ctx).Where("stay_id = ?", plain(stayID)).Order("number").Find(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what of a stay goes to the record: %w", err)
	}
	return outgoingOf(rows), nil
}

// RetryOutgoing has what was refused sent again, one message or (0) all, and what waits tried at once;
// it says how many of them there are.
func (s *Store) RetryOutgoing(ctx context.Context, number int64, at time.Time) (n int64, err error) {
	err = s.writing(ctx, func(tx *gorm.DB, _ versionSink) error {
		result := tx.Exec(`UPDATE outbox SET state = 'waits', next_at = ?, done_at = NULL
			WHERE state IN ('waits', 'refused') AND (number = ? OR ? = 0)`, micros(at), number, number)
		n = result.RowsAffected
		return result.Error
	})
	return n, err
}

// OutboxStates tells how each way stands by which anything was ever queued.
func (s *Store) OutboxStates(ctx context.Context) (out []records.OutboxState, err error) {
	var rows []struct {
		Channel          string
		Waiting, Refused int
		Oldest, LastSent *int64
	}
	err = s.reading(ctx).Raw(`SELECT channel, sum(CASE WHEN state = 'waits' THEN 1 ELSE 0 END) AS waiting,
		sum(CASE WHEN state = 'refused' THEN 1 ELSE 0 END) AS refused,
		min(CASE WHEN state = 'waits' THEN queued_at END) AS oldest,
		max(CASE WHEN state = 'sent' THEN done_at END) AS last_sent FROM outbox GROUP BY channel ORDER BY channel`).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading how sending to the record goes: %w", err)
	}
	for _, r := range rows {
		state := records.OutboxState{
			Channel: r.Channel, Waiting: r.Waiting, Refused: r.Refused,
			Oldest: fromOptional(r.Oldest), LastSent: fromOptional(r.LastSent),
		}
		var said []string
		err := s.reading(ctx).Raw(`SELECT answer FROM outbox WHERE channel = ? AND state = 'waits' AND tried_at IS NOT NULL
			ORDER BY tried_at DESC, number DESC LIMIT 1`, r.Channel).Scan(&said).Error
		if err != nil {
			return nil, err
		}
		state.Trouble = first(said)
		out = append(out, state)
	}
	return out, nil
}

// TakenHere are those of the facts named that were taken here, with when the record took them.
func (s *Store) TakenHere(ctx context.Context, sourceIDs []string) (map[string]records.TakenHere, error) {
	out := map[string]records.TakenHere{}
	for part := range parts(distinct(sourceIDs), 200) {
		rows, err := s.reading(ctx).Raw("SELECT "+versionColumns("v")+` FROM fact_versions v
			WHERE v.kind IN ? AND v.source_id IN ? AND v.feed = ? ORDER BY v.source_id, v.recorded_at, v.id`,
			kindsTakenHere, part, clinical.BedsideFeed).Rows()
		if err != nil {
			return nil, fmt.Errorf("reading what was taken here: %w", err)
		}
		for rows.Next() {
			v, err := scanVersion(rows)
			if err != nil {
				_ = rows.Close()
				return nil, err
			}
			here := out[v.SourceID]
			here.Kind, here.Versions = v.Kind, append(here.Versions, v.Version)
			out[v.SourceID] = here
		}
		if err := ended(rows); err != nil {
			return nil, err
		}
	}
	for id, here := range out {
		taken, err := s.takenByRecord(ctx, id, here)
		if err != nil {
			return nil, err
		}
		here.TakenAt = taken
		out[id] = here
	}
	return out, nil
}

var kindsTakenHere = []string{
	string(clinical.KindVitals), string(clinical.KindRestriction), string(clinical.KindClearance), string(clinical.KindAnswer),
}

// takenByRecord is when the record took the versions of a fact: by every way on which they went.
func (s *Store) takenByRecord(ctx context.Context, id string, here records.TakenHere) (map[int64]time.Time, error) {
	var rows []struct {
		QueuedAt int64
		DoneAt   *int64
	}
	things := []string{id}
	for _, v := range here.Versions {
		if b, ok := v.Body.(clinical.Vitals); ok && b.SetID != "" {
			things = append(things, b.SetID)
		}
	}
	err := s.reading(ctx).Raw(`SELECT queued_at, max(CASE WHEN state = 'sent' THEN done_at END) AS done_at FROM outbox
		WHERE thing IN ? AND stay_id = ? GROUP BY queued_at HAVING sum(CASE WHEN state = 'sent' THEN 0 ELSE 1 END) = 0`,
		distinct(things), here.Versions[0].StayID).Scan(&rows).Error
	if err != nil {
		return nil, fmt.Errorf("reading what the record has taken: %w", err)
	}
	taken := map[int64]time.Time{}
	for _, r := range rows {
		taken[r.QueuedAt] = fromOptional(r.DoneAt)
	}
	return taken, nil
}
