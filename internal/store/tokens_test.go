package store

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

func apiToken(name string) records.APIToken {
	return records.APIToken{Name: name, MadeBy: "root", MadeAt: noon, ExpiresAt: hours(24),
		Scopes: []records.Scope{records.ReadList}, Units: []string{"4W"}}
}

// addToken keeps a token under its name.
func addToken(s *Store, t records.APIToken, hash string) (records.APIToken, error) {
	return s.AddAPIToken(context.Background(), t.Name, []byte(hash), t)
}

func TestAPITokensComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		if list := get(s.APITokens(ctx))(t); len(list) != 0 {
			t.Errorf("tokens of a new store: %+v", list)
		}
		b := apiToken("b")
		b.Scopes, b.Units = []records.Scope{records.ReadSets, records.ReadList}, []string{"ü", "4W", "*"}
		b = get(addToken(s, b, "h\x00b"))(t)
		a := apiToken("a")
		a.AllUnits, a.Units, a.Scopes, a.RevokedAt, a.UsedAt = true, nil, nil, hours(1.5), hours(1)
		a = get(addToken(s, a, "h\x00a"))(t)
		b.Scopes, b.Units = []records.Scope{records.ReadList, records.ReadSets}, []string{"*", "4W", "ü"}
		if diff := cmp.Diff([]records.APIToken{a, b}, get(s.APITokens(ctx))(t)); diff != "" || a.ID == b.ID || a.ID == 0 {
			t.Errorf("tokens (-want +got):\n%s", diff)
		}
		for hash, want := range map[string]records.APIToken{"h\x00a": a, "h\x00b": b} {
			if diff := cmp.Diff(want, get(s.APITokenOf(ctx, []byte(hash)))(t)); diff != "" {
				t.Errorf("by hash (-want +got):\n%s", diff)
			}
		}
		for _, hash := range []string{"h", "h\x00", "h\x00B", ""} {
			if _, err := s.APITokenOf(ctx, []byte(hash)); clinical.CodeOf(err) != clinical.NotFound {
				t.Errorf("the hash %q of no token: %v", hash, err)
			}
		}
	})
}

// A name serves once, for the audit knows a token by it; nothing of a refused one stays.
func TestAPITokenNamesServeOnce(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		a := get(addToken(s, apiToken("a"), "one"))(t)
		must(t, s.RevokeAPIToken(ctx, a.ID, noon))
		for name, hash := range map[string]string{"a": "two", "b": "one"} {
			if _, err := addToken(s, apiToken(name), hash); clinical.CodeOf(err) != clinical.Conflict {
				t.Errorf("a name or a hash that is taken: %v", err)
			}
		}
		if n, g := count(t, s, "api_tokens"), count(t, s, "api_token_grants"); n != 1 || g != 2 {
			t.Errorf("%d tokens with %d grants after those refused, want 1 with 2", n, g)
		}
	})
}

func TestRevokingAndUsingAPITokens(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		a, other := get(addToken(s, apiToken("a"), "one"))(t), get(addToken(s, apiToken("b"), "two"))(t)
		kept := func() records.APIToken { return get(s.APITokenOf(ctx, []byte("one")))(t) }
		for _, use := range []struct{ at, want float64 }{{2, 2}, {1, 2}, {3, 3}} {
			must(t, s.TouchAPIToken(ctx, a.ID, hours(use.at)))
			if got := kept().UsedAt; !got.Equal(hours(use.want)) {
				t.Errorf("used %v h after noon: on record %s", use.at, got)
			}
		}
		must(t, s.RevokeAPIToken(ctx, a.ID, hours(4)))
		must(t, s.RevokeAPIToken(ctx, a.ID, hours(5)))
		if got := kept().RevokedAt; !got.Equal(hours(4)) {
			t.Errorf("revoked twice: on record %s, want the first time", got)
		}
		if diff := cmp.Diff(other, get(s.APITokenOf(ctx, []byte("two")))(t)); diff != "" {
			t.Errorf("the other token (-want +got):\n%s", diff)
		}
		if err := s.RevokeAPIToken(ctx, 999, noon); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a token that is not there: %v", err)
		}
		must(t, s.TouchAPIToken(ctx, 999, noon)) // nothing to note, and no harm
	})
}

// A role or a scope that another version of the program gave is not known here.
func TestWhatAnotherVersionGaveIsLeftOut(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		a := get(add(s, account("a", roles("screen"), []string{"4W"})))(t)
		k := get(addToken(s, apiToken("k"), "one"))(t)
		must(t, s.write.Create(&grantRow{a.ID, grantRole, "astronaut"}).Error)
		must(t, s.write.Create(&apiTokenGrantRow{k.ID, grantScope, "stars:read"}).Error)
		must(t, s.AddSession(ctx, records.Session{TokenHash: []byte("token"), AccountID: a.ID, StartedAt: noon, UsedAt: noon}))
		_, of, err := s.SessionOf(ctx, []byte("token"))
		must(t, err)
		for name, got := range map[string]records.Account{"by name": get(s.AccountNamed(ctx, "a"))(t), "by session": of} {
			if diff := cmp.Diff(a, got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", name, diff)
			}
		}
		if diff := cmp.Diff(k, get(s.APITokenOf(ctx, []byte("one")))(t)); diff != "" {
			t.Errorf("the token (-want +got):\n%s", diff)
		}
	})
}
