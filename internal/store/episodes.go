package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// isOwed is an episode that is not done. It stands as text, so that SQLite sees
// that the partial index serves.
const isOwed = "state <> '" + string(records.EpisodeDone) + "'"

// StepEpisodes runs one step of a scope in one transaction: the unit's episodes
// that are not done and those of the ids are read, step says what happens, and
// events, episodes and notices are written together. Steps of one scope take
// turns, and a step of an earlier moment than the last one does nothing: it
// would speak of what is no longer known. stepped is false then. A last step of the
// future, which a clock left that was put right since, is passed over: see OnAhead.
func (s *Store) StepEpisodes(
	ctx context.Context, scope records.EpisodeScope, at time.Time,
	step func([]records.Episode) []records.EpisodeChange,
) (stepped bool, err error) {
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if stepped, err = s.beginStep(tx, scope.Name, at); err != nil || !stepped {
			return err
		}
		have, err := s.episodesToStep(tx, scope)
		if err != nil {
			return err
		}
		for _, c := range step(have) {
			if err := writeChange(tx, c); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return false, fmt.Errorf("stepping the episodes of %s: %w", scope.Name, err)
	}
	return stepped, nil
}

// beginStep takes the scope's turn, and says whether the moment is the latest yet.
func (s *Store) beginStep(tx *gorm.DB, scope string, at time.Time) (bool, error) {
	never := stepRow{Scope: scope, SteppedAt: micros(time.Time{})}
	if err := tx.Clauses(clause.OnConflict{DoNothing: true}).Create(&never).Error; err != nil {
		return false, err
	}
	var row stepRow
	if err := s.locking(tx).Take(&row, "scope = ?", scope).Error; err != nil {
		return false, err
	}
	if row.SteppedAt > micros(at) && !s.passes(scope, row.SteppedAt, micros(at)) {
		return false, nil
	}
	return true, tx.Model(&stepRow{}).Where("scope = ?", scope).Update("stepped_at", micros(at)).Error
}

// locking reads rows that are about to be changed. SQLite has locked them all.
func (s *Store) locking(tx *gorm.DB) *gorm.DB {
	if s.engine == Postgres {
		return tx.Clauses(clause.Locking{Strength: clause.LockingStrengthUpdate})
	}
	return tx
}

func (s *Store) episodesToStep(tx *gorm.DB, scope records.EpisodeScope) ([]records.Episode, error) {
	ids := distinct(scope.IDs)
	if len(ids) == 0 {
		ids = []string{""} // no episode has it
	}
	var rows []episodeRow
	// One query in one order, so that two steps that share episodes do not wait for each other.
	err := s.locking(tx).Order("id").Find(&rows, "(unit = ? AND "+isOwed+") OR id IN ?", scope.Unit, ids).Error
	if err != nil {
		return nil, err
	}
	return s.episodesOf(rows)
}

// writeChange writes one event with what follows from it. An episode that
// another unit's step has opened in the meantime is left as it is: the next step
// sees it.
func writeChange(tx *gorm.DB, c records.EpisodeChange) error {
	row, err := episodeRowOf(c.Episode)
	if err != nil {
		return err
	}
	said, err := json.Marshal(c.Event)
	if err != nil {
		return err
	}
	var done *gorm.DB
	if c.Event.N == 1 {
		done = tx.Clauses(clause.OnConflict{DoNothing: true}).Create(&row)
	} else {
		done = tx.Model(&episodeRow{}).Where("id = ? AND events = ?", row.ID, c.Event.N-1).Select("*").Omit("id").Updates(&row)
	}
	switch {
	case done.Error != nil:
		return done.Error
	case done.RowsAffected == 0 && c.Event.N == 1:
		return nil
	case done.RowsAffected == 0:
		return clinical.Errorf(clinical.Conflict, "somebody else was quicker; look again, and try again where it is still needed")
	}
	event := eventRow{
		EpisodeID: row.ID, N: c.Event.N, At: micros(c.Event.At), Unit: c.Event.Unit, What: string(c.Event.What), Who: c.Event.Who,
		Body: string(said),
	}
	if err := tx.Create(&event).Error; err != nil || !c.Event.Tells {
		return err
	}
	return tx.Create(&noticeRow{
		ID: fmt.Sprintf("%s.%d", row.ID, c.Event.N), EpisodeID: row.ID, N: c.Event.N,
		Kind: row.Kind, StayID: row.StayID, Unit: c.Event.Unit, At: micros(c.Event.At),
	}).Error
}

