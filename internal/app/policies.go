package app

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"strings"

	"plumbline/internal/policy"
	"plumbline/internal/text"
)

func policyCommand(ctx context.Context, p process, args []string) error {
	// A check reads no setting: it must work where the policy in force is the one that is wrong.
	if len(args) == 2 && args[0] == "check" && !strings.HasPrefix(args[1], "-") {
		return checkPolicy(p, args[1])
	}
	s, rest, err := p.parse("policy", args, nil)
	switch {
	case err != nil:
		return err
	case len(rest) == 1 && rest[0] == "print":
		return p.printPolicy(ctx, s)
	case len(rest) == 2 && rest[0] == "check":
		return checkPolicy(p, rest[1])
	}
	return usagef("policy takes print, or check and a file: `dashboard policy check policy.yaml`")
}

// checkPolicy says what is wrong in a policy file, or what it changes.
func checkPolicy(p process, path string) error {
	data, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("policy check: %w; name a policy file that can be read", err)
	}
	r := policy.Check(data)
	if len(r.Problems) > 0 {
		for _, problem := range r.Problems {
			_, _ = fmt.Fprintf(p.stderr, "%s: %s\n", path, text.PolicyProblem(problem))
		}
		_, _ = fmt.Fprintln(p.stderr, text.Say("commands.policy-unusable", path, len(r.Problems)))
		return exitError(1)
	}
	for _, line := range text.PolicyReport(r) {
		_, _ = fmt.Fprintln(p.stdout, line)
	}
	return nil
}

func version(_ context.Context, p process, args []string) error {
	if len(args) > 0 {
		return usagef("version takes no argument")
	}
	return p.say("commands.version",
		Version, Commit, runtime.Version(), moduleVersion("modernc.org/sqlite"), moduleVersion("github.com/jackc/pgx/v5"))
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
