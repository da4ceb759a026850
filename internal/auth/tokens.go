package auth

import (
	"context"
	"net/netip"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// TokenStore keeps the tokens of machines. Errors for what is not there carry
// clinical.NotFound, for a name that is taken clinical.Conflict.
type TokenStore interface {
	APITokens(ctx context.Context) ([]records.APIToken, error) // by name, those too that no longer hold
	AddAPIToken(ctx context.Context, nameKey string, tokenHash []byte, t records.APIToken) (records.APIToken, error)
	APITokenOf(ctx context.Context, tokenHash []byte) (records.APIToken, error)
	// RevokeAPIToken changes nothing of a token that is revoked already.
	RevokeAPIToken(ctx context.Context, id int64, at time.Time) error
	// TouchAPIToken notes a use; an earlier moment than that on record changes nothing.
	TouchAPIToken(ctx context.Context, id int64, at time.Time) error
}

// Tokens makes, lists, revokes and recognises the tokens of machines.
type Tokens struct {
	Store  TokenStore
	Clock  clinical.Clock
	Limits *Limits // of wrong tokens; not those of the accounts
	// Steady runs evenly, whatever is done to the machine's clock. Nil: Clock.
	Steady clinical.Clock
	pace   pace // of what tokens send
}

// useEvery is how finely the last use of a token is noted, so that a machine that asks
// often costs a write an hour.
const useEvery = time.Hour

// ErrToken is the one answer to a token that does not serve, whatever the reason.
var ErrToken = clinical.Errorf(clinical.NotFound, "the token is not known, has expired or was revoked")

// Resolve recognises a token. Where it does not serve the error is ErrToken; the token
// that was named is returned where it was known once, for the audit, and its zero value
// otherwise. Its time does not tell how near a guess came: what is compared is a hash.
func (s *Tokens) Resolve(ctx context.Context, token string) (records.APIToken, error) {
	if !IsAPIToken(token) {
		return records.APIToken{}, ErrToken
	}
	t, err := s.Store.APITokenOf(ctx, HashToken(token))
	if clinical.CodeOf(err) == clinical.NotFound {
		return records.APIToken{}, ErrToken
	}
	if err != nil {
		return records.APIToken{}, err
	}
	now := s.Clock()
	if !t.Holds(now) {
		return t, ErrToken
	}
	if hour := now.UTC().Truncate(useEvery); hour.After(t.UsedAt) {
		err = briefly(ctx, func(brief context.Context) error { return s.Store.TouchAPIToken(brief, t.ID, hour) })
	}
	return t, err
}

// Wrong counts a token that was not known. The error is a *WaitError where too many
// came from the address lately.
func (s *Tokens) Wrong(from netip.Addr) error {
	return s.Limits.WrongToken(from, steady(s.Steady, s.Clock))
}

// List lists every token by name, those too that no longer hold.
func (s *Tokens) List(ctx context.Context) ([]records.APIToken, error) { return s.Store.APITokens(ctx) }

// Check says whether a token may be made: error Invalid for what is wrong with it,
// Conflict for a name that is taken. A name serves once, for the audit knows a token by it.
func (s *Tokens) Check(ctx context.Context, t records.APIToken) error {
	if err := CheckAPIToken(t, s.Clock()); err != nil {
		return err
	}
	_, err := s.Named(ctx, t.Name)
	switch clinical.CodeOf(err) {
	case "":
		return clinical.Errorf(clinical.Conflict, "a token was named %q before; a name serves once, so choose another one", t.Name)
	case clinical.NotFound:
		return nil
	}
	return err
}

// Make makes a token. The secret is returned this once and not kept.
func (s *Tokens) Make(ctx context.Context, t records.APIToken, madeBy string) (secret string, made records.APIToken, err error) {
	if err := s.Check(ctx, t); err != nil {
		return "", t, err
	}
	t.MadeBy, t.MadeAt = madeBy, s.Clock()
	secret = NewAPIToken()
	made, err = s.Store.AddAPIToken(ctx, NameKey(t.Name), HashToken(secret), t)
	if err != nil {
		return "", t, err
	}
	return secret, made, nil
}

// Named finds a token by its name.
func (s *Tokens) Named(ctx context.Context, name string) (records.APIToken, error) {
	t, err := s.find(ctx, func(t records.APIToken) bool { return NameKey(t.Name) == NameKey(name) })
	if clinical.CodeOf(err) == clinical.NotFound {
		err = clinical.Errorf(clinical.NotFound, "there is no token %q; `dashboard token list` names them", name)
	}
	return t, err
}

// ByID finds a token by its number.
func (s *Tokens) ByID(ctx context.Context, id int64) (records.APIToken, error) {
	return s.find(ctx, func(t records.APIToken) bool { return t.ID == id })
}

func (s *Tokens) find(ctx context.Context, is func(records.APIToken) bool) (records.APIToken, error) {
	all, err := s.Store.APITokens(ctx)
	if err != nil {
		return records.APIToken{}, err
	}
	if n := slices.IndexFunc(all, is); n >= 0 {
		return all[n], nil
	}
	return records.APIToken{}, clinical.Errorf(clinical.NotFound, "there is no such token")
}

// Revoke ends a token at once and for good.
func (s *Tokens) Revoke(ctx context.Context, id int64) error {
	return s.Store.RevokeAPIToken(ctx, id, s.Clock())
}
