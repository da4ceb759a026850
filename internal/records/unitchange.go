package records

import "time"

// UnitChange is what was changed on a unit, for its figures over time. It is never changed itself, only
// taken back.
type UnitChange struct {
	Number int64 // from 1, in the order in which they were written
	Unit   string
	Day    string // from when, 2026-11-25 in the site's calendar
	What   string
	Anew   bool   // a phase begins: the charts have a centre of its own from there
	Who    string // the account
	At     time.Time
}
