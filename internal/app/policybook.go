package app

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"strings"

	"plumbline/internal/policy"
)

// policyEvery is how often a version is looked for that another program on the
// same database has saved.
const policyEvery = "@every 30s"

// startPolicies puts versions in force that other programs save, and takes up what they
// say of codes.
func startPolicies(ctx context.Context, s *site) (*schedule, error) {
	return startJob(ctx, s.log, policyEvery, false, func(ctx context.Context) {
		if err := s.codes.Refresh(ctx); err != nil && ctx.Err() == nil {
			s.log.Error("the table of codes was not read again; the one before stays, and this is tried again", "error", err)
		}
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
