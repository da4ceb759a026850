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
	Changes  []string // what differs from the default, in words
	Warnings []string // choices that are allowed and clinically odd
}

// Check reads a policy file as Load does and reports on it.
func Check(data []byte) Report {
	r := read(data)
	if len(r.problems) > 0 {
		return Report{Problems: r.problems}
	}
	return Report{Changes: Differences(clinical.DefaultPolicy(), r.policy), Warnings: warnings(r.policy)}
}

func (k key) difference(now, before reflect.Value) string {
	if k.kind != list {
		return k.show(now) + " instead of " + k.show(before)
	}
	var parts []string
	if more := without(now, before); len(more) > 0 {
		parts = append(parts, "with "+strings.Join(more, ", "))
	}
	if less := without(before, now); len(less) > 0 {
		parts = append(parts, "without "+strings.Join(less, ", "))
	}
	if len(parts) == 0 {
		return "in another order: " + k.show(now)
	}
	return strings.Join(parts, "; ")
}

// without lists what is in a and not in b, both []string.
func without(a, b reflect.Value) []string {
	other := b.Interface().([]string)
	return slices.DeleteFunc(slices.Clone(a.Interface().([]string)), func(s string) bool { return slices.Contains(other, s) })
}

const week = 168 // hours

// An oddity is a choice that is allowed and deserves a second look.
type oddity struct {
	path string
	odd  func(p clinical.Policy) bool
	says string // the reason, in one sentence
}

// oddities are in the order of the keys. A figure without a source beside it is
// common sense about the rules, no finding.
var oddities = slices.Concat(oddBounds, oddSets, oddSerial, oddDrugsAndFluids, oddRechecks, oddCare, oddUnit)

// Bounds inside of which the values of published cases lie.
var oddBounds = []oddity{
	{"plausible.systolic_min", func(p clinical.Policy) bool { return p.Plausible.SystolicMin > 70 },
		"a truly low pressure is taken for an error and left out"},
	{"plausible.systolic_max", func(p clinical.Policy) bool { return p.Plausible.SystolicMax < 250 },
		"a truly high pressure is taken for an error and left out"},
	{"plausible.diastolic_min", func(p clinical.Policy) bool { return p.Plausible.DiastolicMin > 40 },
		"a truly low pressure is taken for an error and left out"},
	{"plausible.diastolic_max", func(p clinical.Policy) bool { return p.Plausible.DiastolicMax < 130 },
		"a truly high pressure is taken for an error and left out"},
	{"plausible.pulse_min", func(p clinical.Policy) bool { return p.Plausible.PulseMin > 40 },
		"a truly slow pulse is taken for an error and left out"},
	{"plausible.pulse_max", func(p clinical.Policy) bool { return p.Plausible.PulseMax < 200 },
		"a truly fast pulse is taken for an error and left out"},
}

var oddSets = []oddity{
	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes > 30 },
		"readings so far apart are rarely one test"},
	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes < p.Sets.StandingToMinutes },
		"shorter than sets.standing_to_minutes, so late standing readings find no set"},
	{"sets.comparison", func(p clinical.Policy) bool { return p.Sets.Comparison == clinical.MoreThan },
		"a drop of exactly 20 mmHg (or 10 diastolic) no longer counts, against the consensus of 2011"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes < 0.5 },
		"a reading taken in the moment of standing up, before a drop can show, makes a set negative"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool {
		return p.Sets.StandingFromMinutes > 1 && p.Sets.StandingFromMinutes <= 3
	}, "the reading at 1 min, as published protocols have it, no longer makes a set conclusive"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes > 3 },
		"sets measured at 1 and 3 min, as published, all become inconclusive unless positive"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes < 3 },
		"the reading at 3 min, as published protocols have it, no longer makes a set conclusive"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes > 10 },
		"published protocols measure at 1 and 3 min, and a set with a late reading alone says nothing of them"},
	{"sets.pulse_rise_notable_percent", func(p clinical.Policy) bool { return p.Sets.PulseRiseNotablePercent < 10 },
		"common practice notes 10 to 20 %, and most people's pulse rises by a few beats on standing"},
	{"sets.clearing_stand_from_minutes", func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes < 1 },
		"under a minute upright may clear a patient"},
	{"sets.clearing_stand_from_minutes", func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes > 3 },
		"sets measured at 1 and 3 min, as published, can never clear a patient"},
}

