// Package deeds does what the people of the demo unit have done about what is owed by the
// morning at which it opens: given, told, taken, put off, suggested and answered; whose beds
// they are; and what an administrator has said of a text that the site alone can tell.
package deeds

import (
	"context"
	"fmt"
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/care"
	"plumbline/internal/codebook"
	"plumbline/internal/demo"
	"plumbline/internal/dosereview"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Store keeps what is said of doses and of beds.
type Store interface {
	AddDoseReview(ctx context.Context, r records.DoseReview, after int64) (records.DoseReview, error)
	AddReviewStep(ctx context.Context, step records.ReviewStep) (records.ReviewStep, error)
	GiveBeds(ctx context.Context, given ...records.GivenBeds) error
}

// Stays tells a stay at a moment.
type Stays interface {
	Stay(ctx context.Context, stayID string, at time.Time) (assess.StayView, error)
}

// Site is where the people of the demo work. Zone is that of its clocks.
type Site struct {
	Codes *codebook.Book
	Owed  *care.Service
	Stays Stays
	Store Store
	Zone  *time.Location
}

// opened is for how long the program has kept what is owed when the demo opens: since before the
// latest review.
const opened = time.Hour

// Do does it all, at a moment. The unit's facts are loaded; what is owed by them is opened
// first.
func Do(ctx context.Context, s Site, at time.Time) error {
	for _, m := range demo.Mappings() {
		c := records.Code{
			System: records.TextSystem, Code: m.Text, Kind: records.CodeDrug, Value: m.ATC, Who: string(records.Administrator),
		}
		if _, err := s.Codes.Save(ctx, c); err != nil {
			return err
		}
	}
	if _, err := s.Owed.StepAll(ctx, at.Add(-opened)); err != nil {
		return err
	}
	for _, r := range demo.Reviews() {
		if err := s.review(ctx, r, at); err != nil {
			return fmt.Errorf("the demo's dose review of %s: %w", r.StayID, err)
		}
	}
	if _, err := s.Owed.StepAll(ctx, at); err != nil {
		return err
	}
	for _, d := range demo.Deeds() {
		if err := do(ctx, s.Owed, d, at); err != nil {
			return fmt.Errorf("the demo's %s of %s: %w", d.Do, d.StayID, err)
		}
	}
	return s.giveBeds(ctx, at)
}

func do(ctx context.Context, owed *care.Service, d demo.Deed, at time.Time) error {
	all, err := owed.Stay(ctx, d.StayID)
	if err != nil {
		return err
	}
	n := slices.IndexFunc(all, func(h care.History) bool {
		return h.Episode.Active() && h.Episode.Kind == records.EpisodeKind(d.Kind)
	})
	if n < 0 {
		return fmt.Errorf("nothing of the kind %s is owed", d.Kind)
	}
	a := episodes.Action{Do: episodes.Verb(d.Do), Who: d.Who, Name: d.Name, Reason: d.Reason}
	switch a.Do {
	case episodes.Tell:
		a.ToldAt = at.Add(-d.Ago)
	case episodes.Defer:
		a.Until = at.Add(d.For)
	}
	_, err = owed.Act(ctx, all[n].Episode.ID, a, at)
	return err
}

// review records a review of doses by what was known at its moment, with its answer, and ends
// what asked for it where nobody has answered yet.
func (s Site) review(ctx context.Context, r demo.Reviewed, at time.Time) error {
	made := at.Add(-r.Ago)
	view, err := s.Stays.Stay(ctx, r.StayID, made)
	if err != nil {
		return err
	}
	d := dosereview.Draft{
		Outcome: dosereview.Suggested, Note: r.Note, LookAgain: made.In(s.Zone).AddDate(0, 0, r.Days).Format(time.DateOnly),
		Suggestions: []records.DoseSuggestion{{Drug: r.Drug, Class: records.SuggestionClass(r.Class)}},
	}
	if wrong := d.Check(made.In(s.Zone).Format(time.DateOnly)); len(wrong) > 0 {
		return fmt.Errorf("it cannot be recorded: %v", wrong)
	}
	kept, err := s.Store.AddDoseReview(ctx, records.DoseReview{
		StayID: r.StayID, Who: r.Who, At: made, Outcome: d.Outcome, Note: d.Note, LookAgain: d.LookAgain,
		Evidence: dosereview.EvidenceOf(view.Assessment), Suggestions: d.Suggestions,
	}, 0)
	if err != nil {
		return err
	}
	if r.Answer == "" {
		return s.Owed.EndDoseReview(ctx, kept, text.ReviewEnds(kept.Outcome))
	}
	_, err = s.Store.AddReviewStep(ctx, records.ReviewStep{
		StayID: r.StayID, Review: kept.Number, What: records.Answered, Who: r.AnsweredBy, At: at.Add(-r.AnsweredAgo), Answer: r.Answer,
	})
	return err
}

func (s Site) giveBeds(ctx context.Context, at time.Time) error {
	p := policy.For(ctx, s.Owed.Policy).Policy.Unit
	for _, b := range demo.Given() {
		if err := s.Store.GiveBeds(ctx, records.GivenBeds{
			Unit: demo.MainUnit, From: b.From, To: b.To, Nurse: b.Nurse, Who: b.Who, At: at, Until: alerts.NextShift(p, s.Zone, at),
		}); err != nil {
			return err
		}
	}
	return nil
}
