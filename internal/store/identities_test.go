package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
)

func TestIdentities(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		local := get(s.AddAccount(ctx, account("local", []string{"x"}, nil)))(t)
		a := account("ann", []string{"x"}, []string{"4W"})
		a.Issuer, a.Subject = "https://login.example", "Ü-1"
		a = get(s.AddAccount(ctx, a))(t)
		for name, read := range map[string]func() (Account, error){
			"by identity": func() (Account, error) { return s.AccountOf(ctx, "https://login.example", "Ü-1") },
			"by name":     func() (Account, error) { return s.AccountNamed(ctx, "ann") },
			"by session": func() (Account, error) {
				must(t, s.AddSession(ctx, Session{[]byte("token"), a.ID, 0, noon, noon}))
				_, of, err := s.SessionOf(ctx, []byte("token"))
				return of, err
			},
		} {
			if diff := cmp.Diff(a, get(read())(t)); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		// The same subject of another service, and another spelling, are other people.
		for _, other := range [][2]string{{"https://other.example", "Ü-1"}, {"https://login.example", "ü-1"}, {"https://login.example", "Ü-1 "}, {"", ""}} {
			if got, err := s.AccountOf(ctx, other[0], other[1]); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("%q is %q: %v", other, got.Name, err)
			}
		}
		twice := account("twice", []string{"x"}, nil)
		twice.Issuer, twice.Subject = a.Issuer, a.Subject
		if _, err := s.AddAccount(ctx, twice); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("one identity for two accounts: %v", err)
		}
		if n := count(t, s, "accounts"); n != 2 {
			t.Errorf("%d accounts after one was refused, want 2", n)
		}
		if _, err := s.ChangeAccount(ctx, local.ID, func(c *Account, _ []Account) error {
			c.Issuer, c.Subject, c.DisabledAt = a.Issuer, a.Subject, noon
			return nil
		}); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("an identity taken from another account: %v", err)
		}
		if kept := get(s.AccountNamed(ctx, "local"))(t); !cmp.Equal(kept, local) {
			t.Errorf("a change that was refused is kept: %+v", kept)
		}

		change := func(id int64, issuer, subject string) {
			t.Helper()
			got := get(s.ChangeAccount(ctx, id, func(c *Account, _ []Account) error { c.Issuer, c.Subject = issuer, subject; return nil }))(t)
			if got.Issuer != issuer || got.Subject != subject {
				t.Errorf("changed to %q %q", got.Issuer, got.Subject)
			}
		}
		change(a.ID, "", "")
		if _, err := s.AccountOf(ctx, "https://login.example", "Ü-1"); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an identity that was dropped: %v", err)
		}
		change(local.ID, "https://login.example", "Ü-1")
		if got := get(s.AccountOf(ctx, "https://login.example", "Ü-1"))(t); got.ID != local.ID {
			t.Errorf("an identity that was given on is %q's", got.Name)
		}
		// Other changes leave it alone.
		_ = get(s.ChangeAccount(ctx, local.ID, func(c *Account, _ []Account) error { c.DisabledAt = time.Time{}; c.Epoch++; return nil }))(t)
		if got := get(s.AccountOf(ctx, "https://login.example", "Ü-1"))(t); got.ID != local.ID || got.Epoch != local.Epoch+1 {
			t.Errorf("after another change: %+v", got)
		}
	})
}
