package records

import "time"

// HandoverNote is what somebody says freely for the handover, of a stay or of a unit. It is never
// changed: it is shown until its time is over, or until it is taken back.
type HandoverNote struct {
	Number int64 // from 1, in the order in which they were written
	StayID string
	Unit   string // of which it is where StayID is empty; else where the patient was
	Text   string
	Who    string // the account
	At     time.Time
	Until  time.Time // the end of the shift after the one in which it was written
}
