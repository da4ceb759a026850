package policy

import (
	"reflect"
	"slices"
	"strings"

	"plumbline/internal/clinical"
)

// Report says what a policy file would do. With problems the file cannot be
// used, and nothing else is said.
type Report struct {
	Problems []Problem
	Changes  []Change // what differs from the default
	Warnings []Warning
}

// Check reads a policy file as Load does and reports on it.
func Check(data []byte) Report {
	r := read(data)
	if len(r.problems) > 0 {
		return Report{Problems: r.problems}
	}
	return Report{Changes: Differences(clinical.DefaultPolicy(), r.policy), Warnings: warnings(r.policy)}
}

// Change is one key that one policy has otherwise than another, its values as people read
// them, with their units.
type Change struct {
	Path    string
	Is, Was string
	// Of a list: what it has more and what it has less; neither where it is in another order.
	List          bool
	With, Without []string
}

// Warning is a choice that is allowed and clinically odd.
type Warning struct {
	Path string
	Is   string // its value as people read it
	Odd  string // names the reason, one of Oddities
}

// Oddities name every reason to warn of a choice, once.
func Oddities() []string {
	var out []string
	for _, o := range oddities {
		if !slices.Contains(out, o.says) {
			out = append(out, o.says)
		}
	}
	return out
}

// change is that of a key's value from another.
func (k key) change(is, was reflect.Value) Change {
	c := Change{Path: k.path, Is: k.show(is), Was: k.show(was), List: k.kind == list}
	if c.List {
		c.With, c.Without = without(is, was), without(was, is)
	}
	return c
}

// without lists what is in a and not in b, both []string.
func without(a, b reflect.Value) []string {
	other := b.Interface().([]string)
	return slices.DeleteFunc(slices.Clone(a.Interface().([]string)), func(s string) bool { return slices.Contains(other, s) })
}

const week = 168 // hours

// overWeekSays names the reason of those that warn of over a week.
const overWeekSays = "over-week"

// An oddity is a choice that is allowed and deserves a second look.
type oddity struct {
	path string
	odd  func(p clinical.Policy) bool
	says string // names the reason in the catalogue of words
}

// oddities are in the order of the keys. A figure without a source beside it is
// common sense about the rules, no finding.
var oddities = slices.Concat(oddBounds, oddSets, oddSerial, oddDrugsAndFluids, oddRechecks, oddCare, oddUnit)

// Bounds inside of which the values of published cases lie.
var oddBounds = []oddity{
	{"plausible.systolic_min", func(p clinical.Policy) bool { return p.Plausible.SystolicMin > 70 },
		"plausible.systolic_min.high"},
	{"plausible.systolic_max", func(p clinical.Policy) bool { return p.Plausible.SystolicMax < 250 },
		"plausible.systolic_max.low"},
	{"plausible.diastolic_min", func(p clinical.Policy) bool { return p.Plausible.DiastolicMin > 40 },
		"plausible.diastolic_min.high"},
	{"plausible.diastolic_max", func(p clinical.Policy) bool { return p.Plausible.DiastolicMax < 130 },
		"plausible.diastolic_max.low"},
	{"plausible.pulse_min", func(p clinical.Policy) bool { return p.Plausible.PulseMin > 40 },
		"plausible.pulse_min.high"},
	{"plausible.pulse_max", func(p clinical.Policy) bool { return p.Plausible.PulseMax < 200 },
		"plausible.pulse_max.low"},
}

var oddSets = []oddity{
	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes > 30 },
		"sets.window_minutes.high"},
	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes < p.Sets.StandingToMinutes },
		"sets.window_minutes.under-standing"},
	{"sets.comparison", func(p clinical.Policy) bool { return p.Sets.Comparison == clinical.MoreThan },
		"sets.comparison.other"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes < 0.5 },
		"sets.standing_from_minutes.low"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool {
		return p.Sets.StandingFromMinutes > 1 && p.Sets.StandingFromMinutes <= 3
	}, "sets.standing_from_minutes.late"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes > 3 },
		"sets.standing_from_minutes.high"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes < 3 },
		"sets.standing_to_minutes.low"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes > 10 },
		"sets.standing_to_minutes.high"},
	{"sets.pulse_rise_notable_percent", func(p clinical.Policy) bool { return p.Sets.PulseRiseNotablePercent < 10 },
		"sets.pulse_rise_notable_percent.low"},
	{"sets.clearing_stand_from_minutes", func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes < 1 },
		"sets.clearing_stand_from_minutes.low"},
	{"sets.clearing_stand_from_minutes", func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes > 3 },
		"sets.clearing_stand_from_minutes.high"},
}

