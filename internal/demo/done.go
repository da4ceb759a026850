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

// Reviewed is a review of doses of the demo, with its one suggestion.
type Reviewed struct {
	StayID      string
	Who         string
	Ago         time.Duration // when it was recorded
	Drug, Class string        // what it suggests, never a dose
	Note        string
	Days        int           // after which to look again
	Answer      string        // the prescriber's; "" for none yet
	AnsweredBy  string        // the account
	AnsweredAgo time.Duration // when it was answered
}

// Reviews are all of them: one that was followed, one that was not, and one that waits.
func Reviews() []Reviewed {
	const pharmacist, prescriber = "pharmacist", "prescriber"
	return []Reviewed{
		{
			StayID: "S113", Who: pharmacist, Ago: 63 * time.Hour, Drug: "candesartan", Class: "stop", Days: 2,
			Note: "Vomits and drinks little; pressure 122/72.", Answer: "agreed", AnsweredBy: prescriber,
			AnsweredAgo: 62*time.Hour + 25*time.Minute,
		},
		{
			StayID: "S110", Who: pharmacist, Ago: 24 * time.Hour, Drug: "bisoprolol", Class: "move_hour", Days: 3,
			Note: "Both drops came within an hour of the dose.", Answer: "declined", AnsweredBy: prescriber, AnsweredAgo: 23 * time.Hour,
		},
		{
			StayID: "S108", Who: pharmacist, Ago: 50 * time.Minute, Drug: "furosemide", Class: "lower", Days: 1,
			Note: "The drop grew since the dose was raised; more than three litres out.",
		},
	}
}

// Beds are beds that were given to a nurse for the shift.
type Beds struct{ From, To, Nurse, Who string }

// Given are all of them; the beds after them are nobody's.
func Given() []Beds {
	return []Beds{{"1A", "5B", "Ysolde", "falls-nurse"}, {"6A", "11B", "Corvane", "falls-nurse"}}
}

// Mapped is a text of the feed that only the site can tell, and what an administrator of the
// demo has said it is.
type Mapped struct{ Text, ATC string }

// Mappings are all of them.
func Mappings() []Mapped { return []Mapped{{"ward mixture 7", "C03AA03"}} }
