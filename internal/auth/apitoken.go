package auth

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// MaxAPITokenLife is how long a token may hold at most: a year (common practice, no
// source).
const MaxAPITokenLife = MaxTokenDays * 24 * time.Hour

// How long a token may hold in days, and does where nobody says otherwise (common
// practice, no source).
const (
	MaxTokenDays     = 366
	DefaultTokenDays = 90
)

// TokenEnd reads for how many days a token should hold from now.
func TokenEnd(days string, now time.Time) (time.Time, error) {
	n, err := strconv.Atoi(strings.TrimSpace(days))
	if err != nil || n < 1 || n > MaxTokenDays {
		return time.Time{}, clinical.Errorf(clinical.Invalid, "a token holds for 1 to %d days, not %q", MaxTokenDays, days)
	}
	return now.Add(time.Duration(n) * 24 * time.Hour), nil
}

// The form of a token: a prefix by which scanners for leaked secrets know it, then
// random bytes and a checksum that tells a mistyped one from an unknown one without
// a look into the database. The checksum is no secret.
const (
	apiTokenPrefix = "plb_"
	apiTokenRandom = 32 // bytes
	apiTokenSum    = 4  // bytes of SHA-256
)

var apiTokenText = base32.StdEncoding.WithPadding(base32.NoPadding)

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

// CheckAPIToken says what is wrong with a token that is to be made now: error Invalid.
func CheckAPIToken(t records.APIToken, now time.Time) error {
	if strings.TrimSpace(t.Name) == "" {
		return clinical.Errorf(clinical.Invalid, "the token has no name; name the machine that will use it")
	}
	if err := CheckName(t.Name); err != nil {
		return err
	}
	if len(t.Scopes) == 0 {
		return clinical.Errorf(clinical.Invalid, "the token has no scope; choose from %s", scopeWords())
	}
	for _, s := range t.Scopes {
		if !slices.Contains(records.Scopes, s) {
			return clinical.Errorf(clinical.Invalid, "there is no scope %q; the scopes are %s", s, scopeWords())
		}
	}
	switch {
	case !t.ExpiresAt.After(now):
		return clinical.Errorf(clinical.Invalid, "the token would have expired already; give a later end")
	case t.ExpiresAt.Sub(now) > MaxAPITokenLife:
		return clinical.Errorf(clinical.Invalid, "the token would hold for more than a year; give an earlier end")
	case ofPatients(t) && !t.AllUnits && len(t.Units) == 0:
		return clinical.Errorf(clinical.Invalid, "the token has no unit; name its units, or * for all")
	case !ofPatients(t) && (t.AllUnits || len(t.Units) > 0):
		return clinical.Errorf(clinical.Invalid, "%s knows no unit; leave the units out", records.ReadMetrics)
	}
	return checkUnits(t.Units)
}

// ofPatients tells whether a token reaches patients, and so needs units.
func ofPatients(t records.APIToken) bool {
	return t.May(records.ReadList) || t.May(records.ReadSets) || t.May(records.WriteSets)
}

func scopeWords() string { return records.APIToken{Scopes: records.Scopes}.ScopeWords() }

// ParseAPIToken reads a token that is to be made, as people give it; AllUnits is every
// unit. CheckAPIToken says whether it may be made.
func ParseAPIToken(name string, scopes, units []string, expires time.Time) records.APIToken {
	t := records.APIToken{Name: name, ExpiresAt: expires}
	for _, word := range trimmed(scopes) {
		t.Scopes = append(t.Scopes, records.Scope(strings.ToLower(word)))
	}
	place := func(s records.Scope) int { // in their own order; what is none comes first, and is refused
		return slices.Index(records.Scopes, s)
	}
	slices.SortFunc(t.Scopes, func(a, b records.Scope) int { return place(a) - place(b) })
	t.Scopes = slices.Compact(t.Scopes)
	for _, unit := range trimmed(units) {
		if unit == AllUnits {
			t.AllUnits = true
		} else {
			t.Units = append(t.Units, unit)
		}
	}
	slices.Sort(t.Units)
	t.Units = slices.Compact(t.Units)
	if t.AllUnits {
		t.Units = nil
	}
	return t
}

// trimmed drops spaces around words, and words that are empty.
func trimmed(words []string) []string {
	var out []string
	for _, w := range words {
		if w = strings.TrimSpace(w); w != "" {
			out = append(out, w)
		}
	}
	return out
}
