package auth

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// Scope is one thing that a machine may read with a token.
type Scope string

// The scopes.
const (
	ReadList    Scope = "list:read"
	ReadSets    Scope = "sets:read"
	ReadMetrics Scope = "metrics:read" // knows no unit
)

// Scopes lists the scopes in the order in which people are shown them.
var Scopes = []Scope{ReadList, ReadSets, ReadMetrics}

// MaxAPITokenLife is how long a token may hold at most: a year (common practice, no
// source).
const MaxAPITokenLife = 366 * 24 * time.Hour

// The form of a token: a prefix by which scanners for leaked secrets know it, then
// random bytes and a checksum that tells a mistyped one from an unknown one without
// a look into the database. The checksum is no secret.
const (
	apiTokenPrefix = "plb_"
	apiTokenRandom = 32 // bytes
	apiTokenSum    = 4  // bytes of SHA-256
)

var apiTokenText = base32.StdEncoding.WithPadding(base32.NoPadding)

// APIToken is what is kept of a machine's token. The token itself is shown once and
// not kept: HashToken of it is.
type APIToken struct {
	Name      string
	Scopes    []Scope
	AllUnits  bool
	Units     []string
	ExpiresAt time.Time
	RevokedAt time.Time // zero: not revoked
}

// NewAPIToken makes a token with 256 random bits.
func NewAPIToken() string {
	raw := make([]byte, apiTokenRandom)
	_, _ = rand.Read(raw) // never fails
	return apiTokenPrefix + apiTokenText.EncodeToString(append(raw, apiTokenCheck(raw)...))
}

func apiTokenCheck(raw []byte) []byte {
	sum := sha256.Sum256(raw)
	return sum[:apiTokenSum]
}

// IsAPIToken tells whether a text has the form and the checksum of a token.
func IsAPIToken(s string) bool {
	body, ok := strings.CutPrefix(s, apiTokenPrefix)
	if !ok {
		return false
	}
	raw, err := apiTokenText.DecodeString(body)
	// Encoding again refuses line breaks and stray last bits, which decoding lets pass:
	// a token has one spelling.
	return err == nil && len(raw) == apiTokenRandom+apiTokenSum && apiTokenText.EncodeToString(raw) == body &&
		bytes.Equal(raw[apiTokenRandom:], apiTokenCheck(raw[:apiTokenRandom]))
}

// Check says what is wrong with a token that is to be made now: error Invalid.
func (t APIToken) Check(now time.Time) error {
	switch {
	case strings.TrimSpace(t.Name) == "":
		return clinical.Errorf(clinical.Invalid, "the token has no name; name the machine that will use it")
	case len(t.Scopes) == 0:
		return clinical.Errorf(clinical.Invalid, "the token has no scope; choose from %s", scopeWords())
	case !t.ExpiresAt.After(now):
		return clinical.Errorf(clinical.Invalid, "the token would have expired already; give a later end")
	case t.ExpiresAt.Sub(now) > MaxAPITokenLife:
		return clinical.Errorf(clinical.Invalid, "the token would hold for more than a year; give an earlier end")
	case t.readsPatients() && !t.AllUnits && len(t.Units) == 0:
		return clinical.Errorf(clinical.Invalid, "the token has no unit; name its units, or * for all")
	}
	for _, s := range t.Scopes {
		if !slices.Contains(Scopes, s) {
			return clinical.Errorf(clinical.Invalid, "there is no scope %q; the scopes are %s", s, scopeWords())
		}
	}
	return nil
}

func (t APIToken) readsPatients() bool {
	return slices.Contains(t.Scopes, ReadList) || slices.Contains(t.Scopes, ReadSets)
}

// Holds tells whether the token is good at a moment: neither expired nor revoked.
func (t APIToken) Holds(now time.Time) bool {
	return now.Before(t.ExpiresAt) && (t.RevokedAt.IsZero() || now.Before(t.RevokedAt))
}

// May tells whether the token has a scope.
func (t APIToken) May(s Scope) bool { return slices.Contains(t.Scopes, s) }

// OnUnit tells whether the token reaches a unit.
func (t APIToken) OnUnit(unit string) bool {
	return unit != "" && (t.AllUnits || slices.Contains(t.Units, unit))
}

func scopeWords() string {
	words := make([]string, len(Scopes))
	for n, s := range Scopes {
		words[n] = string(s)
	}
	return strings.Join(words, ", ")
}
