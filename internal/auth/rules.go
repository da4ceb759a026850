package auth

import (
	"bufio"
	"bytes"
	"crypto/sha1" // the form in which lists of breached passwords are given; nothing is protected by it
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Bounds of a password in characters. Length is the only rule of form: NIST SP
// 800-63B advises against rules of composition (from memory).
const (
	MinPassword = 12
	MaxPassword = 128
)

// Rules are what a new password must meet.
type Rules struct {
	// Hospital is a word that a password must not consist of; "" for none.
	Hospital string
	// Breached names a file of passwords known to others: on each line one
	// password, or the SHA-1 of one in hexadecimal, as such lists are given, with
	// ":" and a count behind it or not. It is read whenever a password is set, so
	// it can be replaced while the program runs. "" for none.
	Breached string
}

// Check refuses a password that should not be used by the account. Its sentences
// are for the person who chose it and never hold it.
func (r Rules) Check(password, name string) error {
	n := utf8.RuneCountInString(password)
	switch {
	case !utf8.ValidString(password):
		return clinical.Errorf(clinical.Invalid, "the password holds what is not text; type another one")
	case n < MinPassword:
		return clinical.Errorf(clinical.Invalid,
			"the password has %d characters; use at least %d, for instance four words that do not belong together",
			n, MinPassword)
	case n > MaxPassword:
		return clinical.Errorf(clinical.Invalid, "the password has %d characters; use at most %d", n, MaxPassword)
	}
	words := []string{name, r.Hospital, "plumbline"}
	for _, role := range records.Roles {
		words = append(words, string(role))
	}
	bare := bareWord(password)
	for _, w := range words {
		w = bareWord(w)
		if w != "" && strings.Contains(bare, w) && strings.Trim(strings.ReplaceAll(bare, w, ""), "0123456789") == "" {
			return clinical.Errorf(clinical.Invalid, "the password is made of the name, the hospital, a role or the program; choose another one")
		}
	}
	if r.Breached == "" {
		return nil
	}
	known, err := listed(r.Breached, password)
	if err != nil {
		return fmt.Errorf("the list of breached passwords cannot be read; check PLUMBLINE_BREACHED_LIST: %w", err)
	}
	if known {
		return clinical.Errorf(clinical.Invalid, "the password stands in a list of passwords that others know; choose another one")
	}
	return nil
}

// bareWord leaves letters and digits, so that "Falls Nurse!" is "fallsnurse".
func bareWord(s string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(" -_.,!?@'", r) {
			return -1
		}
		return r
	}, NameKey(s))
}

// listed looks for a password, as typed and in lower case, in a list.
func listed(file, password string) (bool, error) {
	f, err := os.Open(file)
	if err != nil {
		return false, err
	}
	defer func() { _ = f.Close() }()
	forms := [][]byte{[]byte(password), []byte(norm.NFKC.String(password)), []byte(strings.ToLower(password))}
	sums := make([][]byte, len(forms))
	for n, form := range forms {
		sum := sha1.Sum(form)
		sums[n] = []byte(hex.EncodeToString(sum[:]))
	}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		line := bytes.TrimRight(lines.Bytes(), "\r")
		hash, _, _ := bytes.Cut(line, []byte(":"))
		for n := range forms {
			if bytes.Equal(line, forms[n]) || len(hash) == 2*sha1.Size && bytes.EqualFold(hash, sums[n]) {
				return true, nil
			}
		}
	}
	return false, lines.Err()
}

// CheckList reports whether the list of breached passwords can be read.
func (r Rules) CheckList() error {
	if r.Breached == "" {
		return nil
	}
	_, err := listed(r.Breached, "")
	return err
}
