package authtest

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
)

// Tokens is an auth.TokenStore in memory.
type Tokens struct {
	mu      sync.Mutex
	all     []auth.APIToken
	hashes  map[string]int64 // to the number of the token
	Touches int              // how often a use was written
}

func noToken() error { return clinical.Errorf(clinical.NotFound, "there is no such token") }

// APITokens implements auth.TokenStore.
func (m *Tokens) APITokens(context.Context) ([]auth.APIToken, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	all := slices.Clone(m.all)
	slices.SortFunc(all, func(a, b auth.APIToken) int { return cmp.Compare(auth.NameKey(a.Name), auth.NameKey(b.Name)) })
	return all, nil
}

// AddAPIToken implements auth.TokenStore.
func (m *Tokens) AddAPIToken(_ context.Context, nameKey string, tokenHash []byte, t auth.APIToken) (auth.APIToken, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if slices.ContainsFunc(m.all, func(b auth.APIToken) bool { return auth.NameKey(b.Name) == nameKey }) {
		return t, clinical.Errorf(clinical.Conflict, "the name is taken")
	}
	t.ID = int64(len(m.all) + 1)
	m.all = append(m.all, t)
	if m.hashes == nil {
		m.hashes = map[string]int64{}
	}
	m.hashes[string(tokenHash)] = t.ID
	return t, nil
}

// APITokenOf implements auth.TokenStore.
func (m *Tokens) APITokenOf(_ context.Context, tokenHash []byte) (auth.APIToken, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if id, ok := m.hashes[string(tokenHash)]; ok {
		return m.all[id-1], nil
	}
	return auth.APIToken{}, noToken()
}

// RevokeAPIToken implements auth.TokenStore.
func (m *Tokens) RevokeAPIToken(_ context.Context, id int64, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if id < 1 || id > int64(len(m.all)) {
		return noToken()
	}
	if t := &m.all[id-1]; t.RevokedAt.IsZero() {
		t.RevokedAt = at
	}
	return nil
}

// TouchAPIToken implements auth.TokenStore.
func (m *Tokens) TouchAPIToken(_ context.Context, id int64, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.Touches++
	if t := &m.all[id-1]; at.After(t.UsedAt) {
		t.UsedAt = at
	}
	return nil
}
