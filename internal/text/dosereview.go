package text

import (
	"math"
	"strconv"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// ReviewOutcomes are the outcomes of a dose review as people read them.
var ReviewOutcomes = named[records.DoseOutcome]("review-outcomes")

// Labs are the laboratory values that are shown beside doses, by LOINC code.
var Labs = named[string]("labs")

// SuggestionClasses are what may be suggested of a drug, and SuggestionAnswers what may be
// answered to it, as people read them.
var (
	SuggestionClasses = named[records.SuggestionClass]("suggestions")
	SuggestionAnswers = named[string]("suggestion-answers")
)

// FlagNames are the flags of a dose review in a few words, by rule.
var FlagNames = named[string]("flags")

// NoDoseAdvised is the caution of the dose review.
var NoDoseAdvised = Say("dosereview.no-dose-advised")

// ReviewEnds is the note with which a recorded review ends its episode.
func ReviewEnds(o records.DoseOutcome) string {
	return sayReviewEnds(Catalogue{}, o)
}

// Day writes a day given as 2006-01-02, as it came where it is none.
func Day(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("Mon 2 Jan 2006")
}

// ReviewNews says what has come in since a review.
func (c Catalogue) ReviewNews(n dosereview.News) []string {
	var out []string
	for _, set := range n.Sets {
		out = append(out, sayPositiveSet(c, set))
	}
	for _, change := range n.Raised {
		out = append(out, sayChangeNews(c, change))
	}
	for _, f := range n.Flags {
		out = append(out, sayFlagNamed(c, flagSaid{f.Rule, c.Flag(f)}))
	}
	return out
}

// flagSaid is a flag with its sentence.
type flagSaid struct{ Rule, Says string }

// SetPressures writes the pressures and drops of a set, without its finding.
func SetPressures(s trends.Set) string { return saySet(Catalogue{}, s) }

// FlagWith is Flag with the figures of the contributor that it rests on.
func (c Catalogue) FlagWith(f alerts.Flag, contributors []trends.Contributor) string {
	if f.Rule == alerts.DDry {
		for _, contributor := range contributors {
			if contributor.Kind == trends.ByVolume {
				return sayFlagWith(c, flagEvidence{f.Drugs, Evidence(contributor)})
			}
		}
	}
	return c.Flag(f)
}

// flagEvidence are the drugs of a flag with what it rests on.
type flagEvidence struct {
	Drugs    []string
	Evidence string
}

// DrugClass is what a drug is to the dose review.
func DrugClass(s trends.Substance) string {
	switch g := s.Group(); {
	case g != clinical.NoGroup:
		return spoken.word("core", string(g))
	case s.Pressor():
		return sayPressor(Catalogue{}, none{})
	case s.Contributing():
		return sayContributing(Catalogue{}, none{})
	}
	return ""
}

// other reports whether a route is another than by mouth.
func other(route string) bool { return route != "" && route != string(clinical.Oral) }

// OrderedDose writes what is ordered of a drug by one route.
func OrderedDose(o trends.Ordered) string { return sayOrderedDose(Catalogue{}, o) }

// GivenDoses writes what was given of a drug in the last 24 h.
func GivenDoses(d trends.DrugDose) string { return sayGivenDoses(Catalogue{}, d) }

// GivenDose writes the amount of one dose.
func GivenDose(g trends.Given) string { return sayGivenDose(Catalogue{}, g) }

// DoseAmount writes the amount and the route of a dose record, as charted.
func DoseAmount(d trends.LaneDose) string { return sayLaneDose(Catalogue{}, d) }

// StayOrder writes an order as its last version has it, and what became of it.
func (c Catalogue) StayOrder(o trends.StayOrder) string { return sayStayOrder(c, o) }

// Exact writes a number with every decimal that was charted.
func Exact(v float64) string { return exact(v) }

// Figure2 writes a number with two decimals at most: doses may be small.
func Figure2(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

// DroppedAfter says that a positive set followed a change.
func (c Catalogue) DroppedAfter(d alerts.DropAfter) string { return sayDroppedAfter(c, d) }

// WeightChange writes the change of weight over the stay.
func (c Catalogue) WeightChange(w *trends.WeightChange) string {
	if w == nil {
		return sayWeightUnknown(c, none{})
	}
	return sayWeight(c, *w)
}
