package auth

import (
	"slices"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// ParseRole reads a role's word.
func ParseRole(s string) (records.Role, error) {
	r := records.Role(strings.ToLower(strings.TrimSpace(s)))
	if !slices.Contains(records.Roles, r) {
		return "", clinical.Errorf(clinical.Invalid, "there is no role %q; the roles are %s", s, roleWords())
	}
	return r, nil
}

func roleWords() string {
	words := make([]string, len(records.Roles))
	for n, r := range records.Roles {
		words[n] = string(r)
	}
	return strings.Join(words, ", ")
}
