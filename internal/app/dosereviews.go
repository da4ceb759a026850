package app

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"plumbline/internal/dosereview"
	"plumbline/internal/store"
)

// reviewStore is the store as the pages of the dose review want it.
type reviewStore struct{ *store.Store }

func (s reviewStore) Add(ctx context.Context, r dosereview.Review, after int64) (dosereview.Review, error) {
	evidence, err := json.Marshal(r.Evidence)
	if err != nil {
		return dosereview.Review{}, err
	}
	row, err := s.AddDoseReview(ctx, store.DoseReview{
		StayID: r.StayID, AccountID: r.AccountID, Who: r.Who, At: r.At,
		Outcome: string(r.Outcome), Note: r.Note, LookAgain: r.LookAgain, Evidence: string(evidence),
	}, after)
	if err != nil {
		return dosereview.Review{}, err
	}
	return reviewOf(row)
}

func (s reviewStore) OfStays(ctx context.Context, stayIDs []string, by time.Time) (map[string][]dosereview.Review, error) {
	rows, err := s.DoseReviews(ctx, stayIDs, by)
	if err != nil {
		return nil, err
	}
	out := make(map[string][]dosereview.Review, len(rows))
	for stay, list := range rows {
		for _, row := range list {
			r, err := reviewOf(row)
			if err != nil {
				return nil, err
			}
			out[stay] = append(out[stay], r)
		}
	}
	return out, nil
}

func reviewOf(row store.DoseReview) (dosereview.Review, error) {
	r := dosereview.Review{
		StayID: row.StayID, Number: row.Number, AccountID: row.AccountID, Who: row.Who, At: row.At,
		Draft: dosereview.Draft{Outcome: dosereview.Outcome(row.Outcome), Note: row.Note, LookAgain: row.LookAgain},
	}
	if err := json.Unmarshal([]byte(row.Evidence), &r.Evidence); err != nil {
		return r, fmt.Errorf("dose review %d of stay %s cannot be read: %w", row.Number, row.StayID, err)
	}
	return r, nil
}
