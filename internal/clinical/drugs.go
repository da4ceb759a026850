package clinical

import (
	"regexp"
	"sort"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Route is the way by which a drug is given. A word that is none of the four
// below is kept as it is: it has no DDD.
type Route string

// The routes that have DDDs.
const (
	Oral        Route = "oral"
	Parenteral  Route = "parenteral"
	Sublingual  Route = "sublingual"
	Transdermal Route = "transdermal"
)

var routeWords = map[string]Route{
	"": Oral, "oral": Oral, "po": Oral, "by mouth": Oral, "ng": Oral, "og": Oral, "peg": Oral, "tube": Oral,
	"parenteral": Parenteral, "iv": Parenteral, "im": Parenteral, "sc": Parenteral,
	"intravenous": Parenteral, "intramuscular": Parenteral, "subcutaneous": Parenteral,
	"sublingual": Sublingual, "sl": Sublingual,
	"transdermal": Transdermal, "td": Transdermal, "patch": Transdermal,
}

var localRoutes = map[string]bool{
	"ophthalmic": true, "otic": true, "nasal": true, "topical": true, "inhaled": true, "vaginal": true,
}

// RouteOf reads a charted route. local is true for a route by which a drug acts
// where it is put: such a drug is named and counts nowhere.
func RouteOf(word string) (r Route, local bool) {
	w := strings.ToLower(strings.TrimSpace(word))
	if r, ok := routeWords[w]; ok {
		return r, false
	}
	return Route(w), localRoutes[w]
}

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
		"A10BK", "N04BA", "N04BC", "G04BE", "N06A", "N05A", "N05B", "N05C", "N03A", "N02BF", "N02A",
		"G04BD", "R06A", "M03BX02",
	}
	pressorCodes         = []string{"C01CA17", "C01CA27", "H02AA02", "N07AA02"}
	rateLimitingPrefixes = []string{"C07", "C08D", "C01AA", "C01BD01", "C01EB17"}
	recheckPrefixes      = []string{"N06AA", "N05A", "N04BA", "N04BC", "A10BK"}
	// Whole classes of combinations; beside them the fifth-level codes from 50
	// up are combinations by the index's own convention.
	combinationPrefixes = []string{
		"C02L", "C02N", "C03AB", "C03AH", "C03AX", "C03BB", "C03BK", "C03CB", "C03E",
		"C07B", "C07C", "C07D", "C07E", "C07F", "C08G", "C09B", "C09D", "C10BX", "A10BD", "N06CA", "N02AJ",
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
	names    []drugName // longest first
)

type drugName struct {
	words []string
	sub   *substance
}

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
		for _, name := range append([]string{s.Name}, s.Also...) {
			names = append(names, drugName{words: strings.Fields(name), sub: s})
		}
	}
	byATC[clonidineMigraine] = &substance{Name: "clonidine", ATC: clonidineMigraine, DDD: map[Route]float64{Oral: 0.1}}
	sort.SliceStable(names, func(a, b int) bool { return len(names[a].words) > len(names[b].words) })
}

var atcShape = regexp.MustCompile(`^[A-Z][0-9]{2}([A-Z]([A-Z]([0-9]{2})?)?)?$`)

func isCombinationCode(atc string) bool {
	if hasPrefix(atc, combinationPrefixes) {
		return true
	}
	return len(atc) == 7 && atc[5] >= '5'
}

// Ingredients tells what a drug is (E-DRUG): by its ATC code, else its RxNorm
// code, else the ingredient names in its text. known is false where none of the
// three says, and the drug must then be listed as unrecognised.
func (d Drug) Ingredients() (list []Ingredient, known bool) {
	found := findNames(d.Text)
	atc := strings.ToUpper(strings.TrimSpace(d.ATC))
	if atcShape.MatchString(atc) {
		if s, ok := byATC[atc]; ok {
			return []Ingredient{s.ingredient(found, d.Text, false)}, true
		}
		combination := isCombinationCode(atc)
		if len(found) > 1 || combination && len(found) > 0 {
			return ingredientsOf(found, d.Text, combination), true
		}
		return []Ingredient{{
			Name: strings.TrimSpace(d.Text), ATC: atc, OfCombination: combination,
			StrengthMG: loneStrength(d.Text),
		}}, true
	}
	if s, ok := byRxNorm[strings.TrimSpace(d.RxNorm)]; ok {
		return []Ingredient{s.ingredient(found, d.Text, false)}, true
	}
	if len(found) == 0 {
		return nil, false
	}
	return ingredientsOf(found, d.Text, false), true
}

type foundName struct {
	sub        *substance
	start, end int // bytes of the lower-cased text
}

type textWord struct {
	text       string
	start, end int
}

func wordsOf(text string) []textWord {
	var out []textWord
	start := -1
	for n, r := range text {
		if unicode.IsLetter(r) {
			if start < 0 {
				start = n
			}
			continue
		}
		if start >= 0 {
			out = append(out, textWord{text[start:n], start, n})
			start = -1
		}
	}
	if start >= 0 {
		out = append(out, textWord{text[start:], start, len(text)})
	}
	return out
}

