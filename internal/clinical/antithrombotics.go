package clinical

import "strings"

// antithrombotics begins the codes of the antithrombotic agents. B01A is the one
// group under it (ATC index), so that a code given to its class alone counts too.
const antithrombotics = "B01"

// Kinds of antithrombotic drugs as people call them, by the fourth level of the code.
const (
	Anticoagulant = "anticoagulant"
	Antiplatelet  = "antiplatelet"
	Thrombolytic  = "thrombolytic"
)

// Antithrombotic is the kind of an antithrombotic drug of an ATC code, "" for others.
func Antithrombotic(atc string) string {
	atc = strings.ToUpper(strings.TrimSpace(atc))
	switch {
	case !strings.HasPrefix(atc, antithrombotics):
		return ""
	case strings.HasPrefix(atc, "B01AC"):
		return Antiplatelet
	case strings.HasPrefix(atc, "B01AD"):
		return Thrombolytic
	}
	return Anticoagulant
}

// Heparin reports whether the ingredient is heparin, alone or in a combination.
func (i Ingredient) Heparin() bool { return i.ATC == "B01AB01" || i.ATC == "B01AB51" }

// KeepsLineOpen reports whether a text says of heparin that it only keeps a line open.
func KeepsLineOpen(text string) bool { return HasWord(text, "flush", "lock") }
