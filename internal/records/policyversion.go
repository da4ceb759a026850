package records

import "time"

// PolicyVersion is a version of the policy that was saved in the application. It is
// never changed. The zero value is the built-in policy.
type PolicyVersion struct {
	Number    int64 // from 1, without a gap
	SavedAt   time.Time
	Who       string
	Note      string
	YAML      string // every key with its value; empty in lists
	Hash      string // of the values by the program that saved it
	ReturnsTo *int64 // an earlier version, 0 for the built-in policy; nil: values of its own
}

// BuiltIn reports whether the version stands for the built-in policy of whatever
// program reads it.
func (v PolicyVersion) BuiltIn() bool {
	return v.Number == 0 || v.ReturnsTo != nil && *v.ReturnsTo == 0
}
