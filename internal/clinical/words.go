package clinical

import (
	"strings"
	"unicode"
)

// NamesSomebody reports whether a text can be read as the name of somebody: it has a letter or a
// digit. Spaces, signs and characters that cannot be seen alone name nobody, and so do the words with which
// people fill a field that must not be empty.
func NamesSomebody(s string) bool {
	letters := smallLetters(s)
	return letters != "" && !nobody[letters]
}

// NamesPerson reports whether a text names one who answers for what was decided: a role or a place ("the
// provider", "ward") does not.
func NamesPerson(s string) bool { return NamesSomebody(s) && !roles[smallLetters(s)] }

// SameName reports whether two texts name somebody by the same letters and digits: capitals, spaces and
// signs make no other name.
func SameName(a, b string) bool {
	letters := smallLetters(a)
	return letters != "" && letters == smallLetters(b)
}

// smallLetters are the letters and digits of a text, in small letters.
func smallLetters(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, s)
}

// nobody are words that name nobody, in small letters alone.
var nobody = map[string]bool{
	"none": true, "no": true, "nobody": true, "noone": true, "nil": true, "na": true, "nothing": true, "unknown": true,
	"notknown": true, "notcleared": true, "notyet": true, "yes": true, "ok": true, "x": true, "xx": true, "xxx": true, "0": true,
}

// roles are words for a role or a place, in small letters alone.
var roles = map[string]bool{
	"me": true, "self": true, "myself": true, "provider": true, "theprovider": true, "dr": true, "doctor": true, "thedoctor": true,
	"md": true, "physician": true, "nurse": true, "rn": true, "ward": true, "theward": true, "unit": true,
	"team": true, "theteam": true, "staff": true, "somebody": true, "someone": true,
}

// The closed lists of the feed. A word outside its list is quarantined, never
// guessed.
var (
	// Symptoms that may be charted at a reading.
	Symptoms = []string{
		"dizziness", "lightheadedness", "faintness", "loss of consciousness", "confusion",
		"blurred vision", "weakness", "nausea", "palpitations", "chest pain",
		"shortness of breath", "head or neck pain", "unsteadiness", "other",
	}
	// Limbs on which a cuff may sit.
	Limbs = []string{"left arm", "right arm", "left leg", "right leg"}
	// FluidKinds are the sources and ways out of fluid.
	FluidKinds = []string{"oral", "iv", "tube", "blood", "urine", "emesis", "stool", "drain", "blood_loss", "other"}
	// Precautions lists the falls precautions that a feed may carry: those of
	// the default bundle first.
	Precautions = []string{
		"assisted rising", "call light in reach", "non-slip footwear", "bed low and locked",
		"toileting schedule", "bed alarm",
		"chair alarm", "gait belt", "compression", "sign at bed", "floor mat", "sitter",
	}
	// Injuries of a fall, mildest first (the levels of NDNQI).
	Injuries = []string{"none", "minor", "moderate", "major", "death"}
	// RestrictionReasons say why a limb must not be measured.
	RestrictionReasons = []string{"fistula", "lymph nodes removed", "infusion", "injury", "other"}
	// Answers say why a recheck that is owed is not taken now.
	Answers = []string{Declined, NotPossible, DoneElsewhere}
	// StandingHolds are what a nurse may find at the bedside that withholds standing.
	StandingHolds = []string{HoldChestPain, HoldFracture, HoldHeadOrSpine, HoldBedRest}
	// TreatmentKinds are treatments of a pressure that falls on standing.
	TreatmentKinds = []string{"fluid bolus", "transfusion", "compression", "other"}
)

// The answers to a recheck that is owed.
const (
	Declined      = "declined"
	NotPossible   = "not possible"
	DoneElsewhere = "done elsewhere"
)

// LossOfConsciousness is the symptom that makes a set positive by itself.
const LossOfConsciousness = "loss of consciousness"

// What withholds standing, as a nurse finds it: see alerts.Withheld.
const (
	HoldChestPain   = "chest pain" // a symptom too
	HoldFracture    = "suspected fracture"
	HoldHeadOrSpine = "head or spine injury"
	HoldBedRest     = "bed-rest order"
)
