// Package records holds what the application itself keeps, beside the facts of its
// feeds: accounts, sessions and tokens, episodes, dose reviews, assignments, what is
// told, versions of the policy, the audit. Each has one form, which the store reads and
// writes and everyone else works with.
//
// A record answers questions about itself alone (is it over, does it reach a unit). What
// may become of it is decided elsewhere: by auth, episodes, dosereview, notify and
// policybook, which also hold the words that they decide by. The package knows no
// database, no clock and no rule.
package records
