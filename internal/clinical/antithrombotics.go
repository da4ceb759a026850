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

// antithromboticNames are the international names of the group that are in common
// use on wards, for drugs that come without a code. Names and codes are from memory
// of the index; brands are not among them.
var antithromboticNames = map[string]string{
	"warfarin": "B01AA03", "phenprocoumon": "B01AA04", "acenocoumarol": "B01AA07", "fluindione": "B01AA12",
	"heparin": "B01AB01", "dalteparin": "B01AB04", "enoxaparin": "B01AB05", "nadroparin": "B01AB06",
	"danaparoid": "B01AB09", "tinzaparin": "B01AB10", "bemiparin": "B01AB12",
	"clopidogrel": "B01AC04", "ticlopidine": "B01AC05", "aspirin": "B01AC06", "dipyridamole": "B01AC07",
	"prasugrel": "B01AC22", "cilostazol": "B01AC23", "ticagrelor": "B01AC24", "cangrelor": "B01AC25",
	"alteplase": "B01AD02", "tenecteplase": "B01AD11",
	"argatroban": "B01AE03", "bivalirudin": "B01AE06", "dabigatran": "B01AE07",
	"rivaroxaban": "B01AF01", "apixaban": "B01AF02", "edoxaban": "B01AF03", "fondaparinux": "B01AX05",
}

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

// Antithrombotics lists the antithrombotic ingredients of a drug (E-BLEED): by its
// ATC code where it has one, else by the names in its text. known is false where
// neither says what the drug is: it can then not be judged.
func (d Drug) Antithrombotics() (list []Ingredient, known bool) {
	atc := strings.ToUpper(strings.TrimSpace(d.ATC))
	named := antithromboticsNamed(d.Text)
	switch {
	case !atcShape.MatchString(atc):
		if len(named) > 0 {
			return named, true
		}
		_, known = d.Ingredients()
		return nil, known
	case Antithrombotic(atc) == "":
		return nil, true
	}
	name := strings.TrimSpace(d.Text)
	if len(named) > 0 {
		name = named[0].Name
	}
	return []Ingredient{{Name: name, ATC: atc}}, true
}

// antithromboticsNamed finds the names of the group in a text, each once.
func antithromboticsNamed(text string) []Ingredient {
	var out []Ingredient
	seen := map[string]bool{}
	for _, w := range wordsOf(strings.ToLower(text)) {
		if atc := antithromboticNames[w.text]; atc != "" && !seen[w.text] {
			seen[w.text] = true
			out = append(out, Ingredient{Name: w.text, ATC: atc})
		}
	}
	return out
}
