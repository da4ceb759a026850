package parts

import (
	"strings"

	"plumbline/internal/records"
	"plumbline/internal/text"
)

func RolesOf(a records.Account) string {
	if len(a.Roles) == 0 {
		return text.Say("accounts.none")
	}
	words := make([]string, len(a.Roles))
	for n, r := range a.Roles {
		words[n] = text.RoleNames[string(r)]
	}
	return strings.Join(words, ", ")
}

// UnitsOf is the units of an account in words.
func UnitsOf(a records.Account) string {
	switch {
	case a.AllUnits:
		return text.Say("accounts.all-units")
	case len(a.Units) == 0:
		return text.Say("accounts.none")
	}
	return strings.Join(a.Units, ", ")
}
