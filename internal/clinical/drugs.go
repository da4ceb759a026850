package clinical

import (
	"regexp"
	"strings"
)

// Group is a class of drugs that lower blood pressure.
type Group string

// The blood-pressure-lowering groups; the first four are diuretics.
const (
	NoGroup             Group = ""
	LoopDiuretic        Group = "loop diuretic"
	Thiazide            Group = "thiazide or like diuretic"
	PotassiumSparing    Group = "potassium-sparing diuretic"
	OtherDiuretic       Group = "other diuretic"
	ACEInhibitor        Group = "ACE inhibitor"
	ARB                 Group = "ARB"
	OtherReninAngio     Group = "other renin-angiotensin"
	BetaBlocker         Group = "beta-blocker"
	CalciumChannel      Group = "calcium-channel blocker"
	AlphaBlocker        Group = "alpha-1 blocker"
	CentralAntihyperten Group = "central antihypertensive"
	Vasodilator         Group = "vasodilator"
	Nitrate             Group = "nitrate"
)

// Groups lists the blood-pressure-lowering groups in the order of the rules.
var Groups = []Group{
	LoopDiuretic, Thiazide, PotassiumSparing, OtherDiuretic, ACEInhibitor, ARB, OtherReninAngio,
	BetaBlocker, CalciumChannel, AlphaBlocker, CentralAntihyperten, Vasodilator, Nitrate,
}

// Diuretic reports whether the group is one of the four diuretic groups.
func (g Group) Diuretic() bool {
	return g == LoopDiuretic || g == Thiazide || g == PotassiumSparing || g == OtherDiuretic
}

type prefixGroup struct {
	prefix string
	group  Group
}

// groupPrefixes is read from the longest prefix to the shortest, so that "the
// rest of C03" is what no longer prefix has claimed.
var groupPrefixes = []prefixGroup{
	{"C03EB", LoopDiuretic}, {"C03BA", Thiazide}, {"C03EA", Thiazide}, {"C02CA", AlphaBlocker},
	{"G04CA", AlphaBlocker}, {"C02KX", NoGroup}, {"C01DA", Nitrate},
	{"C03C", LoopDiuretic}, {"C03A", Thiazide}, {"C03D", PotassiumSparing},
	{"C09A", ACEInhibitor}, {"C09B", ACEInhibitor}, {"C09C", ARB}, {"C09D", ARB}, {"C09X", OtherReninAngio},
	{"C02A", CentralAntihyperten},
	{"C03", OtherDiuretic}, {"C07", BetaBlocker}, {"C08", CalciumChannel}, {"C02", Vasodilator},
}

var (
	contributingPrefixes = []string{
		"A03FA01", "A10BK", "C01DX", "N04A", "N04BA", "N04BB", "N04BC", "N04BD", "N06DA", "N07BC02", "G04BE",
		"N06A", "N05A", "N05B", "N05C", "N03A", "N02BF", "N02A", "G04BD", "R06A", "M03BX02",
	}
	pressorCodes         = []string{"C01CA17", "C01CA27", "H02AA02", "N07AA02"}
	rateLimitingPrefixes = []string{"C07", "C08D", "C01AA", "C01BD01", "C01EB17"}
	recheckPrefixes      = []string{"N06AA", "N05A", "N04BA", "N04BC", "A10BK"}
	// Whole classes of combinations; beside them the fifth-level codes from 50
	// up are combinations by the index's own convention.
	combinationPrefixes = []string{
		"A03C", "A03D", "A03E", "A10BD", "C02L", "C02N", "C03AB", "C03AH", "C03AX", "C03BB", "C03BK", "C03CB", "C03E",
		"C07B", "C07C", "C07D", "C07E", "C07F", "C08G", "C09B", "C09D", "C10B",
		"N02AG", "N02AJ", "N05CB", "N05CX", "N06C", "R05F", "R06AK",
	}
)

func hasPrefix(code string, prefixes []string) bool {
	for _, p := range prefixes {
		if strings.HasPrefix(code, p) {
			return true
		}
	}
	return false
}

// GroupOf returns the blood-pressure-lowering group of an ATC code (E-DRUG).
func GroupOf(atc string) Group {
	for _, p := range groupPrefixes {
		if strings.HasPrefix(atc, p.prefix) {
			return p.group
		}
	}
	return NoGroup
}

type substance struct {
	Name   string
	ATC    string
	DDD    map[Route]float64
	RxNorm string
	Also   []string // other spellings in use
}

// Ingredient is one active substance of a drug, with what the rules need of it.
type Ingredient struct {
	Name string // in lower case; the charted text where only a class is known
	ATC  string
	// StrengthMG is the strength of one tablet or capsule that the drug's text
	// states for this ingredient, nil where it states none.
	StrengthMG *float64
	// OfCombination is true where the drug holds other ingredients too: a mass
	// ordered is then a mass of the whole.
	OfCombination bool

	ddd map[Route]float64
}

