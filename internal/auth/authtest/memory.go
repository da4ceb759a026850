// Package authtest keeps accounts in memory, for tests without a database.
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

// Cheap hashes passwords at next to no cost: tests hash often and keep nothing.
func Cheap() *auth.Hasher {
	return &auth.Hasher{Cost: auth.Cost{MemoryKiB: 8, Passes: 1, Lanes: 1}}
}

// Memory is an auth.Store.
type Memory struct {
	mu       sync.Mutex
	accounts []auth.Account
	sessions map[string]auth.Session
	keys     map[string][]byte
}

// Accounts implements auth.Store.
func (m *Memory) Accounts(context.Context) ([]auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	all := slices.Clone(m.accounts)
	slices.SortFunc(all, func(a, b auth.Account) int { return cmp.Compare(auth.NameKey(a.Name), auth.NameKey(b.Name)) })
	return all, nil
}

// AccountNamed implements auth.Store.
func (m *Memory) AccountNamed(_ context.Context, nameKey string) (auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.find(func(a auth.Account) bool { return auth.NameKey(a.Name) == nameKey })
}

// AccountOf implements auth.Store.
func (m *Memory) AccountOf(_ context.Context, id auth.Identity) (auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.find(func(a auth.Account) bool { return a.Identity == id })
}

func (m *Memory) find(is func(auth.Account) bool) (auth.Account, error) {
	if n := slices.IndexFunc(m.accounts, is); n >= 0 {
		return m.accounts[n], nil
	}
	return auth.Account{}, clinical.Errorf(clinical.NotFound, "there is no such account")
}

// AddAccount implements auth.Store.
func (m *Memory) AddAccount(_ context.Context, nameKey string, a auth.Account) (auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, err := m.find(func(b auth.Account) bool { return auth.NameKey(b.Name) == nameKey }); err == nil {
		return a, clinical.Errorf(clinical.Conflict, "the name is taken")
	}
	if m.identityTaken(a) {
		return a, clinical.Errorf(clinical.Conflict, "the identity is taken")
	}
	a.ID = int64(len(m.accounts) + 1)
	m.accounts = append(m.accounts, a)
	return a, nil
}

// ChangeAccount implements auth.Store.
func (m *Memory) ChangeAccount(_ context.Context, id int64, change func(*auth.Account, []auth.Account) error) (auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := slices.IndexFunc(m.accounts, func(a auth.Account) bool { return a.ID == id })
	if n < 0 {
		return auth.Account{}, clinical.Errorf(clinical.NotFound, "there is no such account")
	}
	a := m.accounts[n]
	if err := change(&a, slices.Clone(m.accounts)); err != nil {
		return a, err
	}
	if m.identityTaken(a) {
		return a, clinical.Errorf(clinical.Conflict, "the identity is taken")
	}
	m.accounts[n] = a
	return a, nil
}

func (m *Memory) identityTaken(a auth.Account) bool {
	return a.FromService() && slices.ContainsFunc(m.accounts, func(b auth.Account) bool { return b.ID != a.ID && b.Identity == a.Identity })
}

// AddSession implements auth.Store.
func (m *Memory) AddSession(_ context.Context, s auth.Session) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.sessions == nil {
		m.sessions = map[string]auth.Session{}
	}
	m.sessions[string(s.TokenHash)] = s
	return nil
}

// SessionOf implements auth.Store.
func (m *Memory) SessionOf(_ context.Context, tokenHash []byte) (auth.Session, auth.Account, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s, ok := m.sessions[string(tokenHash)]
	if !ok {
		return s, auth.Account{}, clinical.Errorf(clinical.NotFound, "there is no such session")
	}
	a, err := m.find(func(a auth.Account) bool { return a.ID == s.AccountID })
	return s, a, err
}

// TouchSession implements auth.Store.
func (m *Memory) TouchSession(_ context.Context, tokenHash []byte, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if s, ok := m.sessions[string(tokenHash)]; ok {
		s.UsedAt = at
		m.sessions[string(tokenHash)] = s
	}
	return nil
}

// EndSession implements auth.Store.
func (m *Memory) EndSession(_ context.Context, tokenHash []byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.sessions, string(tokenHash))
	return nil
}

// DropSessions implements auth.Store.
func (m *Memory) DropSessions(_ context.Context, usedBefore, startedBefore time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for k, s := range m.sessions {
		if s.UsedAt.Before(usedBefore) || s.StartedAt.Before(startedBefore) {
			delete(m.sessions, k)
		}
	}
	return nil
}

// Sessions counts the sessions.
func (m *Memory) Sessions() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.sessions)
}

// Key implements auth.Store.
func (m *Memory) Key(_ context.Context, name string, fresh []byte) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.keys == nil {
		m.keys = map[string][]byte{}
	}
	if m.keys[name] == nil {
		m.keys[name] = fresh
	}
	return m.keys[name], nil
}
