package auth

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Grants are the roles and units of an account.
type Grants struct {
	Roles    []records.Role
	Units    []string
	AllUnits bool
}

// AllUnits is how people write "every unit".
const AllUnits = "*"

// ParseGrants reads roles and units as people give them; AllUnits is every unit.
func ParseGrants(roles, units []string) (Grants, error) {
	var g Grants
	for _, word := range roles {
		if strings.TrimSpace(word) == "" {
			continue
		}
		r, err := ParseRole(word)
		if err != nil {
			return g, err
		}
		g.Roles = append(g.Roles, r)
	}
	for _, unit := range units {
		switch unit = strings.TrimSpace(unit); unit {
		case "":
		case AllUnits:
			g.AllUnits = true
		default:
			g.Units = append(g.Units, unit)
		}
	}
	return g.checked()
}

// Words tell roles and units, for the audit.
func (g Grants) Words() string {
	roles := make([]string, len(g.Roles))
	for n, r := range g.Roles {
		roles[n] = string(r)
	}
	return strings.Join(roles, ", ") + "; units: " + records.UnitWords(g.AllUnits, g.Units)
}

func (g Grants) checked() (Grants, error) {
	g.Roles = records.KnownRoles(g.Roles)
	given := records.Account{Roles: g.Roles}
	slices.Sort(g.Units)
	g.Units = slices.Compact(g.Units)
	if g.AllUnits {
		g.Units = nil
	}
	switch {
	case len(g.Roles) == 0:
		return g, clinical.Errorf(clinical.Invalid, "an account needs at least one role of %s", roleWords())
	case given.May(records.ViewList) && len(g.Units) == 0 && !g.AllUnits:
		return g, clinical.Errorf(clinical.Invalid,
			"the roles of this account see patients, so it needs units: name them, or %s for all", AllUnits)
	}
	return g, checkUnits(g.Units)
}

func checkUnits(units []string) error {
	for _, unit := range units {
		if !utf8.ValidString(unit) || utf8.RuneCountInString(unit) > maxUnit || strings.ContainsFunc(unit, unicode.IsControl) {
			return clinical.Errorf(clinical.Invalid, "a unit's name has at most %d characters and no control characters", maxUnit)
		}
	}
	return nil
}

// Bounds of what people type, in characters.
const (
	maxName = 64
	maxUnit = 100
)

// CheckName refuses a name that would not be seen as it was typed, and one under which
// the audit names who is no account.
func CheckName(name string) error {
	odd := func(r rune) bool { return !unicode.IsPrint(r) } // of spaces, U+0020 alone prints
	switch n := utf8.RuneCountInString(name); {
	case n == 0 || n > maxName:
		return clinical.Errorf(clinical.Invalid, "a name has 1 to %d characters, this one has %d; type another one", maxName, n)
	case !utf8.ValidString(name) || strings.ContainsFunc(name, odd):
		return clinical.Errorf(clinical.Invalid, "the name holds characters that cannot be seen; type it anew")
	case strings.TrimSpace(name) != name || strings.Contains(name, "  "):
		return clinical.Errorf(clinical.Invalid, "a name has no space before or after it, and single spaces inside; correct it")
	}
	if key := NameKey(name); key == records.CommandLine || key == records.Program || strings.HasPrefix(key, records.TokenWho) ||
		strings.HasPrefix(key, records.ScreenWho) {
		return clinical.Errorf(clinical.Invalid, "the audit calls somebody else %q; choose another name", name)
	}
	return nil
}

// NameKey is the form in which names are compared: case and ways of writing the
// same letter make no difference.
func NameKey(name string) string { return strings.ToLower(norm.NFKC.String(name)) }
