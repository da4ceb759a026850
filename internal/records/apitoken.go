package records

import (
	"slices"
	"strings"
	"time"
)

// Scope is one thing that a machine may do with a token.
type Scope string

// The scopes.
const (
	ReadList    Scope = "list:read"
	ReadSets    Scope = "sets:read"
	WriteSets   Scope = "sets:write"   // hands in what was measured, and reads nothing
	ReadMetrics Scope = "metrics:read" // knows no unit
)

// Scopes lists the scopes in the order in which people are shown them.
var Scopes = []Scope{ReadList, ReadSets, WriteSets, ReadMetrics}

// KnownScopes is the scopes among some, in the order of Scopes, each once. A scope of
// another version of the program is not known here and left out.
func KnownScopes(some []Scope) []Scope { return known(Scopes, some) }

// APIToken is what is kept of a machine's token. The token itself is shown once and
// not kept: a hash of it is.
type APIToken struct {
	ID        int64
	Name      string
	Scopes    []Scope // in the order of Scopes, each once
	AllUnits  bool
	Units     []string // sorted; none where AllUnits is set
	MadeBy    string   // the account, or CommandLine
	MadeAt    time.Time
	ExpiresAt time.Time
	RevokedAt time.Time // zero: not revoked
	UsedAt    time.Time // the hour in which it last served; zero: never
}

// Who is how the audit names the token. No account may have such a name.
func (t APIToken) Who() string { return TokenWho + t.Name }

// Holds tells whether the token is good at a moment: neither expired nor revoked.
func (t APIToken) Holds(now time.Time) bool {
	return now.Before(t.ExpiresAt) && t.RevokedAt.IsZero()
}

// May tells whether the token has a scope.
func (t APIToken) May(s Scope) bool { return slices.Contains(t.Scopes, s) }

// OnUnit tells whether the token reaches a unit.
func (t APIToken) OnUnit(unit string) bool {
	return unit != "" && (t.AllUnits || slices.Contains(t.Units, unit))
}

// ScopeWords names the scopes.
func (t APIToken) ScopeWords() string {
	words := make([]string, len(t.Scopes))
	for n, s := range t.Scopes {
		words[n] = string(s)
	}
	return strings.Join(words, ", ")
}

// UnitWords names the units.
func (t APIToken) UnitWords() string { return UnitWords(t.AllUnits, t.Units) }

// Words tell what the token may do and until when, for the audit.
func (t APIToken) Words() string {
	return t.Who() + ": " + t.ScopeWords() + "; units: " + t.UnitWords() + "; until " + t.ExpiresAt.UTC().Format(time.RFC3339)
}

// UnitWords names units, for the audit.
func UnitWords(all bool, units []string) string {
	switch {
	case all:
		return "all units"
	case len(units) == 0:
		return "none"
	}
	return strings.Join(units, ", ")
}
