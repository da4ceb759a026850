// Package policybooktest keeps the versions of the policy in memory, for tests.
package policybooktest

import (
	"context"
	"slices"
	"sync"

	"plumbline/internal/clinical"
	"plumbline/internal/policybook"
)

// Memory is a policybook.Store.
type Memory struct {
	mu  sync.Mutex
	all []policybook.Version
}

// AddPolicyVersion implements policybook.Store.
func (m *Memory) AddPolicyVersion(_ context.Context, v policybook.Version, after int64) (policybook.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if after != int64(len(m.all)) {
		return policybook.Version{}, clinical.Errorf(clinical.Conflict, "version %d of the policy is not the latest one any more", after)
	}
	v.Number = after + 1
	m.all = append(m.all, v)
	return v, nil
}

// LatestPolicyVersion implements policybook.Store.
func (m *Memory) LatestPolicyVersion(ctx context.Context) (policybook.Version, error) {
	m.mu.Lock()
	n := len(m.all)
	m.mu.Unlock()
	return m.PolicyVersionOf(ctx, int64(n))
}

// PolicyVersionOf implements policybook.Store.
func (m *Memory) PolicyVersionOf(_ context.Context, number int64) (policybook.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if number < 1 || number > int64(len(m.all)) {
		return policybook.Version{}, clinical.Errorf(clinical.NotFound, "there is no such version of the policy")
	}
	return m.all[number-1], nil
}

// PolicyVersions implements policybook.Store.
func (m *Memory) PolicyVersions(_ context.Context, limit int) ([]policybook.Version, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	list := slices.Clone(m.all)
	slices.Reverse(list)
	for n := range list {
		list[n].YAML = ""
	}
	return list[:min(limit, len(list))], nil
}
