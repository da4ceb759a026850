package policy_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/policy"
	"plumbline/internal/text"
)

// What a file does is told by policy and said by the catalogue of words.

func init() { policy.SaidProblem, policy.SaidError = text.PolicyProblem, text.PolicyError }

func TestCheckChanges(t *testing.T) {
	tests := []struct{ file, want string }{
		{"recheck: {positive_hours: 8}", "recheck after a positive set: 8 h instead of 12 h (recheck.positive_hours)"},
		{"recheck: {at_risk_age: 60}", "age from which a patient is at risk: 60 years instead of 65 years (recheck.at_risk_age)"},
		{"sets: {comparison: more_than}", "drop thresholds are read as: more_than instead of at_least (sets.comparison)"},
		{"serial: {trend_level: 0.09}", "p under which a trend is named: 0.09 instead of 0.1 (serial.trend_level)"},
		{"precautions: {in_feed: no}", "precautions are in the feeds: no instead of yes (precautions.in_feed)"},
		{"precautions: {added_after_fall_or_stopped_set: [sitter]}", "precautions added after a fall or a stopped set: with sitter; without bed alarm (precautions.added_after_fall_or_stopped_set)"},
		{"precautions: {added_after_fall_or_stopped_set: []}", "precautions added after a fall or a stopped set: without bed alarm (precautions.added_after_fall_or_stopped_set)"},
		{"drugs: {of_no_concern: [zinc, biotin]}", "drugs of no concern: with zinc, biotin (drugs.of_no_concern)"},
		{"precautions: {bundle: [call light in reach, assisted rising, non-slip footwear, bed low and locked, toileting schedule]}",
			"precautions expected: in another order: call light in reach, assisted rising, non-slip footwear, bed low and locked, toileting schedule (precautions.bundle)"},
		{"unit: {huddle: 06:45}", "huddle begins: 06:45 instead of 07:00 (unit.huddle)"},
	}
	for _, test := range tests {
		if r := policy.Check([]byte(test.file)); r.Problems != nil || !slices.Equal(text.PolicyChanges(r.Changes), []string{test.want}) {
			t.Errorf("Check(%q) = %+v, %v", test.file, r.Changes, r.Problems)
		}
	}
}

