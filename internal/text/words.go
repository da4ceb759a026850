package text

import (
	"fmt"
	"strconv"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// TierIntros say in a line what a tier asks of its reader.
var TierIntros = map[string]string{
	alerts.Now:       "most pressing by these rules",
	alerts.ThisShift: "before the shift ends",
	alerts.Today:     "within the day",
	alerts.Watch:     "nothing owed yet; worth knowing",
	alerts.None:      "other fall risks are not judged here",
}

// RecheckStates are the states of a recheck as people read them.
var RecheckStates = map[string]string{
	alerts.Overdue:   "overdue",
	alerts.Due:       "due",
	alerts.Scheduled: "scheduled",
	alerts.NotNeeded: "none owed",
	alerts.Blocked:   "blocked",
}

// Findings are the findings of a set as people read them.
var Findings = map[string]string{
	trends.Positive:     "positive",
	trends.Inconclusive: "cannot be read",
	trends.SymptomsOnly: "symptoms only",
	trends.Negative:     "negative",
}

// Kinds are the kinds of a set as people read them.
var Kinds = map[string]string{
	trends.LyingToStanding:   "lying to standing",
	trends.LyingToSitting:    "lying to sitting",
	trends.SittingToStanding: "sitting to standing",
}

// Criteria are the criteria of a set as people read them, with their rules.
var Criteria = map[string]Rule{
	trends.CritSystolic:  {"F-SYS", "systolic drop"},
	trends.CritDiastolic: {"F-DIA", "diastolic drop"},
	trends.CritLow:       {"F-LOW", "standing systolic under 90"},
	trends.CritStopped:   {"F-STOP", "stopped by symptoms"},
	trends.CritPulse:     {"F-PULSE", "pulse rise of 30 or more"},
	trends.CritNotable:   {"F-PULSE", "notable pulse rise"},
	trends.CritSupine:    {"F-SUPINE", "drop of 30 or more from a high lying pressure"},
}

// Timings are the timings of a drop as people read them.
var Timings = map[trends.Word]string{
	trends.PossibleInitial: "possible initial (a cuff cannot confirm it)",
	trends.Classic:         "classic",
	trends.Delayed:         "delayed",
}

// Grades are the grades of a set's quality as people read them.
var Grades = map[string]string{
	trends.Complete: "complete",
	trends.Usable:   "usable",
	trends.Unusable: "unusable",
}

// ContributorNames are the kinds of contributors as people read them.
var ContributorNames = map[string]string{
	trends.ByVolume:     "volume",
	trends.ByDrugs:      "drugs",
	trends.ByHeart:      "heart",
	trends.ByEndocrine:  "endocrine",
	trends.ByNeurologic: "neurologic",
}

// What is said of precautions where there is none to list.
const (
	PrecautionsNotAsked   = "none asked for by these rules; other fall risks are not judged"
	PrecautionsNotCarried = "the feeds carry no precautions: not known"
	PrecautionsAll        = "all asked for are in place"
)

// Response says how the pulse answered a systolic drop.
func Response(s trends.Set) string {
	if s.PulseRatio == nil {
		return ""
	}
	r := ratio(*s.PulseRatio) + " beats/min per mmHg"
	if s.PulseResponse == trends.Unreliable {
		return "unreliable here (" + r + "): the pulse may be held back"
	}
	return string(s.PulseResponse) + " (" + r + ")"
}

// Sustained says whether a drop lasted.
func Sustained(w trends.Word) string {
	switch w {
	case "yes":
		return "still there at a later reading"
	case "no":
		return "gone at a later reading"
	case "unknown":
		return "no later reading"
	}
	return ""
}

// Clearing says what has been reached, and what would clear a positive stay.
func (c Catalogue) Clearing(s trends.Serial, p clinical.Policy) string {
	switch {
	case s.Positive == 0:
		return "No positive set in this stay: nothing to clear."
	case s.Cleared:
		return "Cleared " + c.Time(*s.ClearedAt) + " (" + c.Ago(*s.ClearedAt) + ")."
	}
	return fmt.Sprintf("Not cleared. It takes %d negative sets in a row, each standing %s to %s min, after the latest start, raise or resumption of a blood-pressure-lowering drug, the first and last at least %s h apart; %d so far.",
		p.Serial.ClearNegatives, Figure(p.Sets.ClearingStandFromMinutes), Figure(p.Sets.StandingToMinutes), Figure(p.Serial.ClearHours), s.ClearingRun)
}

// Counts says how many sets a stay has and how they ended.
func Counts(s trends.Serial) string {
	switch s.Sets {
	case 0:
		return "No orthostatic set in this stay."
	case 1:
		return fmt.Sprintf("1 set; %d can be read, %d positive.", s.Interpretable, s.Positive)
	}
	return fmt.Sprintf("%d sets; %d can be read, %d positive; %d negative in a row at the end.",
		s.Sets, s.Interpretable, s.Positive, s.NegativesInARow)
}

// Daily writes an ordered daily dose.
func Daily(v *float64, unit string) string {
	switch {
	case v == nil:
		return "on, amount unknown"
	case *v == 0:
		return "off"
	}
	return Figure(*v) + " " + unit + " a day"
}

// Change says what changed of a drug.
func Change(c trends.Change) string {
	return fmt.Sprintf("%s %s: %s to %s", c.Drug, c.Change, Daily(c.From, c.Unit), Daily(c.To, c.Unit))
}

// Balance says a fluid balance over a window of so many hours, and how well it
// is charted.
func Balance(b trends.Balance) string {
	if b.NetML == nil {
		return "not charted"
	}
	out := signed(*b.NetML) + " mL"
	covered := fmt.Sprintf("intake and output both charted for %s of %s h", Figure(b.Hours), Figure(b.Window))
	if !b.Usable {
		return out + ", incomplete: " + covered + "; no rule uses it"
	}
	return out + "; " + covered
}

// Load says the blood-pressure-lowering load and what it rests on.
func Load(e trends.Exposures) string {
	from := "given in the last 24 h"
	if e.LoadFrom == trends.FromOrders {
		from = "ordered a day (this stay has no dose records)"
	}
	if e.Load == nil {
		return "cannot be counted: every dose was left out"
	}
	return Figure2(*e.Load) + " DDD " + from
}

// Injury says what is known of a fall's injury.
func Injury(word string) string {
	switch word {
	case "":
		return "injury not charted"
	case "none":
		return "no injury"
	case "death":
		return "died of it"
	}
	return word + " injury"
}

// Drops writes the largest drops of a set; a rise is said as one.
func Drops(s trends.Set) string {
	if s.SystolicDrop == nil && s.DiastolicDrop == nil {
		return "drops cannot be told"
	}
	one := func(name string, v *float64) string {
		switch {
		case v == nil:
			return name + " drop cannot be told"
		case *v < 0:
			return name + " up " + Figure(-*v)
		}
		return name + " drop " + Figure(*v)
	}
	if s.SystolicDrop != nil && s.DiastolicDrop != nil && *s.SystolicDrop >= 0 && *s.DiastolicDrop >= 0 {
		return "drop " + Figure(*s.SystolicDrop) + " systolic, " + Figure(*s.DiastolicDrop) + " diastolic"
	}
	return one("systolic", s.SystolicDrop) + ", " + one("diastolic", s.DiastolicDrop)
}

// Pressure writes a pressure; what was not charted shows as such.
func Pressure(systolic, diastolic *float64) string {
	if systolic == nil && diastolic == nil {
		return "not charted"
	}
	one := func(v *float64) string {
		if v == nil {
			return "–"
		}
		return Figure(*v)
	}
	return one(systolic) + "/" + one(diastolic)
}

// Decisive is the upright reading that a line about a set names: the lowest
// systolic that compares with the baseline, else the first with a pressure.
func Decisive(s trends.Set) *trends.Upright {
	var low, first *trends.Upright
	for n, u := range s.Upright {
		if u.Systolic == nil {
			continue
		}
		if first == nil {
			first = &s.Upright[n]
		}
		if u.Counts() && (low == nil || *u.Systolic < *low.Systolic) {
			low = &s.Upright[n]
		}
	}
	if low == nil {
		return first
	}
	return low
}

// SetLine writes a set in a line: pressures, drops, finding and quality.
func SetLine(s trends.Set) string {
	return SetPressures(s) + "; " + Findings[s.Finding] + ", quality " + Grades[s.Quality]
}

// P writes a p-value with two significant digits.
func P(p float64) string {
	if p < 0.001 {
		return "p under 0.001"
	}
	return "p = " + strconv.FormatFloat(p, 'g', 2, 64)
}
