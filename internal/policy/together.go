package policy

import "plumbline/internal/clinical"

// A pair is a condition that two keys must meet together.
type pair struct {
	first, second string // paths
	fault         string // of the two that do not fit
	holds         func(p clinical.Policy) bool
}

var pairs = []pair{
	{"plausible.systolic_min", "plausible.systolic_max", faultBelow,
		func(p clinical.Policy) bool { return p.Plausible.SystolicMin < p.Plausible.SystolicMax }},
	{"plausible.diastolic_min", "plausible.diastolic_max", faultBelow,
		func(p clinical.Policy) bool { return p.Plausible.DiastolicMin < p.Plausible.DiastolicMax }},
	{"plausible.pulse_min", "plausible.pulse_max", faultBelow,
		func(p clinical.Policy) bool { return p.Plausible.PulseMin < p.Plausible.PulseMax }},
	{"sets.standing_from_minutes", "sets.standing_to_minutes", faultBelow,
		func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes < p.Sets.StandingToMinutes }},
	{"sets.clearing_stand_from_minutes", "sets.standing_to_minutes", faultBelow,
		func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes < p.Sets.StandingToMinutes }},
	{"recheck.treated_met_from_minutes", "recheck.treated_hours", faultShorter,
		func(p clinical.Policy) bool { return p.Recheck.TreatedMetMinutes < 60*p.Recheck.TreatedHours }},
	{"recheck.drug_met_from_hours", "recheck.drug_hours", faultShorter,
		func(p clinical.Policy) bool { return p.Recheck.DrugMetHours < p.Recheck.DrugHours }},
	{"recheck.positive_stable_hours", "recheck.positive_hours", faultAtLeast,
		func(p clinical.Policy) bool { return p.Recheck.PositiveStableHours >= p.Recheck.PositiveHours }},
	{"recheck.scheduled_soon_hours", "recheck.due_within_hours", faultAtLeast,
		func(p clinical.Policy) bool { return p.Recheck.ScheduledSoonInHours >= p.Recheck.DueWithinHours }},
	{"dose_review.peak_from_hours", "dose_review.peak_to_hours", faultBelow,
		func(p clinical.Policy) bool { return p.DoseReview.PeakFromHours < p.DoseReview.PeakToHours }},
	{"unit.day_shift", "unit.night_shift", faultDiffer,
		func(p clinical.Policy) bool { return p.Unit.DayShift != p.Unit.NightShift }},
}

// together checks what keys must meet with each other, given that each is good
// by itself. The problem stands at the one of the two that the file sets.
func (r *reader) together() {
	shown := func(path string) string {
		k, _ := byPath(path)
		return k.show(r.fields[path])
	}
	of := func(path string) Setting {
		return Setting{Path: path, Is: shown(path), Default: r.lines[path] == 0}
	}
	for _, c := range pairs {
		if r.failed[c.first] || r.failed[c.second] || c.holds(r.policy) {
			continue
		}
		at := c.first
		if r.lines[at] == 0 {
			at = c.second
		}
		fault := Fault{ID: c.fault, First: of(c.first), Second: of(c.second)}
		r.problems = append(r.problems, Problem{Line: r.lines[at], Key: at, Value: shown(at), Fault: fault})
	}
}