var oddSerial = []oddity{
	{"serial.trend_level", func(p clinical.Policy) bool { return p.Serial.TrendLevel > 0.1 },
		"serial.trend_level.high"},
	{"serial.trend_level", func(p clinical.Policy) bool { return p.Serial.TrendLevel <= 2.0/24 }, // two of the 4! orders
		"serial.trend_level.low"},
	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours == 0
	}, "serial.clear_negatives.one"},
	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours > 0
	}, "serial.clear_negatives.one-of-two"},
	{"serial.clear_hours_apart", func(p clinical.Policy) bool {
		return p.Serial.ClearHours < 4 && p.Serial.ClearNegatives > 1
	}, "serial.clear_hours_apart.low"},
	{"serial.clear_delayed", func(p clinical.Policy) bool { return p.Serial.ClearDelayed == clinical.StandardTime },
		"serial.clear_delayed.other"},
	{"serial.clear_minutes_most", func(p clinical.Policy) bool { return p.Serial.ClearMinutesMost > 15 },
		"serial.clear_minutes_most.high"},
}

var oddDrugsAndFluids = []oddity{
	{"drugs.renewal_hours", func(p clinical.Policy) bool { return p.Drugs.RenewalHours > 6 },
		"drugs.renewal_hours.high"},
	{"drugs.home_drugs_hours", func(p clinical.Policy) bool { return p.Drugs.HomeDrugsHours == 0 },
		"drugs.home_drugs_hours.low"},
	{"drugs.home_drugs_hours", func(p clinical.Policy) bool { return p.Drugs.HomeDrugsHours > 24 },
		"drugs.home_drugs_hours.high"},

	{"fluid.coverage_percent", func(p clinical.Policy) bool { return p.Fluid.CoveragePercent < 50 },
		"fluid.coverage_percent.low"},

	{"causes.net_24h_ml", func(p clinical.Policy) bool { return p.Causes.Net24hML > -500 },
		"causes.net_24h_ml.high"},
	{"causes.net_48h_ml", func(p clinical.Policy) bool { return p.Causes.Net48hML > -500 },
		"causes.net_48h_ml.high"},
	{"causes.net_48h_ml", func(p clinical.Policy) bool { return p.Causes.Net48hML > p.Causes.Net24hML },
		"causes.net_48h_ml.under-24h"},
	{"causes.weight_change_kg", func(p clinical.Policy) bool { return p.Causes.WeightChangeKG > -1 },
		"causes.weight_change_kg.high"},
	{"causes.haemoglobin_fall_g_dl", func(p clinical.Policy) bool { return p.Causes.HaemoglobinFall < 1 },
		"causes.haemoglobin_fall_g_dl.low"},
}

var oddRechecks = slices.Concat(overWeek, underDue, []oddity{
	{"recheck.fall_hours", func(p clinical.Policy) bool { return p.Recheck.FallHours > 24 && p.Recheck.FallHours <= week },
		"recheck.fall_hours.over-day"},
	{"recheck.stopped_hours", func(p clinical.Policy) bool { return p.Recheck.StoppedHours > 24 && p.Recheck.StoppedHours <= week },
		"recheck.stopped_hours.over-day"},
	{"recheck.treated_met_from_minutes", func(p clinical.Policy) bool { return p.Recheck.TreatedMetMinutes == 0 },
		"recheck.treated_met_from_minutes.low"},
	{"recheck.positive_stable_sets", func(p clinical.Policy) bool { return p.Recheck.PositiveStableSets == 1 },
		"recheck.positive_stable_sets.low"},
	{"recheck.drug_met_from_hours", func(p clinical.Policy) bool { return p.Recheck.DrugMetHours < 1 },
		"recheck.drug_met_from_hours.low"},
	{"recheck.volume_net_48h_ml", func(p clinical.Policy) bool { return p.Recheck.VolumeNet48hML > -500 },
		"recheck.volume_net_48h_ml.high"},
	{"recheck.at_risk_age", func(p clinical.Policy) bool { return p.Recheck.AtRiskAge > 65 },
		"recheck.at_risk_age.high"},
	{"recheck.answer_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerHours > 24 },
		"recheck.answer_hours.high"},
	{"recheck.answer_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerHours < 1 },
		"recheck.answer_hours.low"},
	{"recheck.answer_elsewhere_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerElsewhereHours > 24 },
		"recheck.answer_elsewhere_hours.high"},
	{"recheck.answers_that_count", func(p clinical.Policy) bool { return p.Recheck.AnswersThatCount > 5 },
		"recheck.answers_that_count.high"},
	{"recheck.answers_that_count_urgent", func(p clinical.Policy) bool { return p.Recheck.AnswersThatCountUrgent > 1 },
		"recheck.answers_that_count_urgent.high"},
})

