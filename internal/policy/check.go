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
	return Report{Changes: changes(r.policy), Warnings: warnings(r.policy)}
}

func changes(p clinical.Policy) []string {
	standard := clinical.DefaultPolicy()
	now, before := fields(&p), fields(&standard)
	var found []string
	for _, k := range keys {
		if k.text(now[k.path]) != k.text(before[k.path]) {
			found = append(found, k.says+": "+k.difference(now[k.path], before[k.path]))
		}
	}
	return found
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
	says string
}

var oddities = []oddity{
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

	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes > 30 },
		"readings so far apart are rarely one test"},
	{"sets.window_minutes", func(p clinical.Policy) bool { return p.Sets.WindowMinutes < p.Sets.StandingToMinutes },
		"shorter than sets.standing_to_minutes: late standing readings find no set"},
	{"sets.comparison", func(p clinical.Policy) bool { return p.Sets.Comparison == clinical.MoreThan },
		"a drop of exactly 20 mmHg (or 10 diastolic) no longer counts, against the consensus of 2011"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes > 10 },
		"published protocols measure at 1 and 3 min"},
	{"sets.standing_from_minutes", func(p clinical.Policy) bool { return p.Sets.StandingFromMinutes > 3 },
		"sets measured at 1 and 3 min, as published, all become inconclusive unless positive"},
	{"sets.standing_to_minutes", func(p clinical.Policy) bool { return p.Sets.StandingToMinutes < 3 },
		"the reading at 3 min, as published, no longer makes a set conclusive"},
	{"sets.clearing_stand_from_minutes", func(p clinical.Policy) bool { return p.Sets.ClearingStandFromMinutes < 1 },
		"under a minute upright may clear a patient"},

	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours == 0
	}, "a single negative set clears a patient"},
	{"serial.clear_negatives", func(p clinical.Policy) bool {
		return p.Serial.ClearNegatives == 1 && p.Serial.ClearHours > 0
	}, "still needs two sets, as serial.clear_hours_apart is over 0"},
	{"serial.clear_hours_apart", func(p clinical.Policy) bool {
		return p.Serial.ClearHours < 4 && p.Serial.ClearNegatives > 1
	}, "sets close together may clear a patient; the drop varies over the day"},
	{"serial.trend_level", func(p clinical.Policy) bool { return p.Serial.TrendLevel < 0.083 },
		"four sets can never show a trend"},

	{"fluid.coverage_percent", func(p clinical.Policy) bool { return p.Fluid.CoveragePercent < 50 },
		"a balance with more than half of the window uncharted is used"},
	{"causes.net_48h_ml", func(p clinical.Policy) bool { return p.Causes.Net48hML > p.Causes.Net24hML },
		"less is asked of 48 h than of 24 h (causes.net_24h_ml)"},

	{"recheck.fall_hours", func(p clinical.Policy) bool { return p.Recheck.FallHours > 24 && p.Recheck.FallHours <= week },
		"over a day until the set after a fall"},
	{"recheck.stopped_hours", func(p clinical.Policy) bool { return p.Recheck.StoppedHours > 24 && p.Recheck.StoppedHours <= week },
		"over a day until the set after one stopped early by symptoms"},
	{"recheck.fall_hours", func(p clinical.Policy) bool { return p.Recheck.FallHours > week }, overWeek},
	{"recheck.stopped_hours", func(p clinical.Policy) bool { return p.Recheck.StoppedHours > week }, overWeek},
	{"recheck.treated_hours", func(p clinical.Policy) bool { return p.Recheck.TreatedHours > week }, overWeek},
	{"recheck.positive_hours", func(p clinical.Policy) bool { return p.Recheck.PositiveHours > week }, overWeek},
	{"recheck.positive_stable_hours", func(p clinical.Policy) bool { return p.Recheck.PositiveStableHours > week }, overWeek},
	{"recheck.repeat_hours", func(p clinical.Policy) bool { return p.Recheck.RepeatHours > week }, overWeek},
	{"recheck.drug_hours", func(p clinical.Policy) bool { return p.Recheck.DrugHours > week }, overWeek},
	{"recheck.admit_hours", func(p clinical.Policy) bool { return p.Recheck.AdmitHours > week }, overWeek},
	{"recheck.weekly_days", func(p clinical.Policy) bool { return p.Recheck.WeeklyDays > 7 }, overWeek},
	{"recheck.at_risk_age", func(p clinical.Policy) bool { return p.Recheck.AtRiskAge > 65 },
		"older patients without another risk are not asked for a set; an unknown age counts as 65"},

	{"precautions.in_feed", func(p clinical.Policy) bool { return !p.Precautions.InFeed },
		"no missing precaution can be shown, and T-GAP and T-PRECAUTION never hold"},
	{"precautions.bundle", func(p clinical.Policy) bool { return len(p.Precautions.Bundle) == 0 },
		"nothing is expected where precautions are needed"},
	{"precautions.added_after_fall_or_stopped_set", func(p clinical.Policy) bool {
		return slices.ContainsFunc(p.Precautions.Added, func(s string) bool { return slices.Contains(p.Precautions.Bundle, s) })
	}, "names a precaution that precautions.bundle already has"},

	{"tiers.recent_hours", func(p clinical.Policy) bool { return p.Tiers.RecentHours < 8 },
		"a fall or an alarming set may leave the top of the list within one shift"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop < 10 },
		"a fall of a few mmHg, as from 92 to 88, may put a patient at the top of the list"},
	{"tiers.low_standing_min_drop", func(p clinical.Policy) bool { return p.Tiers.LowDrop > 20 },
		"a standing pressure under 90 mmHg with a drop that is itself positive may stay out of the top of the list"},
}

const overWeek = "over 7 days until the set is due"

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
