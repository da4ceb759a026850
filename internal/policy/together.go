package policy

import (
	"fmt"

	"plumbline/internal/clinical"
)

// A pair is a condition that two keys must meet together.
type pair struct {
	first, second string // paths
	must          string // first must ... second
	holds         func(p clinical.Policy) bool
}

var pairs = []pair{
	{"plausible.systolic_min", "plausible.systolic_max", "be below",
		func(p clinical.Policy) bool { return p.Plausible.SystolicMin < p.Plausible.SystolicMax }},
	{"plausible.diastolic_min", "plausible.diastolic_max", "be below",
		func(p clinical.Policy) bool { return p.Plausible.DiastolicMin < p.Plausible.DiastolicMax }},
	{"plausible.pulse_min", "plausible.pulse_max", "be below",
		func(p clinical.Policy) bool { return p.Plausible.PulseMin < p.Plausible.PulseMax }},
	{"sets.standing_from_minutes", "sets.standing_to_minutes", "be below",
		func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes < p.Sets.StandingToMinutes }},
	{"sets.clearing_stand_from_minutes", "sets.standing_to_minutes", "be below",
		func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes < p.Sets.StandingToMinutes }},
	{"recheck.treated_met_from_minutes", "recheck.treated_hours", "be shorter than",
		func(p clinical.Policy) bool { return p.Recheck.TreatedMetMinutes < 60*p.Recheck.TreatedHours }},
	{"recheck.drug_met_from_hours", "recheck.drug_hours", "be shorter than",
		func(p clinical.Policy) bool { return p.Recheck.DrugMetHours < p.Recheck.DrugHours }},
	{"recheck.positive_stable_hours", "recheck.positive_hours", "be at least",
		func(p clinical.Policy) bool { return p.Recheck.PositiveStableHours >= p.Recheck.PositiveHours }},
	{"recheck.scheduled_soon_hours", "recheck.due_within_hours", "be at least",
		func(p clinical.Policy) bool { return p.Recheck.ScheduledSoonInHours >= p.Recheck.DueWithinHours }},
	{"dose_review.peak_from_hours", "dose_review.peak_to_hours", "be below",
		func(p clinical.Policy) bool { return p.DoseReview.PeakFromHours < p.DoseReview.PeakToHours }},
	{"unit.day_shift", "unit.night_shift", "differ from",
		func(p clinical.Policy) bool { return p.Unit.DayShift != p.Unit.NightShift }},
}

// together checks what keys must meet with each other, given that each is good
// by itself. The problem stands at the one of the two that the file sets.
func (r *reader) together() {
	shown := func(path string) string {
		k, _ := byPath(path)
		return k.show(r.fields[path])
	}
	of := func(path string) string {
		if r.lines[path] == 0 {
			return path + " (" + shown(path) + ", the default)"
		}
		return path + " (" + shown(path) + ")"
	}
	for _, c := range pairs {
		if r.failed[c.first] || r.failed[c.second] || c.holds(r.policy) {
			continue
		}
		at := c.first
		if r.lines[at] == 0 {
			at = c.second
		}
		r.problems = append(r.problems, Problem{Line: r.lines[at], Key: at, Value: shown(at), Message: fmt.Sprintf(
			"does not fit: %s must %s %s", of(c.first), c.must, of(c.second))})
	}
}
