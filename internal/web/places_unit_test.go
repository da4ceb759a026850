package web_test

import (
	"fmt"
	"html"
	"reflect"
	"strings"
	"testing"
	"time"

	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/report"
	"plumbline/internal/trends"
)

// Every set of the document of a stay stands in a card of its own, with all that the
// latest one says.
func TestEveryFieldOfEverySetHasItsPlace(t *testing.T) {
	drill.Long(t)
	h, c := openWith(t)
	var list report.List
	fetch(t, h, "/api/v1/units/4W/list", &list)
	seen := 0
	for _, p := range list.Patients {
		var document map[string]any
		fetch(t, h, "/api/v1/stays/"+p.StayID+"/sets", &document)
		sets := document["sets"].([]any)
		cards := strings.Split(get(h, "/stays/"+p.StayID).Body.String(), `<article class="setcard"`)[1:]
		if len(cards) != len(sets) {
			t.Fatalf("%s: %d cards of %d sets", p.StayID, len(cards), len(sets))
		}
		for n, set := range sets {
			card := plain(cards[len(cards)-1-n]) // the latest comes first
			leaves(set, "latest_set", func(path string, v any) {
				at, ok := fieldPlaces[path]
				if !ok {
					t.Errorf("%s: a set has the field %s, which has no place", p.StayID, path)
				}
				if at.words == nil {
					return
				}
				if want := strings.Join(strings.Fields(at.words(p, v, c)), " "); !strings.Contains(card, want) {
					t.Errorf("%s, set %d: %s is %v, and its card does not say %q: %s", p.StayID, n+1, path, v, want, card)
				}
				seen++
			})
		}
	}
	if seen < 3000 {
		t.Errorf("only %d values were looked for", seen)
	}
}

// unitPlaces say what the page of a unit over time says for a field of its document: the
// words, whole cells of a table among them; nil where another says it too.
var unitPlaces = map[string]func(u report.Unit, p report.UnitPeriod) string{
	"unit":               func(u report.Unit, _ report.UnitPeriod) string { return "Unit " + u.Unit + " over time" },
	"days_between_falls": func(u report.Unit, _ report.UnitPeriod) string { return daysBetween(u.DaysBetween[0]) },
	"g_center": func(u report.Unit, _ report.UnitPeriod) string {
		return fmt.Sprintf("Centre %.1f days", *u.GCenter)
	},
	"g_upper": func(u report.Unit, _ report.UnitPeriod) string {
		return fmt.Sprintf("upper limit %.1f", *u.GUpper)
	},
	"periods.from":         func(_ report.Unit, p report.UnitPeriod) string { return p.From.Format("Jan 2006") },
	"periods.to":           nil, // where the next begins
	"periods.patient_days": fallsRow,
	"periods.falls":        fallsRow,
	"periods.rate":         fallsRow,
	"periods.rate_low":     fallsRow,
	"periods.rate_high":    fallsRow,
	"periods.u_lower":      fallsRow,
	"periods.u_upper":      fallsRow,
	"periods.u_center": func(_ report.Unit, p report.UnitPeriod) string {
		return fmt.Sprintf("Centre %.1f per 1,000 patient-days", *p.UCenter)
	},
	"periods.falls_with_injury": injuryRow,
	"periods.injury_rate":       injuryRow,
	"periods.run_rules":         nil, // no point of the demo is marked: TestAPointBeyondTheLimitIsMarkedAndSaidInWords in charts
	"periods.sets": func(_ report.Unit, p report.UnitPeriod) string {
		return fmt.Sprintf("%d %d %.1f ", p.Sets, p.Positive, 100*float64(p.Positive)/float64(p.Sets))
	},
	"periods.positive":          nil, // with the sets
	"periods.complete":          gradesRow,
	"periods.usable":            gradesRow,
	"periods.unusable":          gradesRow,
	"periods.rechecks_due":      rechecksRow,
	"periods.rechecks_in_time":  rechecksRow,
	"periods.rechecks_answered": rechecksRow,
	"periods.p_lower":           rechecksRow,
	"periods.p_upper":           rechecksRow,
	"periods.p_center": func(_ report.Unit, p report.UnitPeriod) string {
		return fmt.Sprintf("Centre %.0f %%: ", 100**p.PCenter)
	},
	"periods.systolic_ending_0": func(_ report.Unit, p report.UnitPeriod) string {
		return fmt.Sprintf(" (%.0f %%) ", 100**p.SystolicEnding0)
	},
}

