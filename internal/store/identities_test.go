package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func TestIdentities(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		local := get(add(s, account("local", roles("screen"), nil)))(t)
		a := account("ann", roles("screen"), []string{"4W"})
		a.Identity = records.Identity{Issuer: "https://login.example", Subject: "Ü-1"}
		a = get(add(s, a))(t)
		for name, read := range map[string]func() (records.Account, error){
			"by identity": func() (records.Account, error) { return s.AccountOf(ctx, a.Identity) },
			"by name":     func() (records.Account, error) { return s.AccountNamed(ctx, "ann") },
			"by session": func() (records.Account, error) {
				must(t, s.AddSession(ctx, records.Session{TokenHash: []byte("token"), AccountID: a.ID, Epoch: 0, StartedAt: noon, UsedAt: noon}))
				_, of, err := s.SessionOf(ctx, []byte("token"))
				return of, err
			},
		} {
			if diff := cmp.Diff(a, get(read())(t)); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		// The same subject of another service, and another spelling, are other people.
		for _, other := range []records.Identity{
			{Issuer: "https://other.example", Subject: "Ü-1"}, {Issuer: "https://login.example", Subject: "ü-1"},
			{Issuer: "https://login.example", Subject: "Ü-1 "}, {},
		} {
			if got, err := s.AccountOf(ctx, other); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("%q is %q: %v", other, got.Name, err)
			}
		}
		twice := account("twice", roles("screen"), nil)
		twice.Identity = a.Identity
		if _, err := add(s, twice); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("one identity for two accounts: %v", err)
		}
		if n := count(t, s, "accounts"); n != 2 {
			t.Errorf("%d accounts after one was refused, want 2", n)
		}
		if _, err := s.ChangeAccount(ctx, local.ID, func(c *records.Account, _ []records.Account) error {
			c.Identity, c.DisabledAt = a.Identity, noon
			return nil
		}); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("an identity taken from another account: %v", err)
		}
		if kept := get(s.AccountNamed(ctx, "local"))(t); !cmp.Equal(kept, local) {
			t.Errorf("a change that was refused is kept: %+v", kept)
		}

		change := func(id int64, to records.Identity) {
			t.Helper()
			got := get(s.ChangeAccount(ctx, id, func(c *records.Account, _ []records.Account) error { c.Identity = to; return nil }))(t)
			if got.Identity != to {
				t.Errorf("changed to %q", got.Identity)
			}
		}
		change(a.ID, records.Identity{})
		if _, err := s.AccountOf(ctx, a.Identity); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an identity that was dropped: %v", err)
		}
		change(local.ID, a.Identity)
		if got := get(s.AccountOf(ctx, a.Identity))(t); got.ID != local.ID {
			t.Errorf("an identity that was given on is %q's", got.Name)
		}
		// Other changes leave it alone.
		_ = get(s.ChangeAccount(ctx, local.ID, func(c *records.Account, _ []records.Account) error { c.DisabledAt = time.Time{}; c.Epoch++; return nil }))(t)
		if got := get(s.AccountOf(ctx, a.Identity))(t); got.ID != local.ID || got.Epoch != local.Epoch+1 {
			t.Errorf("after another change: %+v", got)
		}
	})
}
