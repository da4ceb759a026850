package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type screenRow struct {
	ID         int64 `gorm:"primaryKey"`
	Name       string
	NameKey    string
	Unit       string
	CodeHash   []byte
	CodeUntil  int64
	SecretHash []byte
	MadeBy     string
	MadeAt     int64
	EnrolledAt *int64
	RevokedAt  *int64
	UsedAt     *int64
}

func (screenRow) TableName() string { return "screens" }

func (r screenRow) screen() records.EnrolledScreen {
	return records.EnrolledScreen{
		ID: r.ID, Name: r.Name, Unit: r.Unit, MadeBy: r.MadeBy, MadeAt: fromMicros(r.MadeAt), CodeUntil: fromMicros(r.CodeUntil),
		EnrolledAt: fromOptional(r.EnrolledAt), RevokedAt: fromOptional(r.RevokedAt), UsedAt: fromOptional(r.UsedAt),
	}
}

// AddScreen keeps a new screen by a key of its name and a hash of its code that are its own. The error
// carries clinical.Conflict where one of the two is taken.
func (s *Store) AddScreen(
	ctx context.Context, nameKey string, codeHash []byte, n records.EnrolledScreen,
) (records.EnrolledScreen, error) {
	row := screenRow{
		Name: plain(n.Name), NameKey: plain(nameKey), Unit: plain(n.Unit), CodeHash: codeHash, CodeUntil: micros(n.CodeUntil),
		MadeBy: plain(n.MadeBy), MadeAt: micros(n.MadeAt),
	}
	err := s.write.WithContext(ctx).Create(&row).Error
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		return n, clinical.Errorf(clinical.Conflict, "the name %q was used by a screen; choose another one", n.Name)
	}
	if err != nil {
		return n, fmt.Errorf("adding a screen: %w", err)
	}
	return row.screen(), nil
}

// Screens lists every screen in the order of the name keys.
func (s *Store) Screens(ctx context.Context) ([]records.EnrolledScreen, error) {
	var rows []screenRow
	if err := s.reading(ctx).Order("name_key").Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("reading the screens: %w", err)
	}
	out := make([]records.EnrolledScreen, len(rows))
	for n, r := range rows {
		out[n] = r.screen()
	}
	return out, nil
}

// EnrolScreen takes a code that holds at a moment and was not taken yet, and keeps the hash of the
// screen's secret; the error carries clinical.NotFound where no such code serves.
func (s *Store) EnrolScreen(ctx context.Context, codeHash, secretHash []byte, at time.Time) (records.EnrolledScreen, error) {
	done := s.write.WithContext(ctx).Model(&screenRow{}).
		Where("code_hash = ? AND code_until > ? AND enrolled_at IS NULL AND revoked_at IS NULL", codeHash, micros(at)).
		Updates(map[string]any{"secret_hash": secretHash, "enrolled_at": micros(at)})
	switch {
	case done.Error != nil:
		return records.EnrolledScreen{}, fmt.Errorf("enrolling a screen: %w", done.Error)
	case done.RowsAffected == 0:
		return records.EnrolledScreen{}, noScreen()
	}
	return s.ScreenOf(ctx, secretHash)
}

// ScreenOf finds a screen by the hash of its secret; the error carries clinical.NotFound where there
// is none.
func (s *Store) ScreenOf(ctx context.Context, secretHash []byte) (records.EnrolledScreen, error) {
	var rows []screenRow
	if err := s.reading(ctx).Where("secret_hash = ?", secretHash).Find(&rows).Error; err != nil {
		return records.EnrolledScreen{}, fmt.Errorf("reading a screen: %w", err)
	}
	if len(rows) == 0 {
		return records.EnrolledScreen{}, noScreen()
	}
	return rows[0].screen(), nil
}

func noScreen() error { return clinical.Errorf(clinical.NotFound, "there is no such screen") }

// RevokeScreen changes nothing of a screen that was ended already.
func (s *Store) RevokeScreen(ctx context.Context, id int64, at time.Time) error {
	err := s.write.WithContext(ctx).Model(&screenRow{}).Where("id = ? AND revoked_at IS NULL", id).
		Update("revoked_at", micros(at)).Error
	if err != nil {
		return fmt.Errorf("ending a screen: %w", err)
	}
	return nil
}

// TouchScreen notes a use; an earlier moment than that on record changes nothing.
func (s *Store) TouchScreen(ctx context.Context, id int64, at time.Time) error {
	err := s.write.WithContext(ctx).Model(&screenRow{}).Where("id = ? AND (used_at IS NULL OR used_at < ?)", id, micros(at)).
		Update("used_at", micros(at)).Error
	if err != nil {
		return fmt.Errorf("noting the use of a screen: %w", err)
	}
	return nil
}
