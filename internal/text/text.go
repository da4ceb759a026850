// Package text is the catalogue of sentences: the one place where rules and
// figures become words. Nothing here decides anything.
package text

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/trends"
)

// Catalogue makes sentences for one site and one moment.
type Catalogue struct {
	Zone *time.Location
	At   time.Time
}

// Figure writes a number as people read it: at most one decimal.
func Figure(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

// Time writes a moment in the site's zone.
//
// The year is told where the moment is far from the catalogue's. In the hour that a
// clock put back runs through twice, the zone's abbreviation tells which of the two.
func (c Catalogue) Time(t time.Time) string {
	if d := c.At.Sub(t); !c.At.IsZero() && (d > yearFrom || d < -yearFrom) {
		return c.Dated(t)
	}
	return clock(t.In(c.Zone), "2 Jan 15:04")
}

// Dated is Time with the year, for what is filed.
func (c Catalogue) Dated(t time.Time) string { return clock(t.In(c.Zone), "2 Jan 2006 15:04") }

func clock(local time.Time, form string) string {
	if twice(local) {
		form += " MST"
	}
	return local.Format(form)
}

// yearFrom is how far away a time is told with its year: half a year, beyond which day
// and month may be taken for those of the next year or the one before.
const yearFrom = 182 * 24 * time.Hour

// twice reports whether a clock on the wall showed the same at another moment, because it
// was put back. No zone has put its clocks back by more than some hours.
func twice(local time.Time) bool {
	_, offset := local.Zone()
	for _, by := range []time.Duration{-3 * time.Hour, 3 * time.Hour} {
		_, other := local.Add(by).Zone()
		if other == offset {
			continue
		}
		again := local.Add(time.Duration(offset-other) * time.Second)
		if _, o := again.Zone(); o == other {
			return true
		}
	}
	return false
}

// Ago says how long before the catalogue's moment t was.
func (c Catalogue) Ago(t time.Time) string {
	d := c.At.Sub(t)
	if d < 0 {
		return Say("time.in", Span(-d))
	}
	return Say("time.ago", Span(d))
}

// Span writes a duration in the unit that people would use.
func Span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return Say("time.under-a-minute")
	case d < time.Hour:
		return Say("time.minutes", int(d.Minutes()))
	case d < 48*time.Hour:
		h, m := int(d.Hours()), int(d.Minutes())%60
		if m == 0 {
			return Say("time.hours", h)
		}
		return Say("time.hours-minutes", h, m)
	}
	return Say("time.days", int(math.Round(d.Hours()/24)))
}