func TestCheckWarnings(t *testing.T) {
	tests := []struct{ file, want string }{
		{"plausible: {systolic_min: 71}", "plausible.systolic_min is 71 mmHg: a truly low pressure"},
		{"plausible: {systolic_max: 249}", "plausible.systolic_max is 249 mmHg: a truly high pressure"},
		{"plausible: {diastolic_min: 41}", "plausible.diastolic_min is 41 mmHg: a truly low pressure"},
		{"plausible: {diastolic_max: 129}", "plausible.diastolic_max is 129 mmHg: a truly high pressure"},
		{"plausible: {pulse_min: 41}", "plausible.pulse_min is 41 beats/min: a truly slow pulse"},
		{"plausible: {pulse_max: 199}", "plausible.pulse_max is 199 beats/min: a truly fast pulse"},
		{"sets: {window_minutes: 31}", "sets.window_minutes is 31 min: readings so far apart"},
		{"sets: {window_minutes: 5}", "sets.window_minutes is 5 min: shorter than"},
		{"sets: {comparison: more_than}", "sets.comparison is more_than: a drop of exactly 20 mmHg (or 10 diastolic) no longer counts"},
		{"sets: {standing_from_minutes: 3.5}", "sets.standing_from_minutes is 3.5 min: sets measured"},
		{"sets: {standing_from_minutes: 1.5}", "sets.standing_from_minutes is 1.5 min: the reading at 1 min"},
		{"sets: {standing_from_minutes: 0.4}", "sets.standing_from_minutes is 0.4 min: a reading taken in the moment"},
		{"sets: {pulse_rise_notable_percent: 9}", "sets.pulse_rise_notable_percent is 9 %: common practice"},
		{"sets: {clearing_stand_from_minutes: 3.5}", "sets.clearing_stand_from_minutes is 3.5 min: sets measured at 1 and 3 min"},
		{"sets: {standing_to_minutes: 2.5}", "sets.standing_to_minutes is 2.5 min: the reading at 3 min"},
		{"sets: {standing_to_minutes: 11}", "sets.standing_to_minutes is 11 min: published protocols"},
		{"sets: {clearing_stand_from_minutes: 0.5}", "sets.clearing_stand_from_minutes is 0.5 min: under a minute"},
		{"serial: {clear_negatives: 1}", "serial.clear_negatives is 1: still needs two sets"},
		{"serial: {clear_negatives: 1, clear_hours_apart: 0}", "serial.clear_negatives is 1: a single negative set clears"},
		{"serial: {clear_hours_apart: 0}", "serial.clear_hours_apart is 0 h: sets close together"},
		{"serial: {trend_level: 0.05}", "serial.trend_level is 0.05: four sets"},
		{"serial: {trend_level: 0.083}", "serial.trend_level is 0.083: four sets"},
		{"serial: {trend_level: 0.11}", "serial.trend_level is 0.11: more than one steady patient in ten"},
		{"drugs: {renewal_hours: 7}", "drugs.renewal_hours is 7 h: a drug left off"},
		{"drugs: {home_drugs_hours: 0}", "drugs.home_drugs_hours is 0 h: drugs from home"},
		{"drugs: {home_drugs_hours: 25}", "drugs.home_drugs_hours is 25 h: a drug begun on the second day"},
		{"fluid: {coverage_percent: 49}", "fluid.coverage_percent is 49 %: a balance"},
		{"causes: {net_48h_ml: -900}", "causes.net_48h_ml is -900 mL: less is asked"},
		{"causes: {net_24h_ml: -499}", "causes.net_24h_ml is -499 mL: charted fluid"},
		{"causes: {net_24h_ml: -400, net_48h_ml: -499}", "causes.net_24h_ml is -400 mL: charted fluid;causes.net_48h_ml is -499 mL: charted fluid"},
		{"causes: {weight_change_kg: -0.9}", "causes.weight_change_kg is -0.9 kg: clothes"},
		{"causes: {haemoglobin_fall_g_dl: 0.9}", "causes.haemoglobin_fall_g_dl is 0.9 g/dL: two samples"},
		{"recheck: {fall_hours: 25}", "recheck.fall_hours is 25 h: over a day"},
		{"recheck: {stopped_hours: 25}", "recheck.stopped_hours is 25 h: over a day"},
		{"recheck: {fall_hours: 169}", "recheck.fall_hours is 169 h: over 7 days"},
		{"recheck: {stopped_hours: 169}", "recheck.stopped_hours is 169 h: over 7 days"},
		{"recheck: {treated_hours: 169}", "recheck.treated_hours is 169 h: over 7 days"},
		{"recheck: {positive_stable_hours: 169}", "recheck.positive_stable_hours is 169 h: over 7 days"},
		{"recheck: {repeat_hours: 169}", "recheck.repeat_hours is 169 h: over 7 days"},
		{"recheck: {drug_hours: 169}", "recheck.drug_hours is 169 h: over 7 days"},
		{"recheck: {admit_hours: 169}", "recheck.admit_hours is 169 h: over 7 days"},
		{"recheck: {weekly_days: 8}", "recheck.weekly_days is 8 d: over 7 days"},
		{"recheck: {positive_hours: 169, positive_stable_hours: 169}",
			"recheck.positive_hours is 169 h: over 7 days;recheck.positive_stable_hours is 169 h: over 7 days"},
		{"recheck: {positive_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.positive_hours"},
		{"recheck: {positive_hours: 3, positive_stable_hours: 3.5}",
			"recheck.due_within_hours is 4 h: longer than recheck.positive_hours;recheck.due_within_hours is 4 h: longer than recheck.positive_stable_hours"},
		{"recheck: {repeat_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.repeat_hours"},
		{"recheck: {drug_hours: 3.5, drug_met_from_hours: 1}", "recheck.due_within_hours is 4 h: longer than recheck.drug_hours"},
		{"recheck: {due_within_hours: 15}", "recheck.due_within_hours is 15 h: longer than recheck.positive_hours;recheck.due_within_hours is 15 h: longer than recheck.repeat_hours"},
		{"recheck: {admit_hours: 3.5}", "recheck.due_within_hours is 4 h: longer than recheck.admit_hours"},
		{"recheck: {weekly_days: 1}", ""},
		{"recheck: {treated_met_from_minutes: 0}", "recheck.treated_met_from_minutes is 0 min: a set taken together"},
		{"recheck: {positive_stable_sets: 1}", "recheck.positive_stable_sets is 1: one positive set"},
		{"recheck: {drug_met_from_hours: 0.5}", "recheck.drug_met_from_hours is 0.5 h: a set taken before"},
		{"recheck: {volume_net_48h_ml: -400}", "recheck.volume_net_48h_ml is -400 mL: charted fluid"},
		{"recheck: {at_risk_age: 66}", "recheck.at_risk_age is 66 years: NICE NG249 assesses inpatients from 65"},
		{"precautions: {in_feed: no}", "precautions.in_feed is no: of a stay for which none is charted here no missing precaution"},
		{"serial: {clear_delayed: standard}", "serial.clear_delayed is standard: a drop that comes at 8 minutes"},
		{"serial: {clear_minutes_most: 16}", "serial.clear_minutes_most is 16 min: a patient whose drop came late"},
		{"recheck: {answer_hours: 25}", "recheck.answer_hours is 25 h: a recheck that was declined once"},
		{"recheck: {answer_hours: 0.5}", "recheck.answer_hours is 0.5 h: what was declined"},
		{"recheck: {answer_elsewhere_hours: 25}", "recheck.answer_elsewhere_hours is 25 h: a set that was taken elsewhere"},
		{"recheck: {answers_that_count: 6}", "recheck.answers_that_count is 6: a recheck may be put off"},
		{"recheck: {answers_that_count_urgent: 2}", "recheck.answers_that_count_urgent is 2: the set after a fall"},
		{"unit: {stale_after_hours: 13}", "unit.stale_after_hours is 13 h: a feed that fails"},
		{"unit: {stale_after_hours: 1.5}", "unit.stale_after_hours is 1.5 h: where vital signs"},
		{"precautions: {bundle: []}", "precautions.bundle is none: nothing is expected"},
		{"precautions: {added_after_fall_or_stopped_set: [bed alarm, assisted rising]}", "precautions.added_after_fall_or_stopped_set is bed alarm, assisted rising: names"},
		{"dose_review: {positive_hours: 23}", "dose_review.positive_hours is 23 h: a positive set of the day before"},
		{"dose_review: {peak_to_hours: 13}", "dose_review.peak_to_hours is 13 h: with a drug given twice a day"},
		{"dose_review: {room_systolic: 141}", "dose_review.room_systolic is 141 mmHg: D-ROOM then flags"},
		{"tiers: {gap_hours: 23}", "tiers.gap_hours is 23 h: a precaution still missing"},
		{"tiers: {cleared_hours: 0}", "tiers.cleared_hours is 0 h: a patient leaves"},
		{"unit: {day_shift: 19:00, night_shift: 07:00}", "unit.day_shift is 19:00: later in the day"},
		{"unit: {patient_days: hours}", "unit.patient_days is hours: rates then"},
		{"tiers: {recent_hours: 7}", "tiers.recent_hours is 7 h: a fall"},
		{"tiers: {low_standing_min_drop: 9}", "tiers.low_standing_min_drop is 9 mmHg: a drop of a few"},
		{"tiers: {low_standing_min_drop: 21}", "tiers.low_standing_min_drop is 21 mmHg: a standing pressure"},

		// The last values without a warning.
		{"plausible: {systolic_min: 70, systolic_max: 250, diastolic_min: 40, diastolic_max: 130, pulse_min: 40, pulse_max: 200}", ""},
		{"sets: {window_minutes: 30, standing_from_minutes: 1, standing_to_minutes: 10, clearing_stand_from_minutes: 1, pulse_rise_notable_percent: 10}", ""},
		{"sets: {standing_from_minutes: 0.5, standing_to_minutes: 3.1, clearing_stand_from_minutes: 3}", ""},
		{"serial: {clear_hours_apart: 4, trend_level: 0.084}", ""},
		{"drugs: {renewal_hours: 6, home_drugs_hours: 24}", ""},
		{"fluid: {coverage_percent: 50}", ""},
		{"causes: {net_24h_ml: -500, net_48h_ml: -500, weight_change_kg: -1, haemoglobin_fall_g_dl: 1}", ""},
		{"recheck: {fall_hours: 24, stopped_hours: 24, positive_hours: 168, positive_stable_hours: 168, drug_hours: 168, weekly_days: 7, due_within_hours: 12}", ""},
		{"recheck: {fall_hours: 1, stopped_hours: 1, treated_hours: 1, positive_stable_sets: 2, drug_met_from_hours: 1, volume_net_48h_ml: -500}", ""},
		{"dose_review: {positive_hours: 24, peak_to_hours: 12, room_systolic: 140}", ""},
		{"recheck: {answer_hours: 24, answer_elsewhere_hours: 24, answers_that_count: 5}", ""},
		{"recheck: {answer_hours: 1, answers_that_count: 0, answers_that_count_urgent: 0}", ""},
		{"serial: {clear_minutes_most: 15}", ""},
		{"unit: {stale_after_hours: 12}", ""}, {"unit: {stale_after_hours: 2}", ""},
		{"tiers: {low_standing_min_drop: 20, recent_hours: 8, gap_hours: 24, cleared_hours: 1}", ""},
	}
	seen := map[string]bool{}
	for _, test := range tests {
		r := policy.Check([]byte(test.file))
		var want []string
		if test.want != "" {
			want = strings.Split(test.want, ";")
		}
		good := slices.EqualFunc(text.PolicyWarnings(r.Warnings), want, strings.HasPrefix)
		if r.Problems != nil || !good {
			t.Errorf("Check(%q) = %+v, %v", test.file, r.Warnings, r.Problems)
		}
		for _, w := range r.Warnings {
			seen[w.Odd] = true
		}
	}
	for _, odd := range policy.Oddities() {
		if !seen[odd] {
			t.Errorf("no file warns of %s", odd)
		}
	}
}

// The example is what the program prints.
func TestDocsExampleIsTrue(t *testing.T) {
	page, err := os.ReadFile("../../docs/policy.md")
	if err != nil {
		t.Fatal(err)
	}
	_, file, _ := strings.Cut(string(page), "```yaml\n# policy.yaml\n")
	file, rest, _ := strings.Cut(file, "```")
	_, printed, ok := strings.Cut(rest, "$ dashboard policy check policy.yaml\n")
	printed, _, _ = strings.Cut(printed, "```")
	r := policy.Check([]byte(file))
	want := strings.Join(text.PolicyReport(r), "\n") + "\n"
	if !ok || len(r.Problems) > 0 || printed != want {
		t.Errorf("docs print\n%s\nwant\n%s%v", printed, want, r.Problems)
	}
}
