package records

import "time"

// GivenBeds says that the beds of a range are one nurse's for a shift. It is never changed; of
// one bed the last one counts that holds.
type GivenBeds struct {
	Number   int64 // from 1, in the order in which they were given
	Unit     string
	From, To string // beds, ends included, in the order of alerts.CompareBeds
	Nurse    string // as it was typed; "" gives them back
	Who      string // the account that gave them
	At       time.Time
	Until    time.Time // the end of the shift in which they were given
}