// List joins words with commas and "and".
func List(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// TierNames are the names of the tiers as people read them.
var TierNames = map[string]string{
	alerts.Now:       "now",
	alerts.ThisShift: "this shift",
	alerts.Today:     "today",
	alerts.Watch:     "watch",
	alerts.None:      "nothing owed by these rules",
}

// Reason says why a tier rule holds, with its figures.
func (c Catalogue) Reason(r alerts.Reason) string {
	f := r.Figures
	switch r.Rule {
	case alerts.TFall:
		if f["injury"] == "death" {
			return c.fell(f) + "; no set is asked for."
		}
		return c.fell(f) + "; no orthostatic set that can be read since."
	case alerts.TFell:
		return c.fell(f) + "."
	case alerts.TStopped:
		return "The set of " + c.when(f) + " was stopped by symptoms" + symptoms(f) + "; " + pressures(f) + "."
	case alerts.TLow:
		return "Standing systolic under 90 at the set of " + c.when(f) + ": " + pressures(f) + "."
	case alerts.TLowLying:
		return fmt.Sprintf("Lying systolic %s, under 90, at %s: standing tests are usually withheld.", num(f["baseline_systolic"]), c.when(f))
	case alerts.TGap:
		what := "Pressure falls on standing"
		switch {
		case f["finding"] == trends.SymptomsOnly:
			what = "Symptoms on standing"
		case stoppedAlone(f):
			what = "Stopped by symptoms" + symptoms(f)
		}
		return what + " at the set of " + c.when(f) + ", and precautions are missing: " + strings.Join(words(f["missing"]), ", ") + "."
	case alerts.TPositive:
		if stoppedAlone(f) {
			return "The latest set that can be read, " + c.when(f) + ", was stopped by symptoms" + symptoms(f) + "; " + pressures(f) + "."
		}
		return "Pressure fell on standing at the latest set that can be read, " + c.when(f) + ": " + pressures(f) + "."
	case alerts.TSymptoms:
		return "Symptoms on standing without a fall in pressure, " + c.when(f) + symptoms(f) + "."
	case alerts.TOverdue, alerts.TDue, alerts.TRoutine, alerts.TSoon:
		return c.recheckSentence(f)
	case alerts.TReview:
		return "Doses to be looked at by a pharmacist: " + List(words(f["drugs"])) + " (" + strings.Join(words(f["flags"]), ", ") + "); positive set " + c.when(f) + "."
	case alerts.TPrecaution:
		return "Falls precautions missing: " + strings.Join(words(f["missing"]), ", ") + "."
	case alerts.TWatch:
		return c.watch(f)
	}
	return r.Rule
}

func (c Catalogue) when(f alerts.Figures) string {
	t, ok := f["set_at"].(time.Time)
	if !ok {
		return ""
	}
	return c.Time(t) + " (" + c.Ago(t) + ")"
}

// latestOf says that there are further falls than the one whose figures are told; ""
// where it is the only one. A number that was kept comes back as a float.
func latestOf(f alerts.Figures) string {
	n, ok := f["falls"].(int)
	if kept, isFloat := f["falls"].(float64); isFloat {
		n, ok = int(kept), true
	}
	if !ok || n < 2 {
		return ""
	}
	return fmt.Sprintf(", the latest of %d falls", n)
}

func (c Catalogue) fell(f alerts.Figures) string {
	at, _ := f["fell_at"].(time.Time)
	injury, _ := f["injury"].(string)
	what := "injury not charted"
	switch injury {
	case "none":
		what = "no injury"
	case "death":
		what = "died of it"
	case "":
	default:
		what = injury + " injury"
	}
	return fmt.Sprintf("Fell %s (%s), %s%s", c.Time(at), c.Ago(at), what, latestOf(f))
}

func num(v any) string {
	f, ok := v.(float64)
	if !ok {
		return "not measured"
	}
	return Figure(f)
}

// policyNum is num for a number of the policy, which is told as it was set.
func policyNum(v any) string {
	f, ok := v.(float64)
	if !ok {
		return "not set"
	}
	return exact(f)
}

func words(v any) []string {
	w, _ := v.([]string)
	return w
}

// stoppedAlone reports whether a set is positive by its symptoms alone: what it says of
// pressures is then no fall.
func stoppedAlone(f alerts.Figures) bool {
	criteria := words(f["criteria"])
	return slices.Contains(criteria, trends.CritStopped) && !slices.ContainsFunc(criteria, func(c string) bool {
		return c == trends.CritSystolic || c == trends.CritDiastolic || c == trends.CritLow
	})
}

// change writes a drop; a rise is said as one.
func change(name string, drop any) string {
	if v, ok := drop.(float64); ok && v < 0 {
		return name + " up " + Figure(-v)
	}
	return name + " drop " + num(drop)
}

func symptoms(f alerts.Figures) string {
	if w := words(f["symptoms"]); len(w) > 0 {
		return " (" + List(w) + ")"
	}
	return ""
}

// pressures writes baseline and upright pressure with the drops.
func pressures(f alerts.Figures) string {
	if f["upright_systolic"] == nil {
		if f["baseline_systolic"] == nil {
			return "no drop can be told"
		}
		return "baseline " + pair(f["baseline_systolic"], f["baseline_diastolic"]) + ", no upright pressure that compares"
	}
	from := "lying"
	if f["kind"] == trends.SittingToStanding {
		from = "sitting"
	}
	at := fmt.Sprint(f["upright_position"])
	if f["upright_minutes"] != nil {
		at += " " + num(f["upright_minutes"]) + " min"
	}
	out := fmt.Sprintf("%s %s, %s %s; %s", from, pair(f["baseline_systolic"], f["baseline_diastolic"]),
		at, pair(f["upright_systolic"], f["upright_diastolic"]), change("systolic", f["systolic_drop"]))
	if f["diastolic_drop"] != nil {
		out += ", " + change("diastolic", f["diastolic_drop"])
	}
	return out + " mmHg"
}

func pair(systolic, diastolic any) string {
	if diastolic == nil {
		return num(systolic) + "/?"
	}
	return num(systolic) + "/" + num(diastolic)
}

// RecheckRules say what each recheck rule asks for.
var RecheckRules = map[string]string{
	alerts.RFall:     "after a fall",
	alerts.RStopped:  "after a set stopped by symptoms",
	alerts.RTreated:  "after treatment of a falling pressure",
	alerts.RPositive: "pressure fell on standing and has not been cleared",
	alerts.RRepeat:   "the latest set settled nothing",
	alerts.RDrug:     "after a drug change",
	alerts.RVolume:   "fluid balance is strongly negative",
	alerts.RAdmit:    "admission screen of a patient at risk",
	alerts.RWeekly:   "weekly screen of a patient at risk",
}

// RecheckWhy says what the recheck is for.
func RecheckWhy(rule, drug, change string) string {
	if rule == alerts.RDrug && drug != "" {
		return "after " + drug + " was " + change
	}
	return RecheckRules[rule]
}

func (c Catalogue) recheckSentence(f alerts.Figures) string {
	due, _ := f["due_at"].(time.Time)
	rule, _ := f["recheck_rule"].(string)
	drug, _ := f["drug"].(string)
	change, _ := f["change"].(string)
	why := RecheckWhy(rule, drug, change)
	if f["state"] == alerts.Overdue {
		return fmt.Sprintf("Recheck overdue since %s (%s): %s.", c.Time(due), c.Ago(due), why)
	}
	return fmt.Sprintf("Recheck due %s (%s): %s.", c.Time(due), c.Due(due), why)
}

// Due says how long is left, or how long it is overdue.
func (c Catalogue) Due(due time.Time) string {
	if due.Before(c.At) {
		return Say("time.overdue", Span(c.At.Sub(due)))
	}
	return Say("time.in", Span(due.Sub(c.At)))
}

func (c Catalogue) watch(f alerts.Figures) string {
	var parts []string
	if kinds := words(f["contributors"]); len(kinds) > 0 {
		parts = append(parts, "a positive set in this stay, "+c.when(f)+", and possible contributors: "+List(kinds))
	}
	if t, ok := f["cleared_at"].(time.Time); ok {
		parts = append(parts, "cleared "+c.Time(t)+" ("+c.Ago(t)+")")
	}
	if t, ok := f["due_at"].(time.Time); ok {
		parts = append(parts, "recheck scheduled "+c.Time(t)+", "+RecheckRules[fmt.Sprint(f["recheck_rule"])])
	}
	s := strings.Join(parts, "; ") + "."
	return strings.ToUpper(s[:1]) + s[1:]
}

// Missing says why a recheck cannot be done, or what must be done before it.
func Missing(words []string) []string {
	out := make([]string, 0, len(words))
	for _, w := range words {
		switch w {
		case alerts.InjuryUncleared:
			out = append(out, "injury: stand only when cleared by the provider")
		case alerts.InjuryUnknown:
			out = append(out, "check for injury before standing")
		case alerts.CannotWalk:
			out = append(out, "charted not ambulatory: cannot stand for a set")
		default:
			out = append(out, w)
		}
	}
	return out
}

// Flag says why a dose review flag stands.
func (c Catalogue) Flag(f alerts.Flag) string {
	drugs := List(f.Drugs)
	switch f.Rule {
	case alerts.DAlpha:
		return "Alpha-1 blocker active: " + drugs + "."
	case alerts.DCentral:
		return "Central antihypertensive active: " + drugs + "."
	case alerts.DNitrate:
		return "Nitrate, hydralazine or minoxidil active: " + drugs + "."
	case alerts.DThree:
		return fmt.Sprintf("%d blood-pressure-lowering drugs active: %s.", len(f.Drugs), drugs)
	case alerts.DTwoDiuretics:
		return "Diuretics of two classes active: " + drugs + "."
	case alerts.DDry:
		return "Diuretic active (" + drugs + ") and signs of volume loss."
	case alerts.DRecent:
		at, _ := f.Figures["set_at"].(time.Time)
		return drugs + " started, raised or resumed in the " + policyNum(f.Figures["hours"]) + " h before the positive set of " + c.Time(at) + "."
	case alerts.DPeak:
		return fmt.Sprintf("%v positive sets %s to %s h after a dose of %s.", f.Figures["sets"], policyNum(f.Figures["from_hours"]), policyNum(f.Figures["to_hours"]), drugs)
	case alerts.DRoom:
		return fmt.Sprintf("Lying systolic only %s with %s active.", num(f.Figures["lying_systolic"]), drugs)
	case alerts.DBoth:
		s := fmt.Sprintf("Pressure high lying (%v) and falling on standing: the two aims conflict", f.Figures["lying_pressure"])
		if drugs == "" {
			return s + "; no blood-pressure-lowering drug active."
		}
		return s + "; active: " + drugs + "."
	case alerts.DPressor:
		return fmt.Sprintf("Pressure-raising drug active (%s) with %v.", drugs, f.Figures["lying_pressure"])
	case alerts.DFrid:
		return "Drugs that can contribute to falls active: " + drugs + "."
	}
	return f.Rule
}

// Evidence says what a contributor rests on.
func Evidence(c trends.Contributor) string {
	parts := make([]string, 0, len(c.Evidence))
	for _, e := range c.Evidence {
		parts = append(parts, evidence(e))
	}
	return strings.Join(parts, "; ")
}

func evidence(e trends.Evidence) string {
	switch e.What {
	case trends.EvNet24:
		return "net fluid " + signed(e.Figures["ml"]) + " mL in 24 h"
	case trends.EvNet48:
		return "net fluid " + signed(e.Figures["ml"]) + " mL in 48 h"
	case trends.EvWeight:
		return "weight " + signed(e.Figures["kg"]) + " kg in this stay"
	case trends.EvGutLosses:
		return Figure(e.Figures["ml"]) + " mL by emesis, stool and drains in 24 h"
	case trends.EvBloodLoss:
		return "blood loss charted: " + Figure(e.Figures["ml"]) + " mL"
	case trends.EvHaemoglobin:
		return "haemoglobin down by " + Figure(e.Figures["g_dl"]) + " g/dL"
	case trends.EvBrisk:
		return "brisk pulse on standing (" + ratio(e.Figures["ratio"]) + " beats/min per mmHg)"
	case trends.EvBlunted:
		return "blunted pulse on standing (" + ratio(e.Figures["ratio"]) + " beats/min per mmHg)"
	}
	return List(e.Names)
}

func ratio(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func signed(v float64) string {
	if v > 0 {
		return "+" + Figure(v)
	}
	return strings.Replace(Figure(v), "-", "−", 1)
}

// Signed writes a number with its sign.
func Signed(v float64) string { return signed(v) }

// Trend says in words how the drop moves over the stay, with its uncertainty.
func Trend(s trends.Serial) string {
	switch s.Trend {
	case trends.TooFew:
		return fmt.Sprintf("too few sets for a trend (%d of at least 4)", s.TrendSets)
	case trends.Steady:
		return "no clear trend in the drop" + slope(s)
	case trends.Worsening:
		return "drop growing" + slope(s)
	}
	return "drop shrinking" + slope(s)
}

func slope(s trends.Serial) string {
	if s.Slope == nil {
		return fmt.Sprintf(" (%d sets)", s.TrendSets)
	}
	out := fmt.Sprintf(": %s mmHg a day", signed(*s.Slope))
	if s.SlopeLow != nil && s.SlopeHigh != nil {
		out += fmt.Sprintf(" (%s to %s)", signed(*s.SlopeLow), signed(*s.SlopeHigh))
	} else {
		out += " (too few sets for an interval)"
	}
	return out + fmt.Sprintf("; %d sets", s.TrendSets)
}

// Around says how the drop moved around a drug change, with its uncertainty. It
// never says "caused".
func Around(a trends.Around) string {
	if a.TooFew || a.Shift.Shift == nil {
		return fmt.Sprintf("under two sets on a side (%d before, %d after): nothing can be said", a.SetsBefore, a.SetsAfter)
	}
	out := fmt.Sprintf("moved together: drop %s mmHg after it", signed(*a.Shift.Shift))
	if a.Low != nil && a.High != nil {
		out += fmt.Sprintf(" (%s to %s)", signed(*a.Low), signed(*a.High))
	} else {
		out += " (too few sets for an interval)"
	}
	if a.P != nil {
		out += ", " + P(*a.P)
	}
	return out + fmt.Sprintf("; %d sets before, %d after", a.SetsBefore, a.SetsAfter)
}

// Caution is the line that stands on every page and print.
const Caution = "Informs licensed staff; orders nothing. Local policy and clinical judgement come first."
