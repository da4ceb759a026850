package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/records"
)

// joined is a link that the store can be tested with: what matters is its order.
func joined(prev []byte, e records.AuditEntry) []byte {
	h := sha256.Sum256(fmt.Append(prev, e.N, e.At.UnixMicro(), e.Who, e.Note))
	return h[:]
}

func audited(t *testing.T, s *Store, q records.AuditQuery) (list []records.AuditEntry, n int64, hash []byte) {
	t.Helper()
	n, hash, err := s.Audit(t.Context(), q, func(e records.AuditEntry) error { list = append(list, e); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return list, n, hash
}

func TestAuditIsAChainWithoutGaps(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		if list, n, hash := audited(t, s, records.AuditQuery{}); len(list) != 0 || n != 0 || !bytes.Equal(hash, make([]byte, 32)) {
			t.Fatalf("an empty audit has %d entries, head %d:%x", len(list), n, hash)
		}
		must(t, s.AppendAudit(t.Context(), nil, joined))
		first := records.AuditEntry{At: hours(1).Add(1234 * time.Nanosecond), Who: "anna", From: "::1", Did: "view", What: "page", Unit: "4W", Stay: "S1", AsOf: hours(-5), Outcome: "200", Note: "a\x00b\xff"}
		must(t, s.AppendAudit(t.Context(), []records.AuditEntry{first, {At: hours(2), Who: "ben"}}, joined))
		must(t, s.AppendAudit(t.Context(), []records.AuditEntry{{At: hours(3), Who: "anna", Stay: "S2"}}, joined))

		list, n, hash := audited(t, s, records.AuditQuery{})
		prev := make([]byte, 32)
		for i, e := range list {
			if e.N != int64(i+1) || !bytes.Equal(e.Hash, joined(prev, e)) {
				t.Errorf("entry %d does not follow: %+v", i, e)
			}
			prev = e.Hash
		}
		if n != 3 || !bytes.Equal(hash, prev) {
			t.Errorf("head %d:%x", n, hash)
		}
		got := list[0]
		if got.At.Nanosecond() != 1000 || got.AsOf != hours(-5) || got.Who != "anna" || got.From != "::1" || got.Outcome != "200" || strings.Contains(got.Note, "\x00") {
			t.Errorf("came back as %+v", got)
		}
		if !list[1].AsOf.IsZero() {
			t.Errorf("the present came back as %s", list[1].AsOf)
		}
	})
}

func TestAuditIsChosen(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		for n := range 6 {
			e := records.AuditEntry{At: hours(float64(n)), Who: []string{"anna", "ben"}[n%2], Stay: fmt.Sprint("S", n%3), Unit: []string{"4W", "7E"}[n/4]}
			must(t, s.AppendAudit(t.Context(), []records.AuditEntry{e}, joined))
		}
		for _, c := range []struct {
			q    records.AuditQuery
			want string
		}{
			{records.AuditQuery{Who: "anna"}, "1 3 5"},
			{records.AuditQuery{StayID: "S1"}, "2 5"},
			{records.AuditQuery{Who: "ben", StayID: "S1"}, "2"},
			{records.AuditQuery{From: hours(1), To: hours(4)}, "2 3 4"},
			{records.AuditQuery{Newest: true, Limit: 2}, "6 5"},
			{records.AuditQuery{Newest: true, Limit: 2, Before: 5}, "4 3"},
			{records.AuditQuery{Limit: 1}, "1"},
			{records.AuditQuery{Unit: "7E"}, "5 6"},
			{records.AuditQuery{Unit: "4W", StayID: "S1"}, "2"},
		} {
			list, _, _ := audited(t, s, c.q)
			var got []string
			for _, e := range list {
				got = append(got, fmt.Sprint(e.N))
			}
			if strings.Join(got, " ") != c.want {
				t.Errorf("%+v: %v, want %s", c.q, got, c.want)
			}
		}
		stop := errors.New("enough")
		if _, _, err := s.Audit(t.Context(), records.AuditQuery{}, func(records.AuditEntry) error { return stop }); !errors.Is(err, stop) {
			t.Errorf("stopped with %v", err)
		}
	})
}

func TestAuditIsOnlyEverAddedTo(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.AppendAudit(t.Context(), []records.AuditEntry{{At: hours(0), Who: "anna"}}, joined))
		statements := []string{"UPDATE audit_entries SET who = 'x'", "DELETE FROM audit_entries"}
		if s.engine == Postgres {
			statements = append(statements, "TRUNCATE audit_entries")
		}
		for _, statement := range statements {
			if err := s.write.Exec(statement).Error; err == nil || !strings.Contains(err.Error(), "only ever added to") {
				t.Errorf("%s: %v", statement, err)
			}
		}
	})
}

func TestAuditFromManyHandsAtOnce(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		var hands sync.WaitGroup
		for h := range 8 {
			hands.Go(func() {
				for n := range 5 {
					if err := s.AppendAudit(t.Context(), []records.AuditEntry{{At: hours(float64(n)), Who: fmt.Sprint(h)}, {At: hours(float64(n)), Who: fmt.Sprint(h)}}, joined); err != nil {
						t.Error(err)
					}
				}
			})
		}
		hands.Wait()
		list, n, _ := audited(t, s, records.AuditQuery{})
		prev := make([]byte, 32)
		for i, e := range list {
			if e.N != int64(i+1) || !bytes.Equal(e.Hash, joined(prev, e)) {
				t.Fatalf("entry %d does not follow", i)
			}
			prev = e.Hash
		}
		if n != 80 || len(list) != 80 {
			t.Errorf("%d entries, head %d", len(list), n)
		}
	})
}
