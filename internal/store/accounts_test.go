package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func account(name string, roles []records.Role, units []string) records.Account {
	return records.Account{Name: name, Password: "hash of " + name, PasswordSetAt: hours(-1),
		Roles: roles, Units: units, CreatedAt: noon}
}

// add keeps an account under the lower case of its name.
func add(s *Store, a records.Account) (records.Account, error) {
	return s.AddAccount(context.Background(), strings.ToLower(a.Name), a)
}

// roles are some that the program knows.
func roles(some ...records.Role) []records.Role { return some }

func TestAccountsComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		if list := get(s.Accounts(ctx))(t); len(list) != 0 {
			t.Errorf("accounts of a new store: %+v", list)
		}
		b := get(add(s, account("Beta", roles("screen", "bedside-nurse"), []string{"ü", "4W", "*"})))(t)
		a := account("alpha", roles("screen"), nil)
		a.OneTime, a.AllUnits, a.ShowCodes, a.Epoch, a.DisabledAt = true, true, true, 7, hours(1.5)
		a = get(add(s, a))(t)
		b.Roles, b.Units = roles("bedside-nurse", "screen"), []string{"*", "4W", "ü"}
		if diff := cmp.Diff([]records.Account{a, b}, get(s.Accounts(ctx))(t)); diff != "" || a.ID == b.ID {
			t.Errorf("accounts (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(b, get(s.AccountNamed(ctx, "beta"))(t)); diff != "" {
			t.Errorf("by name (-want +got):\n%s", diff)
		}
		if _, err := s.AccountNamed(ctx, "Beta"); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a name that is no key: %v", err)
		}
		if _, err := add(s, account("BETA", roles("bedside-nurse"), nil)); clinical.CodeOf(err) != clinical.Conflict {
			t.Errorf("a name that is taken: %v", err)
		}
		if n := count(t, s, "account_grants"); n != 6 {
			t.Errorf("%d grants after a refused account, want 6", n)
		}
	})
}

func TestChangeAccount(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		a := get(add(s, account("a", roles("bedside-nurse", "pharmacist"), []string{"1"})))(t)
		other := get(add(s, account("b", roles("bedside-nurse"), []string{"1"})))(t)
		got := get(s.ChangeAccount(ctx, a.ID, func(c *records.Account, all []records.Account) error {
			if len(all) != 2 {
				t.Errorf("the change sees %d accounts, want 2", len(all))
			}
			c.Name = "stays"
			c.Roles, c.Units, c.AllUnits, c.Epoch, c.DisabledAt, c.Password = roles("falls-nurse"), nil, true, 3, hours(2), "new"
			c.ShowCodes = true
			return nil
		}))(t)
		want := a
		want.Roles, want.Units, want.AllUnits, want.Epoch, want.DisabledAt, want.Password = roles("falls-nurse"), nil, true, 3, hours(2), "new"
		want.ShowCodes = true
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("returned (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff([]records.Account{want, other}, get(s.Accounts(ctx))(t)); diff != "" {
			t.Errorf("kept (-want +got):\n%s", diff)
		}
		// Back to false and to nothing: no zero value is passed over.
		got = get(s.ChangeAccount(ctx, a.ID, func(c *records.Account, _ []records.Account) error {
			c.AllUnits, c.DisabledAt, c.Epoch = false, time.Time{}, 0
			return nil
		}))(t)
		if kept := get(s.AccountNamed(ctx, "a"))(t); kept.AllUnits || !kept.DisabledAt.IsZero() || kept.Epoch != 0 || !cmp.Equal(kept, got) {
			t.Errorf("kept %+v", kept)
		}
		refused := errors.New("no")
		_, err := s.ChangeAccount(ctx, a.ID, func(c *records.Account, _ []records.Account) error { c.Epoch = 9; return refused })
		if !errors.Is(err, refused) {
			t.Errorf("a change that is refused: %v", err)
		}
		if kept := get(s.AccountNamed(ctx, "a"))(t); kept.Epoch != 0 {
			t.Error("a change that was refused is kept")
		}
		if _, err := s.ChangeAccount(ctx, 999, func(*records.Account, []records.Account) error { return nil }); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("an account that is not there: %v", err)
		}
	})
}