// ChangeEpisodes changes episodes of one stay in one transaction, or of a feed, which has no
// stay, the one of the id: change is given all of them, and says what happens.
func (s *Store) ChangeEpisodes(
	ctx context.Context, stayID, id string, change func([]records.Episode) ([]records.EpisodeChange, error),
) error {
	return s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		where, value := "stay_id = ?", stayID
		if stayID == "" {
			where, value = "id = ?", id
		}
		var rows []episodeRow
		// In the order of a step's query, so that the two do not wait for each other.
		if err := s.locking(tx).Order("id").Find(&rows, where, value).Error; err != nil {
			return fmt.Errorf("reading the episodes of a stay: %w", err)
		}
		before, err := s.episodesOf(rows)
		if err != nil {
			return err
		}
		changes, err := change(before)
		if err != nil {
			return err
		}
		for _, c := range changes {
			if err := writeChange(tx, c); err != nil {
				return err
			}
		}
		return nil
	})
}

func notFoundEpisode(err error) error {
	if errors.Is(err, gorm.ErrRecordNotFound) {
		return clinical.Errorf(clinical.NotFound, "there is no such episode; go back to the list")
	}
	return fmt.Errorf("reading an episode: %w", err)
}

// EpisodeByID is one episode; the error is clinical.NotFound where there is none.
func (s *Store) EpisodeByID(ctx context.Context, id string) (records.Episode, error) {
	var row episodeRow
	if err := s.reading(ctx).Take(&row, "id = ?", id).Error; err != nil {
		return records.Episode{}, notFoundEpisode(err)
	}
	return s.episodeOf(row)
}

// EpisodesOwed are the episodes of a unit, or with an empty one of the feeds,
// that are not done, the oldest first.
func (s *Store) EpisodesOwed(ctx context.Context, unit string) ([]records.Episode, error) {
	return s.episodesWhere(ctx, "unit = ? AND "+isOwed, unit)
}

// EpisodesOfStay are all episodes of a stay, the oldest first.
func (s *Store) EpisodesOfStay(ctx context.Context, stayID string) ([]records.Episode, error) {
	return s.episodesWhere(ctx, "stay_id = ?", stayID)
}

// EpisodesAmong are those of the ids that there are, done or not, the oldest first.
func (s *Store) EpisodesAmong(ctx context.Context, ids []string) ([]records.Episode, error) {
	var out []records.Episode
	for part := range parts(distinct(ids), 500) {
		more, err := s.episodesWhere(ctx, "id IN ?", part)
		if err != nil {
			return nil, err
		}
		out = append(out, more...)
	}
	return out, nil
}

func (s *Store) episodesWhere(ctx context.Context, where string, values ...any) ([]records.Episode, error) {
	var rows []episodeRow
	if err := s.reading(ctx).Order("opened_at, id").Find(&rows, append([]any{where}, values...)...).Error; err != nil {
		return nil, fmt.Errorf("reading episodes: %w", err)
	}
	return s.episodesOf(rows)
}

// EpisodeUnits are the units that have episodes which are not done, in byte
// order; the empty one stands for the feeds.
func (s *Store) EpisodeUnits(ctx context.Context) ([]string, error) {
	return s.texts(ctx, "SELECT DISTINCT unit FROM episodes WHERE "+isOwed+" ORDER BY unit")
}

// EventsOfEpisodes are the events of episodes, each history in its order.
func (s *Store) EventsOfEpisodes(ctx context.Context, ids []string) (map[string][]records.EpisodeEvent, error) {
	all := make(map[string][]records.EpisodeEvent, len(ids))
	err := s.snapshot(ctx, func(tx *gorm.DB) error { return s.eventsOf(tx, ids, all) })
	if err != nil {
		return nil, fmt.Errorf("reading the events of episodes: %w", err)
	}
	return all, nil
}

// LastAssignment is when a name was last given to what is owed in the form that was kept
// apart from episodes, before migration 20; zero where none was.
func (s *Store) LastAssignment(ctx context.Context) (time.Time, error) {
	var last int64
	if err := s.reading(ctx).Raw("SELECT coalesce(max(at), 0) FROM assignments").Scan(&last).Error; err != nil {
		return time.Time{}, fmt.Errorf("reading when names were last given apart: %w", err)
	}
	if last == 0 {
		return time.Time{}, nil
	}
	return fromMicros(last), nil
}