var oddSerial = []oddity{
	{"serial.trend_level", func(p clinical.Policy) bool { return p.Serial.TrendLevel > 0.1 },
		"more than one steady patient in ten may be called worsening or improving by chance"},
	{"serial.trend_level", func(p clinical.Policy) bool { return p.Serial.TrendLevel <= 2.0/24 }, // two of the 4! orders
		"four sets can never show a trend, as their smallest p is 0.083"},
	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours == 0
	}, "a single negative set clears a patient, while repeats in one patient agree poorly (kappa 0.2, Weiss 2002)"},
	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours > 0
	}, "still needs two sets, as serial.clear_hours_apart is over 0"},
	{"serial.clear_hours_apart", func(p clinical.Policy) bool {
		return p.Serial.ClearHours < 4 && p.Serial.ClearNegatives > 1
	}, "sets close together may clear a patient, while the drop varies over the day (fewest in the evening, Weiss 2002)"},
	{"serial.clear_delayed", func(p clinical.Policy) bool { return p.Serial.ClearDelayed == clinical.StandardTime },
		"a drop that comes at 8 minutes may be cleared by standing for 3"},
	{"serial.clear_minutes_most", func(p clinical.Policy) bool { return p.Serial.ClearMinutesMost > 15 },
		"a patient whose drop came late is asked to stand for so long"},
}

var oddDrugsAndFluids = []oddity{
	{"drugs.renewal_hours", func(p clinical.Policy) bool { return p.Drugs.RenewalHours > 6 },
		"a drug left off for the time of a dose counts as never stopped"},
	{"drugs.home_drugs_hours", func(p clinical.Policy) bool { return p.Drugs.HomeDrugsHours == 0 },
		"drugs from home, ordered again after admission, all count as started and ask for a recheck"},
	{"drugs.home_drugs_hours", func(p clinical.Policy) bool { return p.Drugs.HomeDrugsHours > 24 },
		"a drug begun on the second day counts as one from home and asks for no recheck"},

	{"fluid.coverage_percent", func(p clinical.Policy) bool { return p.Fluid.CoveragePercent < 50 },
		"a balance with more than half of the window uncharted is used"},

	{"causes.net_24h_ml", func(p clinical.Policy) bool { return p.Causes.Net24hML > -500 },
		"charted fluid is often wrong by more than that (Perren 2011)"},
	{"causes.net_48h_ml", func(p clinical.Policy) bool { return p.Causes.Net48hML > -500 },
		"charted fluid is often wrong by more than that (Perren 2011)"},
	{"causes.net_48h_ml", func(p clinical.Policy) bool { return p.Causes.Net48hML > p.Causes.Net24hML },
		"less is asked of 48 h than of 24 h (causes.net_24h_ml)"},
	{"causes.weight_change_kg", func(p clinical.Policy) bool { return p.Causes.WeightChangeKG > -1 },
		"clothes, meals and another scale move a weight by as much"},
	{"causes.haemoglobin_fall_g_dl", func(p clinical.Policy) bool { return p.Causes.HaemoglobinFall < 1 },
		"two samples of one patient may differ by as much without any blood loss"},
}

var oddRechecks = slices.Concat(overWeek, underDue, []oddity{
	{"recheck.fall_hours", func(p clinical.Policy) bool { return p.Recheck.FallHours > 24 && p.Recheck.FallHours <= week },
		"over a day until the set after a fall"},
	{"recheck.stopped_hours", func(p clinical.Policy) bool { return p.Recheck.StoppedHours > 24 && p.Recheck.StoppedHours <= week },
		"over a day until the set after one stopped early by symptoms"},
	{"recheck.treated_met_from_minutes", func(p clinical.Policy) bool { return p.Recheck.TreatedMetMinutes == 0 },
		"a set taken together with the treatment, before it can help, meets its recheck"},
	{"recheck.positive_stable_sets", func(p clinical.Policy) bool { return p.Recheck.PositiveStableSets == 1 },
		"one positive set is already called stable, so recheck.positive_hours applies only to alarming or worsening patients"},
	{"recheck.drug_met_from_hours", func(p clinical.Policy) bool { return p.Recheck.DrugMetHours < 1 },
		"a set taken before the drug can act meets its recheck"},
	{"recheck.volume_net_48h_ml", func(p clinical.Policy) bool { return p.Recheck.VolumeNet48hML > -500 },
		"charted fluid is often wrong by more than that (Perren 2011), and a set is asked for at once"},
	{"recheck.at_risk_age", func(p clinical.Policy) bool { return p.Recheck.AtRiskAge > 65 },
		"NICE NG249 assesses inpatients from 65; older ones without another risk, or of unknown age, are not asked for a set"},
	{"recheck.answer_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerHours > 24 },
		"a recheck that was declined once may not be asked for again on the same day"},
	{"recheck.answer_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerHours < 1 },
		"what was declined is asked for again within the hour"},
	{"recheck.answer_elsewhere_hours", func(p clinical.Policy) bool { return p.Recheck.AnswerElsewhereHours > 24 },
		"a set that was taken elsewhere, and is not in the record, may stand for over a day"},
	{"recheck.answers_that_count", func(p clinical.Policy) bool { return p.Recheck.AnswersThatCount > 5 },
		"a recheck may be put off for days without a provider being asked"},
	{"recheck.answers_that_count_urgent", func(p clinical.Policy) bool { return p.Recheck.AnswersThatCountUrgent > 1 },
		"the set after a fall may be put off again and again without a provider being asked"},
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
			"over 7 days until the set is due"})
		if i.dueFromStart || i.path == "recheck.weekly_days" { // a day is its least, and the most to be due within
			continue
		}
		short = append(short, oddity{"recheck.due_within_hours", func(p clinical.Policy) bool {
			return i.hours(p.Recheck) < p.Recheck.DueWithinHours
		}, "longer than " + i.path + ", so such a recheck is shown as due from the start and never as scheduled"})
	}
	return long, short
}()

