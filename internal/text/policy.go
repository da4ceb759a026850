package text

import (
	"errors"
	"strings"

	"plumbline/internal/policy"
)

// PolicyKeys say what each key of the policy sets, by its path, as a change begins:
// "recheck after a fall".
var PolicyKeys = named[string]("policy-keys")

// PolicyChanges say what one policy has otherwise than another.
func PolicyChanges(changes []policy.Change) []string { return each(changes, sayPolicyChange) }

// PolicyWarnings say which choices of a policy are odd, and why.
func PolicyWarnings(warnings []policy.Warning) []string { return each(warnings, sayPolicyWarning) }

// PolicyFault says what is the matter with a value, without the key that it stands at.
func PolicyFault(f policy.Fault) string { return sayFault[f.ID](Catalogue{}, f) }

// PolicyProblem says what is wrong in a policy file, with its line.
func PolicyProblem(p policy.Problem) string { return sayProblemLine(Catalogue{}, p) }

// PolicyError says everything that is wrong in a policy, one a line, where that is the error; of any
// other it is the error's own text.
func PolicyError(err error) string {
	var all *policy.Problems
	if !errors.As(err, &all) {
		return err.Error()
	}
	lines := []string{strings.Replace(err.Error(), all.Error(), sayUnusable(Catalogue{}, none{}), 1)}
	return strings.Join(append(lines, each(all.List, sayProblemLine)...), "\n")
}

// PolicyReport says what a policy file would do that can be used, a line each.
func PolicyReport(r policy.Report) []string {
	if len(r.Changes) == 0 {
		return append([]string{sayCheckNothing(Catalogue{}, none{})}, each(r.Warnings, sayCheckWarning)...)
	}
	return append(PolicyChanges(r.Changes), each(r.Warnings, sayCheckWarning)...)
}

func each[F any](all []F, say func(Catalogue, F) string) []string {
	var out []string
	for _, one := range all {
		out = append(out, say(Catalogue{}, one))
	}
	return out
}
