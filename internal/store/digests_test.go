package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestDigests(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		load(t, s, in("stays.csv", stay("A", "4W", 0), stay("B", "4W", 0)))
		digest := func(stay string, revision int64, body string) records.Digest {
			return records.Digest{StayID: stay, Basis: "policy 1", Revision: revision, ValidFrom: hours(1), ValidUntil: hours(2), Body: []byte(body)}
		}
		expect := func(step string, want records.Digest) {
			t.Helper()
			got, _, err := s.Digests(ctx, []string{"A", "B", "nobody"})
			must(t, err)
			if diff := cmp.Diff(map[string]records.Digest{"A": want}, got, inUTC); diff != "" {
				t.Errorf("%s (-want +got):\n%s", step, diff)
			}
		}
		must(t, s.SaveDigests(ctx, nil))
		must(t, s.SaveDigests(ctx, []records.Digest{digest("A", 5, "five")}))
		expect("saved", digest("A", 5, "five"))
		must(t, s.SaveDigests(ctx, []records.Digest{digest("A", 4, "four")}))
		expect("an older one does not take its place", digest("A", 5, "five"))
		other := digest("A", 5, "five again\x00\xff")
		other.Basis, other.ValidUntil = "policy 2", hours(0)
		other.ValidUntil = other.ValidUntil.AddDate(-3000, 0, 0) // long ago is not "no end"
		must(t, s.SaveDigests(ctx, []records.Digest{other}))
		expect("one of the same revision and another basis does", other)
		open := digest("A", 7, "")
		open.ValidUntil, open.Body = open.ValidUntil.AddDate(-5000, 0, 0), []byte{}
		open.ValidUntil = records.Digest{}.ValidUntil
		must(t, s.SaveDigests(ctx, []records.Digest{digest("A", 6, "six"), open, digest("A", 5, "five")}))
		expect("the newest of several", open)

		_, revisions, err := s.Digests(ctx, []string{"A", "B", "nobody"})
		must(t, err)
		if len(revisions) != 2 || revisions["A"] == 0 {
			t.Errorf("revisions = %v, want those of A and B", revisions)
		}
		alone, err := s.Revisions(ctx, []string{"B", "A", "nobody", "A"})
		must(t, err)
		if diff := cmp.Diff(revisions, alone); diff != "" {
			t.Errorf("revisions without digests (-with +without):\n%s", diff)
		}
	})
}

func TestAPolicyKeepsItsFirstMoment(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SavePolicy(t.Context(), "abc", "a: 1", noon))
		must(t, s.SavePolicy(t.Context(), "abc", "a: 1", hours(5)))
		var row policyRow
		must(t, s.reading(t.Context()).Take(&row).Error)
		if row != (policyRow{"abc", "a: 1", micros(noon)}) {
			t.Errorf("the policy is %+v", row)
		}
	})
}
