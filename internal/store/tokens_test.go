package store

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
)

func apiToken(name, hash string) APIToken {
	return APIToken{Name: name, NameKey: name, TokenHash: []byte(hash), MadeBy: "root", MadeAt: noon, ExpiresAt: hours(24),
		Scopes: []string{"list:read"}, Units: []string{"4W"}}
}

func TestAPITokensComeBackAsTheyWere(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		if list := get(s.APITokens(ctx))(t); len(list) != 0 {
			t.Errorf("tokens of a new store: %+v", list)
		}
		b := apiToken("b", "h\x00b")
		b.Scopes, b.Units = []string{"sets:read", "list:read"}, []string{"ü", "4W", "*"}
		b = get(s.AddAPIToken(ctx, b))(t)
		a := apiToken("a", "h\x00a")
		a.AllUnits, a.Units, a.Scopes, a.RevokedAt, a.UsedAt = true, nil, nil, hours(1.5), hours(1)
		a = get(s.AddAPIToken(ctx, a))(t)
		b.Scopes, b.Units = []string{"list:read", "sets:read"}, []string{"*", "4W", "ü"}
		if diff := cmp.Diff([]APIToken{a, b}, get(s.APITokens(ctx))(t)); diff != "" || a.ID == b.ID || a.ID == 0 {
			t.Errorf("tokens (-want +got):\n%s", diff)
		}
		for _, want := range []APIToken{a, b} {
			if diff := cmp.Diff(want, get(s.APITokenOf(ctx, want.TokenHash))(t)); diff != "" {
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
		a := get(s.AddAPIToken(ctx, apiToken("a", "one")))(t)
		must(t, s.RevokeAPIToken(ctx, a.ID, noon))
		for _, taken := range []APIToken{apiToken("a", "two"), apiToken("b", "one")} {
			if _, err := s.AddAPIToken(ctx, taken); clinical.CodeOf(err) != clinical.Conflict {
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
		a, other := get(s.AddAPIToken(ctx, apiToken("a", "one")))(t), get(s.AddAPIToken(ctx, apiToken("b", "two")))(t)
		kept := func() APIToken { return get(s.APITokenOf(ctx, a.TokenHash))(t) }
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
		if diff := cmp.Diff(other, get(s.APITokenOf(ctx, other.TokenHash))(t)); diff != "" {
			t.Errorf("the other token (-want +got):\n%s", diff)
		}
		if err := s.RevokeAPIToken(ctx, 999, noon); clinical.CodeOf(err) != clinical.NotFound {
			t.Errorf("a token that is not there: %v", err)
		}
		must(t, s.TouchAPIToken(ctx, 999, noon)) // nothing to note, and no harm
	})
}