// EventsOfUnit are the whole histories, in no order of their own, of the episodes of which anything happened
// on the unit from one moment until before another, or that were owed there then.
func (s *Store) EventsOfUnit(ctx context.Context, unit string, from, to time.Time) ([][]records.EpisodeEvent, error) {
	all := map[string][]records.EpisodeEvent{}
	err := s.snapshot(ctx, func(tx *gorm.DB) error {
		var ids []string
		err := tx.Raw(`SELECT DISTINCT episode_id FROM episode_events WHERE unit = ? AND at >= ? AND at < ?
			UNION SELECT id FROM episodes WHERE unit = ? AND changed_at >= ? AND opened_at < ?
			UNION SELECT id FROM episodes WHERE unit = ? AND `+isOwed+` AND opened_at < ?`,
			unit, micros(from), micros(to), unit, micros(from), micros(to), unit, micros(to)).Scan(&ids).Error
		if err != nil {
			return err
		}
		return s.eventsOf(tx, ids, all)
	})
	if err != nil {
		return nil, fmt.Errorf("reading the events of the unit's episodes: %w", err)
	}
	return slices.Collect(maps.Values(all)), nil
}

func (s *Store) eventsOf(tx *gorm.DB, ids []string, all map[string][]records.EpisodeEvent) error {
	for part := range parts(distinct(ids), 500) {
		var rows []eventRow
		if err := tx.Order("episode_id, n").Find(&rows, "episode_id IN ?", part).Error; err != nil {
			return err
		}
		for _, r := range rows {
			v, err := s.eventOf(r.EpisodeID, r.Body)
			if err != nil {
				return err
			}
			all[r.EpisodeID] = append(all[r.EpisodeID], v)
		}
	}
	return nil
}

type episodeRow struct {
	ID        string `gorm:"primaryKey"`
	Kind      string
	StayID    string
	Unit      string
	State     string
	OpenedAt  int64
	ChangedAt int64
	Events    int
	Body      string
}

func (episodeRow) TableName() string { return "episodes" }

func episodeRowOf(e records.Episode) (episodeRow, error) {
	body, err := json.Marshal(e)
	return episodeRow{
		ID: e.ID, Kind: string(e.Kind), StayID: e.StayID, Unit: e.Unit, State: string(e.State),
		OpenedAt: micros(e.OpenedAt), ChangedAt: micros(e.ChangedAt), Events: e.Events, Body: string(body),
	}, err
}

func (s *Store) episodeOf(r episodeRow) (records.Episode, error) {
	e, err := records.ReadEpisode([]byte(r.Body), s.EpisodeRules)
	if err != nil {
		err = clinical.Errorf(clinical.Internal, "the episode %s cannot be read; was it written by a newer program? %v", r.ID, err)
	}
	return e, err
}

func (s *Store) eventOf(id, body string) (records.EpisodeEvent, error) {
	v, err := records.ReadEpisodeEvent([]byte(body), s.EpisodeRules)
	if err != nil {
		err = clinical.Errorf(clinical.Internal, "an event of the episode %s cannot be read; was it written by a newer program? %v", id, err)
	}
	return v, err
}

func (s *Store) episodesOf(rows []episodeRow) ([]records.Episode, error) {
	out := make([]records.Episode, len(rows))
	for n, r := range rows {
		var err error
		if out[n], err = s.episodeOf(r); err != nil {
			return nil, err
		}
	}
	return out, nil
}

type eventRow struct {
	EpisodeID string `gorm:"primaryKey"`
	N         int    `gorm:"primaryKey;autoIncrement:false"`
	At        int64
	Unit      string
	What      string
	Who       string
	Body      string
}

func (eventRow) TableName() string { return "episode_events" }

type noticeRow struct {
	ID        string `gorm:"primaryKey"`
	EpisodeID string
	N         int
	Kind      string
	StayID    string
	Unit      string
	At        int64
}

func (noticeRow) TableName() string { return "notices" }

type stepRow struct {
	Scope     string `gorm:"primaryKey"`
	SteppedAt int64
}

func (stepRow) TableName() string { return "episode_steps" }