func daysBetween(days int) string {
	if days == 1 {
		return "1 day since the fall before"
	}
	return fmt.Sprintf("%d days since the fall before", days)
}

func fallsRow(_ report.Unit, p report.UnitPeriod) string {
	return fmt.Sprintf("%.0f %d %.1f (%.1f to %.1f) %.1f to %.1f", p.PatientDays, p.Falls, *p.Rate, *p.RateLow, *p.RateHigh, *p.ULower, *p.UUpper)
}

func injuryRow(_ report.Unit, p report.UnitPeriod) string {
	return fmt.Sprintf("%d %.1f (", p.FallsWithInjury, *p.InjuryRate)
}

func gradesRow(_ report.Unit, p report.UnitPeriod) string {
	share := func(n int) string { return fmt.Sprintf("%d (%.0f %%)", n, 100*float64(n)/float64(p.Sets)) }
	return fmt.Sprintf("%d %s %s %s", p.Sets, share(p.Complete), share(p.Usable), share(p.Unusable))
}

func rechecksRow(_ report.Unit, p report.UnitPeriod) string {
	return fmt.Sprintf("%d %d (%.0f %%) %d %.0f to %.0f", p.RechecksDue, p.RechecksInTime,
		100*float64(p.RechecksInTime)/float64(p.RechecksDue), p.RechecksAnswered, 100**p.PLower, 100**p.PUpper)
}

// Nothing that the document of a unit says is nowhere on its page over time.
func TestEveryFieldOfAUnitOverTimeHasItsPlace(t *testing.T) {
	known := map[string]bool{}
	fieldsOf(reflect.TypeFor[report.Unit](), "", known)
	for path := range known {
		if _, ok := unitPlaces[path]; !ok {
			t.Errorf("the field %s has no place: show it on the page over time, and write here which words say it", path)
		}
	}
	d, board := open(t)
	at := demo.AnchorTime()
	month := trends.PeriodAround(at, trends.ByMonth, d.Zone)
	figures, err := board.Unit(t.Context(), "4W", trends.PeriodAround(month.From.Add(-time.Hour), trends.ByMonth, d.Zone).From, month.To, trends.ByMonth, at)
	if err != nil {
		t.Fatal(err)
	}
	u := report.UnitOf("4W", figures)
	if len(u.Periods) != 2 || len(u.DaysBetween) == 0 || u.Periods[1].RechecksDue == 0 || u.Periods[1].Falls == 0 {
		t.Fatalf("the demo has too little over time: %+v", u)
	}
	page := said(t, signedIn(d), "/units/4W/over-time")
	for path, words := range unitPlaces {
		if !known[path] {
			t.Errorf("no document has a field %s", path)
		}
		if words == nil {
			continue
		}
		for _, p := range u.Periods {
			if want := words(u, p); !strings.Contains(page, want) {
				t.Errorf("%s of %s: the page does not say %q", path, p.From.Format(time.DateOnly), want)
			}
		}
	}
	for _, days := range u.DaysBetween {
		if !strings.Contains(page, daysBetween(days)) {
			t.Errorf("the page does not say %q", daysBetween(days))
		}
	}
}

// plain is a piece of a page without its markup, in single spaces.
func plain(markup string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tags.ReplaceAllString(markup, " "))), " ")
}
