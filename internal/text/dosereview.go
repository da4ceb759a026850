package text

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/trends"
)

// ReviewOutcomes are the outcomes of a dose review as people read them.
var ReviewOutcomes = map[dosereview.Outcome]string{
	dosereview.NoChange:  "no change",
	dosereview.Suggested: "suggestion made to the prescriber",
	dosereview.Held:      "held by the prescriber",
	dosereview.Other:     "other: the note says what",
}

// NoDoseAdvised is the caution of the dose review.
const NoDoseAdvised = "Flags point at doses to look at. Nothing here recommends a dose or a change of one; stopping a drug has risks of its own. A DDD is a unit of measurement, not a recommended dose."

// ReviewEnds is the note with which a recorded review ends its episode.
func ReviewEnds(o dosereview.Outcome) string {
	return "a dose review was recorded: " + ReviewOutcomes[o]
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
		out = append(out, "Positive set of "+c.Time(set.StartedAt)+" ("+c.Ago(set.StartedAt)+"): "+SetPressures(set)+".")
	}
	for _, change := range n.Raised {
		out = append(out, Change(change)+", "+c.Time(change.At)+".")
	}
	for _, f := range n.Flags {
		out = append(out, c.Flag(f)+" ("+f.Rule+")")
	}
	return out
}

// SetPressures writes the pressures and drops of a set, without its finding.
func SetPressures(s trends.Set) string {
	from, to := "no baseline", "no upright pressure"
	if b := s.Baseline; b != nil {
		from = string(b.Position) + " " + Pressure(b.Systolic, b.Diastolic)
	}
	if u := Decisive(s); u != nil {
		to = string(u.Position) + " " + Pressure(u.Systolic, u.Diastolic)
		if u.Minutes != nil {
			to += " at " + Figure(*u.Minutes) + " min"
		}
	}
	return from + ", " + to + "; " + Drops(s)
}

// FlagWith is Flag with the figures of the contributor that it rests on.
func (c Catalogue) FlagWith(f alerts.Flag, contributors []trends.Contributor) string {
	says := c.Flag(f)
	if f.Rule != alerts.DDry {
		return says
	}
	for _, contributor := range contributors {
		if contributor.Kind == trends.ByVolume {
			says = strings.TrimSuffix(says, ".") + ": " + Evidence(contributor) + "."
		}
	}
	return says
}

// DrugClass is what a drug is to the dose review.
func DrugClass(s trends.Substance) string {
	switch g := s.Group(); {
	case g != clinical.NoGroup:
		return string(g)
	case s.Pressor():
		return "raises blood pressure"
	case s.Contributing():
		return "can contribute to falls"
	}
	return ""
}

// OrderedDose writes what is ordered of a drug by one route.
func OrderedDose(o trends.Ordered) string {
	out := "amount unknown"
	if o.DailyMG != nil {
		out = Figure2(*o.DailyMG) + " mg a day"
	}
	if o.Route != "" && o.Route != string(clinical.Oral) {
		out += " " + o.Route
	}
	if ddds := o.OrderedDDDs(); ddds != nil {
		out += " (" + Figure2(*ddds) + " DDD)"
	}
	return out
}

// GivenDoses writes what was given of a drug in the last 24 h.
func GivenDoses(d trends.DrugDose) string {
	if d.Doses == 0 {
		return "none charted"
	}
	out := Plural(d.Doses, "dose", "doses")
	if d.MG == nil {
		return out + ", amount not charted in full"
	}
	out += ", " + Figure2(*d.MG) + " mg"
	if d.DDDs != nil {
		out += " (" + Figure2(*d.DDDs) + " DDD)"
	}
	return out
}

// GivenDose writes the amount of one dose.
func GivenDose(g trends.Given) string {
	out := "amount not charted"
	if g.MG != nil {
		out = Figure2(*g.MG) + " mg"
	}
	if g.Route != "" && g.Route != string(clinical.Oral) {
		out += " " + g.Route
	}
	return out
}

// Figure2 writes a number with two decimals at most: doses may be small.
func Figure2(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

// DroppedAfter says that a positive set followed a change.
func (c Catalogue) DroppedAfter(d alerts.DropAfter) string {
	return fmt.Sprintf("%s; first positive set %s after it, %s: %s", Change(d.Change)+", "+c.Time(d.Change.At), Span(d.After), c.Time(d.Set.StartedAt), SetPressures(d.Set))
}

// WeightChange writes the change of weight over the stay.
func (c Catalogue) WeightChange(w *trends.WeightChange) string {
	if w == nil {
		return "not known: it takes two weights at least 12 h apart"
	}
	return signed(w.KG) + " kg from " + c.Time(w.From) + " to " + c.Time(w.To)
}