// Two who change accounts at once see each other's change: of two administrators
// who disable each other one is left.
func TestChangesOfAccountsTakeTurns(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		const n = 8
		ids := make([]int64, n)
		for k := range ids {
			ids[k] = get(add(s, account(fmt.Sprint("a", k), roles("administrator"), nil)))(t).ID
		}
		last := errors.New("the last one")
		var wg sync.WaitGroup
		for _, id := range ids {
			wg.Go(func() {
				_, err := s.ChangeAccount(ctx, id, func(a *records.Account, all []records.Account) error {
					for _, b := range all {
						if b.ID != a.ID && b.DisabledAt.IsZero() {
							a.DisabledAt = noon
							return nil
						}
					}
					return last
				})
				if err != nil && !errors.Is(err, last) {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		left := 0
		for _, a := range get(s.Accounts(ctx))(t) {
			if a.DisabledAt.IsZero() {
				left++
			}
		}
		if left != 1 {
			t.Errorf("%d accounts are left, want 1", left)
		}
	})
}

func TestSessions(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		a := get(add(s, account("a", roles("bedside-nurse", "pharmacist"), []string{"4W", "7E"})))(t)
		bare := get(add(s, account("bare", nil, nil)))(t)
		start := func(token string, of int64, epoch int64, started, used float64) {
			must(t, s.AddSession(ctx, records.Session{TokenHash: []byte(token), AccountID: of, Epoch: epoch, StartedAt: hours(started), UsedAt: hours(used)}))
		}
		start("t\x00one", a.ID, 0, 0, 0)
		start("two", bare.ID, 0, 0, 5)
		session, of, err := s.SessionOf(ctx, []byte("t\x00one"))
		must(t, err)
		if diff := cmp.Diff(a, of); diff != "" {
			t.Errorf("the account of the session (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(records.Session{TokenHash: []byte("t\x00one"), AccountID: a.ID, Epoch: 0, StartedAt: hours(0), UsedAt: hours(0)}, session); diff != "" {
			t.Errorf("the session (-want +got):\n%s", diff)
		}
		if _, of, err = s.SessionOf(ctx, []byte("two")); err != nil || of.Name != "bare" || of.Roles != nil {
			t.Errorf("an account without grants: %+v %v", of, err)
		}
		if _, _, err = s.SessionOf(ctx, []byte("t")); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a token of none: %v", err)
		}
		must(t, s.TouchSession(ctx, []byte("t\x00one"), hours(2)))
		must(t, s.TouchSession(ctx, []byte("t\x00one"), hours(1)))
		if session, _, _ = s.SessionOf(ctx, []byte("t\x00one")); !session.UsedAt.Equal(hours(2)) {
			t.Errorf("last used %s, want the later of two uses", session.UsedAt)
		}
		start("idle", a.ID, 0, 3, 3.9)
		start("old", a.ID, 0, -8.1, 5)
		start("ended", a.ID, 1, 3, 5)
		start("good", a.ID, 0, -8, 4)
		start("used ahead", a.ID, 0, 4, 7)
		start("begun ahead", a.ID, 0, 7, 5)
		must(t, s.TouchSession(ctx, []byte("t\x00one"), hours(4)))
		must(t, s.DropSessions(ctx, hours(4), hours(-8), hours(6)))
		for token, want := range map[string]bool{"t\x00one": true, "two": true, "good": true, "idle": false, "used ahead": false, "begun ahead": false, "old": false, "ended": false} {
			if _, _, err := s.SessionOf(ctx, []byte(token)); (err == nil) != want {
				t.Errorf("session %q after the lapsed ones were dropped: %v", token, err)
			}
		}
		must(t, s.EndSession(ctx, []byte("good")))
		must(t, s.EndSession(ctx, []byte("good")))
		if _, _, err := s.SessionOf(ctx, []byte("good")); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a session that has ended: %v", err)
		}
	})
}

func TestAKeyIsMadeOnce(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		keys := make([]string, 6)
		var wg sync.WaitGroup
		for n := range keys {
			wg.Go(func() {
				key, err := s.Key(t.Context(), "k", []byte{byte(n), 0, 255})
				if err != nil {
					t.Error(err)
				}
				keys[n] = string(key)
			})
		}
		wg.Wait()
		for _, k := range keys {
			if k != keys[0] || len(k) != 3 {
				t.Errorf("who asks at once gets %q", keys)
				break
			}
		}
		if other := get(s.Key(t.Context(), "other", []byte("o")))(t); string(other) != "o" {
			t.Errorf("another key is %q", other)
		}
	})
}
