package app

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"

	"plumbline/internal/policy"
)

func policyCommand(_ context.Context, p process, args []string) error {
	s, rest, err := p.parse("policy", args, nil)
	switch {
	case err != nil:
		return err
	case len(rest) == 1 && rest[0] == "print":
		return policy.Print(p.stdout, s.policy.Policy)
	case len(rest) == 2 && rest[0] == "check":
		return checkPolicy(p, rest[1])
	}
	return usagef("policy takes print, or check and a file")
}

// checkPolicy says what is wrong in a policy file, or what it changes.
func checkPolicy(p process, path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("policy check: %w", err)
	}
	r := policy.Check(data)
	for _, problem := range r.Problems {
		_, _ = fmt.Fprintf(p.stderr, "%s: %s\n", path, problem)
	}
	if len(r.Problems) > 0 {
		return exitError(1)
	}
	if len(r.Changes) == 0 {
		_, _ = fmt.Fprintln(p.stdout, "This policy changes nothing: it is the built-in one.")
	}
	for _, c := range r.Changes {
		_, _ = fmt.Fprintln(p.stdout, c)
	}
	for _, w := range r.Warnings {
		_, _ = fmt.Fprintln(p.stdout, "Warning:", w)
	}
	return nil
}

func version(_ context.Context, p process, args []string) error {
	if len(args) > 0 {
		return usagef("version takes no argument")
	}
	_, err := fmt.Fprintf(p.stdout, "dashboard %s\ncommit %s\nbuilt with %s\nSQLite driver %s\nPostgreSQL driver %s\n",
		Version, Commit, runtime.Version(), moduleVersion("modernc.org/sqlite"), moduleVersion("github.com/jackc/pgx/v5"))
	return err
}

func moduleVersion(path string) string {
	info, ok := debug.ReadBuildInfo()
	if ok {
		for _, m := range info.Deps {
			if m.Path == path {
				return path + " " + m.Version
			}
		}
	}
	return path
}
