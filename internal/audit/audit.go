// Package audit keeps the record of who saw or changed what as a chain: each entry
// carries a hash over itself and the hash of the one before it, so that an entry
// that was changed, removed or put in shows. It is pure; the store keeps the rows.
package audit

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"time"

	"plumbline/internal/records"
)

// What was done.
const (
	View    = "view"    // patient data were shown
	Change  = "change"  // patient data, or what is owed to a patient, were changed
	Export  = "export"  // patient data left as a file
	SignIn  = "sign-in" // came in, or failed to
	SignOut = "sign-out"
	Manage  = "manage" // accounts, tokens, policy, feeds
)

// HashSize is the length of an entry's hash in bytes.
const HashSize = sha256.Size

// Genesis is the hash before the first entry.
func Genesis() []byte { return make([]byte, HashSize) }

// Link is the hash of an entry that follows one with hash prev. Every field is
// written with its length, so that no two entries are written alike. Times count
// to the microsecond.
func Link(prev []byte, e records.AuditEntry) []byte {
	h := sha256.New()
	number := func(v int64) {
		var b [8]byte
		binary.BigEndian.PutUint64(b[:], uint64(v))
		h.Write(b[:])
	}
	text := func(s string) {
		number(int64(len(s)))
		h.Write([]byte(s))
	}
	moment := func(t time.Time) {
		if t.IsZero() {
			number(0)
			number(0)
			return
		}
		number(1)
		number(t.UnixMicro())
	}
	text("plumbline audit 1") // another form of entries would take another number
	h.Write(prev)
	number(e.N)
	moment(e.At)
	for _, s := range []string{e.Who, e.From, e.Did, e.What, e.Unit, e.Stay, e.Outcome, e.Note} {
		text(s)
	}
	moment(e.AsOf)
	return h.Sum(nil)
}

// Head is the end of a chain: how many entries there are and the hash of the last.
type Head struct {
	N    int64
	Hash []byte
}

// String writes a head so that it can be kept elsewhere and compared: number and
// hash with a colon.
func (h Head) String() string { return fmt.Sprintf("%d:%s", h.N, hex.EncodeToString(h.Hash)) }

// ParseHead reads what String wrote.
func ParseHead(s string) (Head, error) {
	var h Head
	var digits string
	if _, err := fmt.Sscanf(s, "%d:%s", &h.N, &digits); err != nil {
		return Head{}, fmt.Errorf("%q is not a head such as 120:9f86d0... of `dashboard audit verify`", s)
	}
	hash, err := hex.DecodeString(digits)
	if err != nil || len(hash) != HashSize || h.N < 0 {
		return Head{}, fmt.Errorf("%q is not a head such as 120:9f86d0... of `dashboard audit verify`", s)
	}
	h.Hash = hash
	return h, nil
}

// Break is a place where the chain does not hold.
type Break struct {
	N      int64 // the entry at which it shows
	Reason string
}

func (b *Break) Error() string { return fmt.Sprintf("entry %d: %s", b.N, b.Reason) }

// Verifier checks entries as they come, in order.
type Verifier struct {
	head    Head
	witness *Head // a head noted earlier; nil where none is given
	seen    bool  // the witness was passed
}

// NewVerifier begins at the first entry. With a witness, a head noted earlier and
// kept elsewhere, the chain must also lead through it.
func NewVerifier(witness *Head) *Verifier {
	v := &Verifier{head: Head{Hash: Genesis()}, witness: witness}
	v.seen = witness != nil && witness.N == 0 // noted before there was an entry
	return v
}

// Add checks the next entry. The error is a *Break; after one the rest says nothing.
func (v *Verifier) Add(e records.AuditEntry) error {
	if want := v.head.N + 1; e.N != want {
		return &Break{want, fmt.Sprintf("is missing; the next one is %d", e.N)}
	}
	if !bytes.Equal(Link(v.head.Hash, e), e.Hash) {
		return &Break{e.N, "was changed, or the one before it was replaced: its hash does not fit"}
	}
	v.head = Head{e.N, e.Hash}
	return v.pass()
}

func (v *Verifier) pass() error {
	if v.witness == nil || v.witness.N != v.head.N {
		return nil
	}
	v.seen = true
	if !bytes.Equal(v.witness.Hash, v.head.Hash) {
		return &Break{v.head.N, "is not the one that was noted: the chain was written anew"}
	}
	return nil
}

// End checks that the chain ends where the store says that it ends.
func (v *Verifier) End(kept Head) error {
	switch {
	case kept.N > v.head.N:
		return &Break{v.head.N + 1, fmt.Sprintf("to %d are missing from the end", kept.N)}
	case kept.N < v.head.N || !bytes.Equal(kept.Hash, v.head.Hash):
		return &Break{v.head.N, "is not where the chain was left: the end was written from outside the program"}
	case v.witness != nil && !v.seen:
		return &Break{v.head.N + 1, fmt.Sprintf("to %d are missing: the noted head lies beyond the end", v.witness.N)}
	}
	return nil
}

// Head is the end of what was checked.
func (v *Verifier) Head() Head { return v.head }
