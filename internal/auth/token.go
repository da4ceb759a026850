package auth

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"strings"
)

// NewToken makes the secret of a session: 130 random bits or more.
func NewToken() string { return rand.Text() }

// HashToken is the form in which a token is kept: who reads the database learns no
// token. A token is random, so one pass of SHA-256 without salt serves.
func HashToken(token string) []byte {
	sum := sha256.Sum256([]byte(token))
	return sum[:]
}

// A browser that has signed in to an account carries a mark that says so, made
// with a key of the server (the "device cookie" of OWASP, from memory). A mark
// opens nothing. It only sets the attempts of this browser apart from those of
// strangers, so that strangers cannot shut the browser out.
const (
	markNonce = 12 // bytes, random
	markSum   = 16 // bytes of HMAC-SHA-256
	maxMarks  = 20 // accounts that one browser is remembered for
)

// Names of the server's keys, and their length in bytes.
const (
	markKey         = "browser marks"
	sealKey         = "sealed cookies"
	serverKeyLength = 32
)

func newMark(key []byte, name string) string {
	nonce := make([]byte, markNonce)
	_, _ = rand.Read(nonce) // never fails
	return base64.RawURLEncoding.EncodeToString(append(nonce, markOf(key, name, nonce)...))
}

func markOf(key []byte, name string, nonce []byte) []byte {
	mac := hmac.New(sha256.New, key)
	mac.Write(nonce)
	mac.Write([]byte(NameKey(name)))
	return mac.Sum(nil)[:markSum]
}

// markFor finds, among the marks that a browser carries, that of an account.
func markFor(key []byte, name, carried string) string {
	for n, mark := range strings.Split(carried, ".") {
		raw, err := base64.RawURLEncoding.DecodeString(mark)
		if n < maxMarks && err == nil && len(raw) == markNonce+markSum && hmac.Equal(raw[markNonce:], markOf(key, name, raw[:markNonce])) {
			return mark
		}
	}
	return ""
}

// withMark puts a mark in front of those that a browser carries, in place of an
// older one of the same account.
func withMark(key []byte, name, carried, mark string) string {
	marks := []string{mark}
	old := markFor(key, name, carried)
	for _, m := range strings.Split(carried, ".") {
		if m != "" && m != old && len(m) == len(mark) && len(marks) < maxMarks {
			marks = append(marks, m)
		}
	}
	return strings.Join(marks, ".")
}
