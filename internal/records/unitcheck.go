package records

import "time"

// UnitCheck is what somebody said of the feeds of a unit: that they were checked, or that they
// are to be checked again. It is never changed; of one unit the last one counts.
type UnitCheck struct {
	Number  int64 // from 1, in the order in which they were said
	Unit    string
	Checked bool
	Who     string    // account; empty for a unit that had facts before units were checked at all
	At      time.Time // zero where Who is empty
}
