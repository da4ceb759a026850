package auth

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"

	"plumbline/internal/clinical"
)

// Cost is what one argon2id hash costs.
type Cost struct {
	MemoryKiB uint32
	Passes    uint32
	Lanes     uint8
}

// Recommended is the cost that OWASP's Password Storage Cheat Sheet names first for
// argon2id at little memory: 19 MiB, 2 passes, 1 lane (from memory).
var Recommended = Cost{MemoryKiB: 19 * 1024, Passes: 2, Lanes: 1}

// Lengths of salt and key in bytes, as RFC 9106 recommends.
const (
	saltLength = 16
	keyLength  = 32
)

// Hasher makes and checks password hashes in PHC string format. At most as many
// are worked on at once as there are processors, so that a flood of attempts
// cannot take the memory. Its zero value costs what is recommended.
type Hasher struct {
	Cost Cost

	once  sync.Once
	slots chan struct{}
}

func (h *Hasher) cost() Cost {
	if h.Cost == (Cost{}) {
		return Recommended
	}
	return h.Cost
}

func (h *Hasher) key(ctx context.Context, password string, salt []byte, c Cost, length uint32) ([]byte, error) {
	h.once.Do(func() { h.slots = make(chan struct{}, runtime.GOMAXPROCS(0)) })
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	// One password may be typed as different sequences of code points (NIST SP
	// 800-63B asks for NFKC or NFKD; from memory).
	return argon2.IDKey([]byte(norm.NFKC.String(password)), salt, c.Passes, c.MemoryKiB, c.Lanes, length), nil
}

// Hash makes the hash of a password with a new salt.
func (h *Hasher) Hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltLength)
	_, _ = rand.Read(salt) // never fails
	c := h.cost()
	key, err := h.key(ctx, password, salt, c, keyLength)
	if err != nil {
		return "", err
	}
	b64 := base64.RawStdEncoding
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.MemoryKiB, c.Passes, c.Lanes,
		b64.EncodeToString(salt), b64.EncodeToString(key)), nil
}

// Check compares a password with a hash. stale: it is right, and its hash was made
// at another cost and should be made anew.
func (h *Hasher) Check(ctx context.Context, hash, password string) (right, stale bool, err error) {
	c, salt, want, err := parsePHC(hash)
	if err != nil {
		return false, false, err
	}
	got, err := h.key(ctx, password, salt, c, uint32(len(want)))
	if err != nil {
		return false, false, err
	}
	right = subtle.ConstantTimeCompare(got, want) == 1
	return right, right && (c != h.cost() || len(salt) != saltLength || len(want) != keyLength), nil
}

// maxMemoryKiB keeps a hash that somebody wrote into the database from taking the
// machine's memory: 1 GiB.
const maxMemoryKiB = 1 << 20

func parsePHC(hash string) (c Cost, salt, key []byte, err error) {
	parts := strings.Split(hash, "$")
	var version int
	bad := len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id"
	if !bad {
		_, e1 := fmt.Sscanf(parts[2], "v=%d", &version)
		_, e2 := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.MemoryKiB, &c.Passes, &c.Lanes)
		var e3, e4 error
		salt, e3 = base64.RawStdEncoding.DecodeString(parts[4])
		key, e4 = base64.RawStdEncoding.DecodeString(parts[5])
		bad = e1 != nil || e2 != nil || e3 != nil || e4 != nil || version != argon2.Version ||
			c.Passes < 1 || c.Passes > 100 || c.Lanes < 1 || c.MemoryKiB > maxMemoryKiB || len(salt) < 8 || len(key) < 16
	}
	if bad {
		return c, nil, nil, clinical.Errorf(clinical.Internal,
			"a password hash cannot be read; set the password anew with `dashboard user password`")
	}
	return c, salt, key, nil
}

// NewPassword makes a password of 100 random bits in groups that can be read out
// aloud: letters and the digits 2 to 7.
func NewPassword() string {
	s := strings.ToLower(rand.Text()) // at least 26 characters of 5 bits
	return s[:5] + "-" + s[5:10] + "-" + s[10:15] + "-" + s[15:20]
}