// findNames finds the known substances that a text names, in the order of the
// text, each once.
func findNames(text string) []foundName {
	words := wordsOf(strings.ToLower(text))
	var out []foundName
	seen := map[*substance]bool{}
	for n := 0; n < len(words); n++ {
		for _, name := range names {
			if !matchAt(words, n, name.words) {
				continue
			}
			last := n + len(name.words) - 1
			if !seen[name.sub] {
				seen[name.sub] = true
				out = append(out, foundName{name.sub, words[n].start, words[last].end})
			}
			n = last
			break
		}
	}
	return joinSacubitril(out)
}

func matchAt(words []textWord, n int, name []string) bool {
	if n+len(name) > len(words) {
		return false
	}
	for k, w := range name {
		if words[n+k].text != w {
			return false
		}
	}
	return true
}

const sacubitrilValsartan = "C09DX04"

func sumOf(all []strength) *float64 {
	if len(all) == 0 {
		return nil
	}
	sum := 0.0
	for _, st := range all {
		sum += st.mg
	}
	return &sum
}

// joinSacubitril makes one ingredient of sacubitril and valsartan: they are
// given together only, and the pair has no DDD.
func joinSacubitril(found []foundName) []foundName {
	pair := byATC[sacubitrilValsartan]
	valsartan := byATC["C09CA03"]
	hasPair := false
	for _, f := range found {
		hasPair = hasPair || f.sub == pair
	}
	if !hasPair {
		return found
	}
	var out []foundName
	for _, f := range found {
		if f.sub != valsartan {
			out = append(out, f)
		}
	}
	return out
}

func ingredientsOf(found []foundName, text string, combination bool) []Ingredient {
	out := make([]Ingredient, 0, len(found))
	for _, f := range found {
		out = append(out, f.sub.ingredient(found, text, combination || len(found) > 1))
	}
	return out
}

func (s *substance) ingredient(found []foundName, text string, combination bool) Ingredient {
	return Ingredient{
		Name: s.Name, ATC: s.ATC, ddd: s.DDD, OfCombination: combination,
		StrengthMG: s.strengthIn(found, text),
	}
}

// A strength is a number, or several parted by strokes or hyphens, and a mass unit
// that no denominator follows: 10 MG/ML is a concentration and says nothing of a
// tablet.
var (
	strengthShape    = regexp.MustCompile(`(\d+(?:\.\d+)?(?:\s*[/-]\s*\d+(?:\.\d+)?)*)\s*(mg|mcg|ug|µg|μg|g)\b`)
	numberShape      = regexp.MustCompile(`\d+(?:\.\d+)?`)
	denominatorShape = regexp.MustCompile(`^\s*(/|per)\s*(\d+(\.\d+)?\s*)?(ml|l|h|hr|hour|d|day|actuat|actuation|dose|spray|puff|cm2|min)\b`)
	partedShape      = regexp.MustCompile(`\s*[/+]\s*|-|\s+and\s+|\s+with\s+`)
)

type strength struct {
	at int // byte of the text
	mg float64
}

// strengthsIn lists the strengths that a text in lower case states.
func strengthsIn(text string) []strength {
	var out []strength
	for _, m := range strengthShape.FindAllStringSubmatchIndex(text, -1) {
		factor, ok := massMG(text[m[4]:m[5]])
		before, _ := utf8.DecodeLastRuneInString(text[:m[0]])
		glued := strings.ContainsRune(".,·'0123456789", before) // part of a number in another form
		if !ok || glued || denominatorShape.MatchString(text[m[5]:]) {
			continue
		}
		for _, n := range numberShape.FindAllStringIndex(text[m[2]:m[3]], -1) {
			if v, err := strconv.ParseFloat(text[m[2]+n[0]:m[2]+n[1]], 64); err == nil {
				out = append(out, strength{m[2] + n[0], v * factor})
			}
		}
	}
	return out
}

func loneStrength(text string) *float64 { return only(strengthsIn(strings.ToLower(text))) }

func only(all []strength) *float64 {
	if len(all) == 1 {
		return &all[0].mg
	}
	return nil
}

// strengthIn is the strength that the text states for s. Where all names stand
// before all strengths ("a / b 20 MG / 12.5 MG"), it is the one of the name's
// rank, and unknown unless there is one for each name, known here or not.
// Otherwise it is the first strength between the name and the next one.
func (s *substance) strengthIn(found []foundName, text string) *float64 {
	text = strings.ToLower(text)
	all := strengthsIn(text)
	if s.ATC == sacubitrilValsartan {
		return sumOf(all) // one ingredient, so its strength is that of the pair
	}
	own := -1
	for n, f := range found {
		if f.sub == s {
			own = n
		}
	}
	if own < 0 {
		return loneStrength(text)
	}
	if len(all) > 0 && all[0].at > found[len(found)-1].start {
		if parts := partedShape.FindAllStringIndex(text[:all[0].at], -1); len(parts) > 0 {
			rank := 0
			for _, p := range parts {
				if p[0] < found[own].start {
					rank++
				}
			}
			if len(all) == len(parts)+1 {
				return &all[rank].mg
			}
			if strings.ContainsAny(text[:all[0].at], "/+") || len(found) > 1 {
				return nil
			}
		}
	}
	if len(found) == 1 && (len(all) == 1 || !strings.ContainsAny(text, "/+")) {
		return only(all) // two strengths of one ingredient are a range, and say nothing of a tablet
	}
	next := len(text)
	if own+1 < len(found) {
		next = found[own+1].start
	}
	for _, st := range all {
		if st.at >= found[own].end && st.at < next {
			return &st.mg
		}
	}
	return nil
}
