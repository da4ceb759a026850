package records

import "time"

// Digest is what was worked out of a stay's facts alone, kept so that it need not be
// worked out again. It holds for one revision of the facts and one basis (policy, zone,
// form of the digest), and for moments from ValidFrom until before ValidUntil.
type Digest struct {
	StayID     string
	Basis      string
	Revision   int64
	ValidFrom  time.Time
	ValidUntil time.Time // zero: no end
	Body       []byte
}