// Group is the blood-pressure-lowering group, NoGroup for other drugs.
func (i Ingredient) Group() Group { return GroupOf(i.ATC) }

// Lowering reports whether the drug is one of the blood-pressure-lowering groups.
func (i Ingredient) Lowering() bool { return i.Group() != NoGroup }

// Contributing reports whether the drug is one that may contribute to a drop
// without being in the load.
func (i Ingredient) Contributing() bool { return hasPrefix(i.ATC, contributingPrefixes) }

// Pressor reports whether the drug raises the pressure.
func (i Ingredient) Pressor() bool { return hasPrefix(i.ATC, pressorCodes) }

// RateLimiting reports whether the drug keeps the pulse from rising
// (F-RESPONSE).
func (i Ingredient) RateLimiting() bool { return hasPrefix(i.ATC, rateLimitingPrefixes) }

// OwesRecheck reports whether a start, raise or resumption of the drug asks for
// a recheck (R-DRUG).
func (i Ingredient) OwesRecheck() bool { return i.Lowering() || hasPrefix(i.ATC, recheckPrefixes) }

// DDD returns the WHO defined daily dose in mg for a route.
func (i Ingredient) DDD(r Route) (float64, bool) {
	d, ok := i.ddd[r]
	return d, ok
}

// massMG converts a mass unit to mg.
func massMG(unit string) (factor float64, ok bool) {
	switch strings.ToLower(strings.TrimSpace(unit)) {
	case "mg":
		return 1, true
	case "g":
		return 1000, true
	case "ug", "mcg", "µg", "μg":
		return 0.001, true
	}
	return 0, false
}

var countUnits = map[string]bool{
	"tablet": true, "tablets": true, "tab": true, "tabs": true, "{tablet}": true, "{tbl}": true,
	"capsule": true, "capsules": true, "cap": true, "caps": true, "{capsule}": true,
}

// AmountMG is the mass of this ingredient in a charted dose, in mg. ok is false
// where it cannot be known: no amount, another unit or none, a tablet whose
// text states no strength, a mass of a whole combination.
func (i Ingredient) AmountMG(dose *float64, unit string) (mg float64, ok bool) {
	if dose == nil {
		return 0, false
	}
	if f, ok := massMG(unit); ok {
		if i.OfCombination {
			return 0, false
		}
		return *dose * f, true
	}
	if countUnits[strings.ToLower(strings.TrimSpace(unit))] && i.StrengthMG != nil {
		return *dose * *i.StrengthMG, true
	}
	return 0, false
}

var (
	byATC    = map[string]*substance{}
	byRxNorm = map[string]*substance{}
)

// clonidineMigraine is clonidine's code as a migraine drug, which has a DDD of
// its own and no blood-pressure-lowering class.
const clonidineMigraine = "N02CX02"

func init() {
	for n := range substances {
		s := &substances[n]
		byATC[s.ATC] = s
		if s.RxNorm != "" {
			byRxNorm[s.RxNorm] = s
		}
	}
	byATC[clonidineMigraine] = &substance{Name: "clonidine", ATC: clonidineMigraine, DDD: map[Route]float64{Oral: 0.1}}
	readNames()
}

var atcShape = regexp.MustCompile(`^[A-Z][0-9]{2}([A-Z]([A-Z]([0-9]{2})?)?)?$`)

func isCombinationCode(atc string) bool {
	if hasPrefix(atc, combinationPrefixes) {
		return true
	}
	return len(atc) == 7 && atc[5] >= '5'
}

// Ingredients tells what a drug is (E-DRUG): by its ATC code, else its RxNorm
// code, else the names in its text. known is false where none of the three says,
// and the drug must then be listed as unrecognised. Of a combination each ingredient
// that the text names is listed, in the order of the text.
func (d Drug) Ingredients() (list []Ingredient, known bool) {
	named := namesIn(d.Text)
	atc := strings.ToUpper(strings.TrimSpace(d.ATC))
	if atcShape.MatchString(atc) {
		if s, ok := byATC[atc]; ok {
			return []Ingredient{named.only(s)}, true
		}
		combination := isCombinationCode(atc)
		if found := named.substances(); combination && len(found) > 0 {
			return named.ingredients(found, true), true
		}
		return []Ingredient{{
			Name: strings.TrimSpace(d.Text), ATC: atc, OfCombination: combination,
			StrengthMG: named.lone(),
		}}, true
	}
	if s, ok := byRxNorm[strings.TrimSpace(d.RxNorm)]; ok {
		return []Ingredient{named.only(s)}, true
	}
	found := named.substances()
	return named.ingredients(found, len(found) > 1), len(found) > 0
}