// intervals are the recheck intervals, in hours. Due from the start are, without
// being odd, those that by default are as short as recheck.due_within_hours.
var intervals = []struct {
	path         string
	dueFromStart bool
	hours        func(p clinical.RecheckPolicy) float64
}{
	{"recheck.fall_hours", true, func(p clinical.RecheckPolicy) float64 { return p.FallHours }},
	{"recheck.stopped_hours", true, func(p clinical.RecheckPolicy) float64 { return p.StoppedHours }},
	{"recheck.treated_hours", true, func(p clinical.RecheckPolicy) float64 { return p.TreatedHours }},
	{"recheck.positive_hours", false, func(p clinical.RecheckPolicy) float64 { return p.PositiveHours }},
	{"recheck.positive_stable_hours", false, func(p clinical.RecheckPolicy) float64 { return p.PositiveStableHours }},
	{"recheck.repeat_hours", false, func(p clinical.RecheckPolicy) float64 { return p.RepeatHours }},
	{"recheck.drug_hours", false, func(p clinical.RecheckPolicy) float64 { return p.DrugHours }},
	{"recheck.admit_hours", false, func(p clinical.RecheckPolicy) float64 { return p.AdmitHours }},
	{"recheck.weekly_days", false, func(p clinical.RecheckPolicy) float64 { return 24 * p.WeeklyDays }},
}

// overWeek warns of each recheck interval over 7 days, underDue of each
// that is shorter than the time in which a recheck is shown as due.
var overWeek, underDue = func() (long, short []oddity) {
	for _, i := range intervals {
		long = append(long, oddity{i.path, func(p clinical.Policy) bool { return i.hours(p.Recheck) > week },
			overWeekSays})
		if i.dueFromStart || i.path == "recheck.weekly_days" { // a day is its least, and the most to be due within
			continue
		}
		short = append(short, oddity{"recheck.due_within_hours", func(p clinical.Policy) bool {
			return i.hours(p.Recheck) < p.Recheck.DueWithinHours
		}, "recheck.due_within_hours.over." + strings.TrimPrefix(i.path, "recheck.")})
	}
	return long, short
}()

var oddCare = []oddity{
	{"precautions.in_feed", func(p clinical.Policy) bool { return !p.Precautions.InFeed },
		"precautions.in_feed.no"},
	{"precautions.bundle", func(p clinical.Policy) bool { return len(p.Precautions.Bundle) == 0 },
		"precautions.bundle.empty"},
	{"precautions.added_after_fall_or_stopped_set", func(p clinical.Policy) bool {
		return slices.ContainsFunc(p.Precautions.Added, func(s string) bool { return slices.Contains(p.Precautions.Bundle, s) })
	}, "precautions.added_after_fall_or_stopped_set.twice"},

	{"dose_review.positive_hours", func(p clinical.Policy) bool { return p.DoseReview.PositiveHours < 24 },
		"dose_review.positive_hours.low"},
	{"dose_review.peak_to_hours", func(p clinical.Policy) bool { return p.DoseReview.PeakToHours > 12 },
		"dose_review.peak_to_hours.high"},
	{"dose_review.room_systolic", func(p clinical.Policy) bool { return p.DoseReview.RoomSystolic > 140 },
		"dose_review.room_systolic.high"},

	{"tiers.recent_hours", func(p clinical.Policy) bool { return p.Tiers.RecentHours < 8 },
		"tiers.recent_hours.low"},
	{"tiers.gap_hours", func(p clinical.Policy) bool { return p.Tiers.GapHours < 24 },
		"tiers.gap_hours.low"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop < 10 },
		"tiers.low_standing_min_drop.low"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop > 20 },
		"tiers.low_standing_min_drop.high"},
	{"tiers.cleared_hours", func(p clinical.Policy) bool { return p.Tiers.ClearedHours == 0 },
		"tiers.cleared_hours.low"},
}

var oddUnit = []oddity{
	{"unit.day_shift", func(p clinical.Policy) bool { return p.Unit.DayShift > p.Unit.NightShift },
		"unit.day_shift.late"},
	{"unit.patient_days", func(p clinical.Policy) bool { return p.Unit.PatientDays == clinical.ByHours },
		"unit.patient_days.other"},
	{"unit.stale_after_hours", func(p clinical.Policy) bool { return p.Unit.StaleAfterHours > 12 },
		"unit.stale_after_hours.high"},
	{"unit.stale_after_hours", func(p clinical.Policy) bool { return p.Unit.StaleAfterHours < 2 },
		"unit.stale_after_hours.low"},
}

func warnings(p clinical.Policy) []Warning {
	at := fields(&p)
	var found []Warning
	for _, o := range oddities {
		if o.odd(p) {
			k, _ := byPath(o.path)
			found = append(found, Warning{o.path, k.show(at[o.path]), o.says})
		}
	}
	return found
}
