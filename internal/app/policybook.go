package app

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"strings"

	"plumbline/internal/policy"
	"plumbline/internal/policybook"
	"plumbline/internal/store"
)

// policyStore is the store as the book of policies wants it.
type policyStore struct{ *store.Store }

func (s policyStore) AddVersion(ctx context.Context, v policybook.Version, after int64) (policybook.Version, error) {
	kept, err := s.AddPolicyVersion(ctx, store.PolicyVersion(v), after)
	return policybook.Version(kept), err
}

func (s policyStore) Latest(ctx context.Context) (policybook.Version, error) {
	v, err := s.LatestPolicyVersion(ctx)
	return policybook.Version(v), err
}

func (s policyStore) ByNumber(ctx context.Context, number int64) (policybook.Version, error) {
	v, err := s.PolicyVersionOf(ctx, number)
	return policybook.Version(v), err
}

func (s policyStore) Versions(ctx context.Context, limit int) ([]policybook.Version, error) {
	rows, err := s.PolicyVersions(ctx, limit)
	list := make([]policybook.Version, len(rows))
	for n, v := range rows {
		list[n] = policybook.Version(v)
	}
	return list, err
}

// policyEvery is how often a version is looked for that another program on the
// same database has saved.
const policyEvery = "@every 30s"

// startPolicies puts versions in force that other programs save.
func startPolicies(ctx context.Context, s *site) (*schedule, error) {
	return startJob(ctx, s.log, policyEvery, false, func(ctx context.Context) {
		if err := s.policies.Refresh(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("the latest version of the policy could not be put in force; the one before it stays, and this is tried again", "error", err)
		}
	})
}

// printPolicy prints the policy in force: that of the file where one is set, else
// the one saved in the application. A database that is not there is not made.
func (p process) printPolicy(ctx context.Context, s settings) error {
	inForce := s.policy
	if s.policyFile == "" && databaseExists(s.database) {
		site, err := p.open(ctx, s)
		if err != nil {
			return err
		}
		defer site.close()
		inForce = site.service.Policy.Current()
	}
	return policy.Print(p.stdout, inForce.Policy)
}

// databaseExists is false for a file that is not there; a server is asked.
func databaseExists(target string) bool {
	if strings.Contains(target, "://") {
		return true
	}
	_, err := os.Stat(target)
	return !errors.Is(err, fs.ErrNotExist)
}
