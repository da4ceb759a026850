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

func TestPolicyVersionsComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		if _, err := s.LatestPolicyVersion(t.Context()); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("the latest of none: %v", err)
		}
		builtIn := int64(0)
		want := []records.PolicyVersion{
			{SavedAt: hours(1), Who: "ann", Note: "Longer nights\nagreed", YAML: "a: 1\n", Hash: "h1"},
			{SavedAt: hours(2), Who: "bo", Note: "Ümlaut", YAML: "a: 0\n", Hash: "h0", ReturnsTo: &builtIn},
		}
		for n := range want {
			got := get(s.AddPolicyVersion(t.Context(), want[n], int64(n)))(t)
			want[n].Number = int64(n + 1)
			if diff := cmp.Diff(want[n], got); diff != "" {
				t.Errorf("added (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(want[n], get(s.LatestPolicyVersion(t.Context()))(t)); diff != "" {
				t.Errorf("latest (-want +got):\n%s", diff)
			}
		}
		if diff := cmp.Diff(want[0], get(s.PolicyVersionOf(t.Context(), 1))(t)); diff != "" {
			t.Errorf("version 1 (-want +got):\n%s", diff)
		}
		for _, number := range []int64{-1, 0, 3} {
			if _, err := s.PolicyVersionOf(t.Context(), number); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("version %d: %v", number, err)
			}
		}
		list := get(s.PolicyVersions(t.Context(), 1))(t)
		if len(list) != 1 || list[0].Number != 2 || list[0].YAML != "" || list[0].Note != "Ümlaut" {
			t.Errorf("the newest: %+v", list)
		}
		if got := textsByHash(t, s); got != "h0 a: 0\n, h1 a: 1\n" {
			t.Errorf("texts by hash: %q", got)
		}
	})
}

// textsByHash are the texts kept by hash.
func textsByHash(t *testing.T, s *Store) string {
	t.Helper()
	return strings.Join(list(t, s, "SELECT hash || ' ' || yaml FROM policies ORDER BY hash"), ", ")
}

func TestAPolicyVersionFollowsTheLatest(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		add := func(after int64) error {
			_, err := s.AddPolicyVersion(t.Context(), records.PolicyVersion{SavedAt: noon, Hash: fmt.Sprint(after)}, after)
			return err
		}
		must(t, add(0))
		for _, after := range []int64{0, 2, -1} {
			if err := add(after); clinical.CodeOf(err) != clinical.Conflict {
				t.Errorf("after %d: %v, want a conflict", after, err)
			}
		}
		must(t, add(1))
		if got := textsByHash(t, s); got != "0 , 1 " {
			t.Errorf("a refused version left its text: %q", got)
		}
	})
}

// Of many who save at once after the same version one does, every time.
func TestPolicyVersionsFromManyHands(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		for round := range int64(3) {
			var saved, refused atomic.Int64
			var hands sync.WaitGroup
			for range 8 {
				hands.Go(func() {
					_, err := s.AddPolicyVersion(t.Context(), records.PolicyVersion{SavedAt: noon}, round)
					switch clinical.CodeOf(err) {
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
				t.Errorf("round %d: %d saved, %d refused", round, saved.Load(), refused.Load())
			}
		}
	})
}

func TestPolicyVersionsAreOnlyEverAddedTo(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		get(s.AddPolicyVersion(t.Context(), records.PolicyVersion{SavedAt: noon, Who: "ann"}, 0))(t)
		statements := []string{"UPDATE policy_versions SET note = ''", "DELETE FROM policy_versions"}
		if s.engine == Postgres {
			statements = append(statements, "TRUNCATE policy_versions")
		}
		for _, statement := range statements {
			if err := s.write.Exec(statement).Error; err == nil || !strings.Contains(err.Error(), "kept as they are") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	})
}
