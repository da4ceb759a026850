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
		statements := []string{"UPDATE dose_reviews SET note = 'x'", "DELETE FROM dose_reviews"}
		if s.engine == Postgres {
			statements = append(statements, "TRUNCATE dose_reviews")
		}
		for _, statement := range statements {
			if err := s.write.Exec(statement).Error; err == nil || !strings.Contains(err.Error(), "kept as they are") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	})
}
