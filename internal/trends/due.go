package trends

import "time"

// DueRecheck is a recheck that was asked for by DueAt. MetAt is the start of the
// set that answered it; nil while none has.
type DueRecheck struct {
	Rule  string
	DueAt time.Time
	MetAt *time.Time
	// Answered: an answer has put it off (R-ANSWER). It meets nothing.
	Answered bool
}

// InTime reports whether it was answered at or before it fell due.
func (d DueRecheck) InTime() bool { return d.MetAt != nil && !d.MetAt.After(d.DueAt) }
