// Package alerts decides, of what internal/trends has found, what is owed to a
// patient and in which order patients stand: rechecks, falls precautions, dose
// review, tier and rank.
//
// It is pure: a digest, the policy and the moment asked for come in; rules and
// named figures come out. It writes no sentences: internal/text makes those of
// the rule and its figures.
package alerts
