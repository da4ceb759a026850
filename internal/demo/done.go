package demo

import "time"

// Deed is what somebody did in the program about what is owed, on the morning of the demo.
type Deed struct {
	StayID string
	Kind   string        // of what is owed, as an episode names it
	Do     string        // "give", "take", "tell" or "defer"
	Who    string        // the account
	Name   string        // to whom it is given, or who was told
	Reason string        // of putting off
	For    time.Duration // of putting off
	Ago    time.Duration // when the provider was told
}

// Deeds are all of them, in their order. The names are invented.
func Deeds() []Deed {
	const nurse, falls = "bedside-nurse", "falls-nurse"
	return []Deed{
		{StayID: "S101", Kind: "fall_without_set", Do: "give", Who: falls, Name: "Ysolde"},
		{StayID: "S102", Kind: "clearance_owed", Do: "tell", Who: nurse, Name: "Dr Farrowmere", Ago: 35 * time.Minute},
		{StayID: "S120", Kind: "recheck_overdue", Do: "take", Who: nurse},
		{StayID: "S123", Kind: "precautions_missing", Do: "defer", Who: nurse, Reason: "the alarm is being repaired", For: 4 * time.Hour},
	}
}

// Mapped is a text of the feed that only the site can tell, and what an administrator of the
// demo has said it is.
type Mapped struct{ Text, ATC string }

// Mappings are all of them.
func Mappings() []Mapped { return []Mapped{{"ward mixture 7", "C03AA03"}} }
