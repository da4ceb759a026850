package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"gorm.io/gorm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

type doseReviewRow struct {
	StayID      string `gorm:"primaryKey"`
	Number      int64  `gorm:"primaryKey;autoIncrement:false"`
	AccountID   int64
	Who         string
	At          int64
	Outcome     string
	Note        string
	LookAgainOn string
	Evidence    string
}

func (doseReviewRow) TableName() string { return "dose_reviews" }

// AddDoseReview adds a review after the stay's one with number after (0: the first
// one). The error carries clinical.Conflict where after is not the last one any more:
// somebody else has recorded one in between, or the same form came twice.
func (s *Store) AddDoseReview(ctx context.Context, r records.DoseReview, after int64) (records.DoseReview, error) {
	evidence, err := json.Marshal(r.Evidence)
	if err != nil {
		return records.DoseReview{}, fmt.Errorf("recording a dose review: %w", err)
	}
	row := doseReviewRow{
		StayID: plain(r.StayID), Number: after + 1, AccountID: r.AccountID, Who: plain(r.Who), At: micros(r.At),
		Outcome: plain(string(r.Outcome)), Note: plain(r.Note), LookAgainOn: plain(r.LookAgain), Evidence: plain(string(evidence)),
	}
	err = s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var last int64
		err := told(tx.Raw("SELECT coalesce(max(number), 0) FROM dose_reviews WHERE stay_id = ?", row.StayID).Row().Scan(&last))
		if err != nil {
			return err
		}
		if last != after {
			return gorm.ErrDuplicatedKey
		}
		return tx.Create(&row).Error // of two at once the key refuses one
	})
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		return records.DoseReview{}, clinical.Errorf(clinical.Conflict, "review %d is not the last one of this stay any more", after)
	}
	if err != nil {
		return records.DoseReview{}, fmt.Errorf("recording a dose review: %w", err)
	}
	return row.review()
}

func (r doseReviewRow) review() (records.DoseReview, error) {
	out := records.DoseReview{
		StayID: r.StayID, Number: r.Number, AccountID: r.AccountID, Who: r.Who, At: fromMicros(r.At),
		Outcome: records.DoseOutcome(r.Outcome), Note: r.Note, LookAgain: r.LookAgainOn,
	}
	if err := json.Unmarshal([]byte(r.Evidence), &out.Evidence); err != nil {
		return out, fmt.Errorf("dose review %d of stay %s cannot be read: %w", r.Number, r.StayID, err)
	}
	return out, nil
}

// DoseReviewsOf lists the reviews of stays that were recorded by a moment, each stay's
// first one first.
func (s *Store) DoseReviewsOf(ctx context.Context, stayIDs []string, by time.Time) (map[string][]records.DoseReview, error) {
	out := map[string][]records.DoseReview{}
	for part := range parts(distinct(stayIDs), 500) {
		var rows []doseReviewRow
		err := s.reading(ctx).Where("stay_id IN ? AND at <= ?", part, micros(by)).Order("stay_id, number").Find(&rows).Error
		if err != nil {
			return nil, fmt.Errorf("reading dose reviews: %w", err)
		}
		for _, r := range rows {
			review, err := r.review()
			if err != nil {
				return nil, err
			}
			out[r.StayID] = append(out[r.StayID], review)
		}
	}
	return out, nil
}
