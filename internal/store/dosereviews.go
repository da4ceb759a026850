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
	Suggestions string
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
	suggestions, err := json.Marshal(append([]records.DoseSuggestion{}, r.Suggestions...))
	if err != nil {
		return records.DoseReview{}, fmt.Errorf("recording a dose review: %w", err)
	}
	row := doseReviewRow{
		StayID: plain(r.StayID), Number: after + 1, AccountID: r.AccountID, Who: plain(r.Who), At: micros(r.At),
		Outcome: plain(string(r.Outcome)), Note: plain(r.Note), LookAgainOn: plain(r.LookAgain), Evidence: plain(string(evidence)),
		Suggestions: plain(string(suggestions)),
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
	if r.Suggestions == "[]" {
		return out, nil
	}
	if err := json.Unmarshal([]byte(r.Suggestions), &out.Suggestions); err != nil {
		return out, fmt.Errorf("the suggestions of dose review %d of stay %s cannot be read: %w", r.Number, r.StayID, err)
	}
	return out, nil
}

type reviewStepRow struct {
	StayID    string `gorm:"primaryKey"`
	Review    int64  `gorm:"primaryKey;autoIncrement:false"`
	Number    int64  `gorm:"primaryKey;autoIncrement:false"`
	What      string
	AccountID int64
	Who       string
	At        int64
	Answer    string
	Note      string
}

func (reviewStepRow) TableName() string { return "dose_review_steps" }

func (r reviewStepRow) step() records.ReviewStep {
	return records.ReviewStep{
		StayID: r.StayID, Review: r.Review, Number: r.Number, What: records.StepWhat(r.What), AccountID: r.AccountID, Who: r.Who,
		At: fromMicros(r.At), Answer: r.Answer, Note: r.Note,
	}
}

// AddReviewStep adds what was said of a review. The error carries clinical.NotFound where there
// is no such review, and clinical.Conflict where it was taken back, or somebody else said
// something just before.
func (s *Store) AddReviewStep(ctx context.Context, step records.ReviewStep) (records.ReviewStep, error) {
	row := reviewStepRow{
		StayID: plain(step.StayID), Review: step.Review, What: plain(string(step.What)), AccountID: step.AccountID,
		Who: plain(step.Who), At: micros(step.At), Answer: plain(step.Answer), Note: plain(step.Note),
	}
	err := s.write.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		var there, last, back int64
		err := told(tx.Raw(`SELECT (SELECT count(*) FROM dose_reviews WHERE stay_id = ? AND number = ?), coalesce(max(number), 0),
			coalesce(sum(CASE WHEN what = ? THEN 1 ELSE 0 END), 0) FROM dose_review_steps WHERE stay_id = ? AND review = ?`,
			row.StayID, row.Review, string(records.TakenBack), row.StayID, row.Review).Row().Scan(&there, &last, &back))
		switch {
		case err != nil:
			return err
		case there == 0:
			return clinical.Errorf(clinical.NotFound, "there is no such review")
		case back > 0:
			return clinical.Errorf(clinical.Conflict, "the review was taken back; look at the patient again")
		}
		row.Number = last + 1
		return tx.Create(&row).Error // of two at once the key refuses one
	})
	if errors.Is(err, gorm.ErrDuplicatedKey) {
		return records.ReviewStep{}, clinical.Errorf(clinical.Conflict, "somebody else said something of this review just now; look again")
	}
	if err != nil {
		return records.ReviewStep{}, fmt.Errorf("saying something of a dose review: %w", err)
	}
	return row.step(), nil
}

// takeSteps puts the steps by a moment to the reviews of some stays.
func (s *Store) takeSteps(ctx context.Context, stayIDs []string, by time.Time, to map[string][]records.DoseReview) error {
	for part := range parts(distinct(stayIDs), 500) {
		var rows []reviewStepRow
		err := s.reading(ctx).Where("stay_id IN ? AND at <= ?", part, micros(by)).Order("stay_id, review, number").Find(&rows).Error
		if err != nil {
			return fmt.Errorf("reading what was said of dose reviews: %w", err)
		}
		for _, row := range rows {
			for n := range to[row.StayID] {
				if r := &to[row.StayID][n]; r.Number == row.Review {
					r.Steps = append(r.Steps, row.step())
				}
			}
		}
	}
	return nil
}

// SuggestionsMade lists the reviews with suggestions that were recorded on stays of some units
// in [from, to), those taken back too, the latest first, and at most so many; more is how many
// further ones there are.
func (s *Store) SuggestionsMade(
	ctx context.Context, units []string, from, to time.Time, most int,
) (list []records.DoseReview, more int, err error) {
	if len(units) == 0 {
		return nil, 0, nil
	}
	const where = `at >= ? AND at < ? AND suggestions <> '[]' AND EXISTS
		(SELECT 1 FROM stay_spans p WHERE p.stay_id = dose_reviews.stay_id AND p.unit IN ?)`
	var n int64
	asked := s.reading(ctx).Model(&doseReviewRow{}).Where(where, micros(from), micros(to), units)
	if err := asked.Count(&n).Error; err != nil {
		return nil, 0, fmt.Errorf("counting suggestions: %w", err)
	}
	var rows []doseReviewRow
	err = s.reading(ctx).Where(where, micros(from), micros(to), units).Order("at DESC, stay_id, number DESC").Limit(most).Find(&rows).Error
	if err != nil {
		return nil, 0, fmt.Errorf("reading suggestions: %w", err)
	}
	byStay, ids := map[string][]records.DoseReview{}, []string{}
	for _, row := range rows {
		review, err := row.review()
		if err != nil {
			return nil, 0, err
		}
		byStay[row.StayID], ids = append(byStay[row.StayID], review), append(ids, row.StayID)
	}
	if err := s.takeSteps(ctx, ids, to, byStay); err != nil {
		return nil, 0, err
	}
	for _, row := range rows { // in the order in which they were read
		for _, review := range byStay[row.StayID] {
			if review.Number == row.Number {
				list = append(list, review)
			}
		}
	}
	return list, int(n) - len(list), nil
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
	return out, s.takeSteps(ctx, stayIDs, by, out)
}
