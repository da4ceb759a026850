package records

import "time"

// ScreenWho begins how the audit names a display that was enrolled.
const ScreenWho = "wall display "

// EnrolledScreen is one display on a wall that shows the beds of one unit without signing in, until
// somebody ends that. Its secret and its code are kept as hashes alone.
type EnrolledScreen struct {
	ID         int64
	Name       string // of the display; serves once
	Unit       string
	MadeBy     string // the account
	MadeAt     time.Time
	CodeUntil  time.Time // the end of the code that enrols it, once
	EnrolledAt time.Time // zero: the code was not typed yet
	RevokedAt  time.Time // zero: it holds
	UsedAt     time.Time // the hour of the last use
}

// Account is the screen as a page sees who asks: a display that nobody touches, of one unit.
func (s EnrolledScreen) Account() Account {
	return Account{Name: ScreenWho + s.Name, Roles: []Role{Screen}, Units: []string{s.Unit}}
}

// Holds reports whether the screen shows its unit.
func (s EnrolledScreen) Holds() bool { return !s.EnrolledAt.IsZero() && s.RevokedAt.IsZero() }
