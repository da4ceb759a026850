package store

import (
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestDoseReviewsComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		want := []records.DoseReview{
			{StayID: "S1", AccountID: 7, Who: "pia", At: hours(1), Outcome: "suggested", Note: "Ümlaut,\n2 lines", LookAgain: "2026-03-05",
				Evidence: records.DoseEvidence{Flags: []records.DoseFlag{{Rule: "D-FIRST", Drugs: []string{"ü"}, Facts: []string{"1"}}}, Raised: []string{"x\n"}}},
			{StayID: "S1", AccountID: 8, Who: "raj", At: hours(3), Outcome: "no_change", LookAgain: "2026-03-09"},
		}
		for n := range want {
			got := get(s.AddDoseReview(t.Context(), want[n], int64(n)))(t)
			want[n].Number = int64(n + 1)
			if diff := cmp.Diff(want[n], got); diff != "" {
				t.Errorf("added (-want +got):\n%s", diff)
			}
		}
		other := get(s.AddDoseReview(t.Context(), records.DoseReview{StayID: "S2", At: hours(2)}, 0))(t)
		for by, of := range map[float64]map[string][]records.DoseReview{
			0: {}, 1: {"S1": want[:1]}, 2: {"S1": want[:1], "S2": {other}}, 9: {"S1": want, "S2": {other}},
		} {
			got := get(s.DoseReviewsOf(t.Context(), []string{"S2", "S1", "S3"}, hours(by)))(t)
			if diff := cmp.Diff(of, got); diff != "" {
				t.Errorf("known by hour %v (-want +got):\n%s", by, diff)
			}
		}
		if got := get(s.DoseReviewsOf(t.Context(), nil, hours(9)))(t); len(got) != 0 {
			t.Errorf("of no stay: %v", got)
		}
	})
}

func TestADoseReviewFollowsTheLast(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		add := func(after int64) error {
			_, err := s.AddDoseReview(t.Context(), records.DoseReview{StayID: "S1", At: noon}, after)
			return err
		}
		must(t, add(0))
		for _, after := range []int64{0, 2, -1} {
			if err := add(after); clinical.CodeOf(err) != clinical.Conflict {
				t.Errorf("after %d: %v, want a conflict", after, err)
			}
		}
		must(t, add(1))
	})
}

// Of many who send at once after the same review one is recorded, every time.
func TestDoseReviewsFromManyHands(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		var saved, refused atomic.Int64
		var hands sync.WaitGroup
		for n := range 8 {
			hands.Go(func() {
				switch _, err := s.AddDoseReview(t.Context(), records.DoseReview{StayID: "S1", Who: fmt.Sprint(n), At: noon}, 0); clinical.CodeOf(err) {
				case "":
					saved.Add(1)
				case clinical.Conflict:
					refused.Add(1)
				default:
					t.Error(err)
				}
			})
		}
		hands.Wait()
		if saved.Load() != 1 || refused.Load() != 7 {
			t.Errorf("%d saved, %d refused", saved.Load(), refused.Load())
		}
	})
}

func TestDoseReviewsAreOnlyEverAddedTo(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		get(s.AddDoseReview(t.Context(), records.DoseReview{StayID: "S1", At: noon}, 0))(t)
		get(s.AddReviewStep(t.Context(), records.ReviewStep{StayID: "S1", Review: 1, What: records.TakenBack, At: noon}))(t)
		statements := []string{
			"UPDATE dose_reviews SET note = 'x'", "DELETE FROM dose_reviews", "UPDATE dose_review_steps SET note = 'x'", "DELETE FROM dose_review_steps",
		}
		if s.engine == Postgres {
			statements = append(statements, "TRUNCATE dose_reviews", "TRUNCATE dose_review_steps")
		}
		for _, statement := range statements {
			if err := s.write.Exec(statement).Error; err == nil || !strings.Contains(err.Error(), "kept as they are") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	})
}

func TestWhatIsSaidOfAReviewStandsBesideIt(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		suggested := []records.DoseSuggestion{{Drug: "doxazosin", Class: "stop"}, {Drug: "Ümlaut", Class: "lower"}}
		r := get(s.AddDoseReview(t.Context(), records.DoseReview{StayID: "S1", At: hours(1), Outcome: "suggested", Suggestions: suggested}, 0))(t)
		if diff := cmp.Diff(suggested, r.Suggestions); diff != "" {
			t.Errorf("the suggestions (-want +got):\n%s", diff)
		}
		step := records.ReviewStep{StayID: "S1", Review: 1, What: records.Answered, AccountID: 3, Who: "ina", At: hours(2), Answer: "agreed"}
		got := get(s.AddReviewStep(t.Context(), step))(t)
		if step.Number = 1; got != step {
			t.Errorf("added %v, want %v", got, step)
		}
		back := records.ReviewStep{StayID: "S1", Review: 1, What: records.TakenBack, Who: "pia", At: hours(3), Note: "another patient"}
		get(s.AddReviewStep(t.Context(), back))(t)
		if _, err := s.AddReviewStep(t.Context(), step); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("answered after it was taken back: %v", err)
		}
		step.Review = 2
		if _, err := s.AddReviewStep(t.Context(), step); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("said of no review: %v", err)
		}
		for by, want := range map[float64]int{1: 0, 2: 1, 3: 2} {
			of := get(s.DoseReviewsOf(t.Context(), []string{"S1"}, hours(by)))(t)["S1"]
			if len(of) != 1 || len(of[0].Steps) != want {
				t.Errorf("by hour %v: %v, want %d steps", by, of, want)
			}
		}
		if list, more, err := s.SuggestionsMade(t.Context(), []string{"4W"}, hours(0), hours(9), 5); err != nil || len(list)+more != 0 {
			t.Errorf("of a stay on no unit: %v, %d, %v", list, more, err)
		}
	})
}