var oddCare = []oddity{
	{"precautions.in_feed", func(p clinical.Policy) bool { return !p.Precautions.InFeed },
		"of a stay for which none is charted here no missing precaution can be shown, and T-GAP and T-PRECAUTION do not hold"},
	{"precautions.bundle", func(p clinical.Policy) bool { return len(p.Precautions.Bundle) == 0 },
		"nothing is expected where precautions are needed"},
	{"precautions.added_after_fall_or_stopped_set", func(p clinical.Policy) bool {
		return slices.ContainsFunc(p.Precautions.Added, func(s string) bool { return slices.Contains(p.Precautions.Bundle, s) })
	}, "names a precaution that precautions.bundle already has"},

	{"dose_review.positive_hours", func(p clinical.Policy) bool { return p.DoseReview.PositiveHours < 24 },
		"a positive set of the day before asks for no review, so a weekend's or a night's may go unseen"},
	{"dose_review.peak_to_hours", func(p clinical.Policy) bool { return p.DoseReview.PeakToHours > 12 },
		"with a drug given twice a day every set lies in such a stretch, and D-PEAK says nothing"},
	{"dose_review.room_systolic", func(p clinical.Policy) bool { return p.DoseReview.RoomSystolic > 140 },
		"D-ROOM then flags patients whose lying pressure is already high (from 140 mmHg on, F-SUPINE)"},

	{"tiers.recent_hours", func(p clinical.Policy) bool { return p.Tiers.RecentHours < 8 },
		"a fall or an alarming set may leave the top of the list within one shift"},
	{"tiers.gap_hours", func(p clinical.Policy) bool { return p.Tiers.GapHours < 24 },
		"a precaution still missing a day after a positive set no longer puts a patient at the top of the list"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop < 10 },
		"a drop of a few mmHg, as from 92 to 88, may put a patient at the top of the list"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop > 20 },
		"a standing pressure under 90 mmHg with a drop that is itself positive may stay out of the top of the list"},
	{"tiers.cleared_hours", func(p clinical.Policy) bool { return p.Tiers.ClearedHours == 0 },
		"a patient leaves the watch as soon as cleared, while repeats in one patient agree poorly (Weiss 2002)"},
}

var oddUnit = []oddity{
	{"unit.day_shift", func(p clinical.Policy) bool { return p.Unit.DayShift > p.Unit.NightShift },
		"later in the day than unit.night_shift, as if the two were swapped"},
	{"unit.patient_days", func(p clinical.Policy) bool { return p.Unit.PatientDays == clinical.ByHours },
		"rates then do not compare with those of units that count occupied beds at midnight (AHRQ)"},
	{"unit.stale_after_hours", func(p clinical.Policy) bool { return p.Unit.StaleAfterHours > 12 },
		"a feed that fails at the beginning of a shift is not told of within it"},
	{"unit.stale_after_hours", func(p clinical.Policy) bool { return p.Unit.StaleAfterHours < 2 },
		"where vital signs are taken every few hours the list is called stale while its feeds are well"},
}

func warnings(p clinical.Policy) []string {
	at := fields(&p)
	var found []string
	for _, o := range oddities {
		if o.odd(p) {
			k, _ := byPath(o.path)
			found = append(found, o.path+" is "+k.show(at[o.path])+": "+o.says)
		}
	}
	return found
}
