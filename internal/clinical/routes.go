package clinical

import "strings"

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

// RouteTold is where a source may say how a drug is given: in a field of its own, else
// in the text of the drug ("eye drops", "ointment").
type RouteTold struct{ Route, Text string }

// RouteTold is where the order may say how its drug is given.
func (b Order) RouteTold() RouteTold { return RouteTold{b.Route, b.Text} }

// RouteTold is where the dose may say how its drug is given, before its order does.
func (b Dose) RouteTold() RouteTold { return RouteTold{b.Route, b.Text} }

// The words of a text that tell a route where none is charted.
var (
	localWords = []string{
		"ophthalmic", "eye", "otic", "ear", "nasal", "inhaler", "inhalation", "shampoo", "vaginal",
	}
	skinWords      = []string{"cream", "gel", "ointment"}
	skinRouteWords = []string{"cream", "gel", "ointment", "patch", "transdermal"}
)

// RouteBy is the route of the ingredient by the first of the places that tells one, by
// mouth where none does. local is true where the drug acts where it is put: a drug
// for the eye, the ear, the nose, the lung or the skin; but a nitrate or clonidine on
// the skin acts all over. The zero Ingredient stands for a drug that nobody knows.
func (i Ingredient) RouteBy(places ...RouteTold) (r Route, local bool) {
	for _, p := range places {
		if r, local, told := i.routeTold(p); told {
			return r, local
		}
	}
	return Oral, false
}

func (i Ingredient) routeTold(p RouteTold) (r Route, local, told bool) {
	if strings.TrimSpace(p.Route) != "" {
		r, local = RouteOf(p.Route)
		if r == "topical" && i.throughSkin() {
			return Transdermal, false, true
		}
		return r, local, true
	}
	switch {
	case HasWord(p.Text, localWords...):
		return "", true, true
	case i.throughSkin() && HasWord(p.Text, skinRouteWords...):
		return Transdermal, false, true
	case HasWord(p.Text, skinWords...):
		return "topical", true, true
	}
	return "", false, false
}

// throughSkin reports whether the ingredient is given on the skin to act all over:
// nitrates and clonidine.
func (i Ingredient) throughSkin() bool {
	return GroupOf(i.ATC) == Nitrate || i.Name == "clonidine"
}
