package records

import "time"

// Assignment gives a thing that is owed to somebody, or with an empty name to nobody.
// Assignments are only ever added to.
type Assignment struct {
	Unit   string
	StayID string
	Key    string // of what is owed: see episodes.Due
	Name   string // as it was typed: of one of the staff
	Who    string // the account that assigned it
	At     time.Time
}
