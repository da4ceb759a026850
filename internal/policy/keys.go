package policy

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/clinical"
)

// A kind is what a key's value may be.
type kind int

const (
	number kind = iota // float64 within min and max
	whole              // int within min and max
	choice             // string, one of choices
	list               // []string: of choices, or any names where there are none
	yesNo              // bool
	clock              // string HH:MM
)

// Bounds of a list of free names.
const (
	maxNames      = 200
	maxNameLength = 100 // characters
)

// A key is one leaf of clinical.Policy. Its range stands here and nowhere else
// in Go; a test holds the comments of default.yaml to it.
type key struct {
	path     string // yaml names from the top, joined by dots
	kind     kind
	min, max float64  // ends included
	unit     string   // of a number; "" for counts and levels
	choices  []string // of a choice or a list
	says     string   // what it sets, as a change begins: "recheck after a fall"
	reach    []string // the parts of the answers that it can change, and no others
}

func num(path string, min, max float64, unit, says string, reach []string) key {
	return key{path: path, kind: number, min: min, max: max, unit: unit, says: says, reach: reach}
}

func count(path string, min, max float64, unit, says string, reach []string) key {
	return key{path: path, kind: whole, min: min, max: max, unit: unit, says: says, reach: reach}
}

func word(path, says string, reach []string, choices ...string) key {
	return key{path: path, kind: choice, choices: choices, says: says, reach: reach}
}

func words(path, says string, reach []string, choices []string) key {
	return key{path: path, kind: list, choices: choices, says: says, reach: reach}
}

// A Key is one key of the policy, told to those who hold it to its words.
type Key struct {
	Path string // recheck.fall_hours
	Says string // what it sets: "recheck after a fall"
	// Reach lists the parts of the answers that the key can change. A part is a
	// path in the JSON document of one patient (serial.trend), and everything in
	// it. Besides the document's own, sets is every set of the stay, facts the
	// list of facts, list stands for tier, reasons and rank, fluid_usable for
	// whether a rule may use the net fluid, recheck.open for every unmet demand,
	// and shifts and dose_steps for what the charts draw.
	Reach []string
}

// Keys lists every key, in the order of default.yaml.
func Keys() []Key {
	out := make([]Key, len(keys))
	for i, k := range keys {
		out[i] = Key{Path: k.path, Says: k.says, Reach: slices.Clone(k.reach)}
	}
	return out
}

// What keys of one kind can change. The effect tests hold each key to its
// reach: nothing else changes, and every part of it does.
var (
	// A reading's pressures decide which reading is a set's baseline, so when it
	// starts, and so which doses lie before it.
	ofPressures = []string{
		"facts", "sets", "serial", "exposures.last_doses", "exposures.contributors", "recheck", "precautions",
		"dose_review", "list",
	}
	ofPulses = []string{
		"facts", "sets.baseline.heart_rate", "sets.upright.heart_rate", "sets.upright.pulse_rise", "sets.pulse_rise", "sets.pulse_rise_percent",
		"sets.criteria", "sets.pulse_response", "sets.pulse_response_ratio", "sets.quality", "sets.quality_notes",
		"exposures.contributors", "dose_review", "reasons",
	}
	ofAssembly = []string{
		"sets", "serial", "exposures.last_doses", "exposures.contributors", "recheck", "precautions",
		"dose_review", "list",
	}
	ofComparison = []string{
		"sets.finding", "sets.criteria", "sets.timing", "sets.sustained", "sets.pulse_response", "sets.pulse_response_ratio", "sets.quality",
		"serial", "exposures.contributors", "recheck", "precautions", "dose_review", "list",
	}
	ofConclusion = []string{
		"sets.finding", "sets.quality", "serial", "exposures.contributors", "recheck", "precautions",
		"dose_review", "list",
	}
	ofClearing  = []string{"serial.cleared", "recheck", "precautions", "dose_review.needed", "list"}
	ofLateDrops = append([]string{"serial.clear_minutes"}, ofClearing...)
	ofRenewal   = []string{
		"exposures.changes", "exposures.bp_lowering_load", "exposures.load_by_group", "exposures.load_left_out",
		"exposures.contributors", "dose_steps",
		"serial.around_changes", "serial.cleared", "recheck", "precautions", "dose_review", "list",
	}
	ofListing = []string{"exposures.changes", "serial.around_changes", "serial.cleared", "recheck", "precautions", "dose_review", "list"}
	ofBalance = []string{"fluid_usable", "shifts.usable", "exposures.contributors", "recheck", "dose_review", "list"}
	ofCauses  = []string{"exposures.contributors", "dose_review", "list"}
	// Of a patient whose latest set is positive, who is in this shift's tier anyway.
	ofPositiveRechecks = []string{"recheck", "reasons", "rank"}
	ofRechecks         = []string{"recheck", "list"}
	ofBundle           = []string{"precautions.missing", "list"}
	ofFlags            = []string{"dose_review", "list"}
	ofTiers            = []string{"list"}
	ofShifts           = []string{"shifts"}
)

// keys lists every key, in the order of default.yaml.
var keys = []key{
	num("plausible.systolic_min", 0, 100, "mmHg", "lowest systolic pressure believed", ofPressures),
	num("plausible.systolic_max", 100, 400, "mmHg", "highest systolic pressure believed", ofPressures),
	num("plausible.diastolic_min", 0, 80, "mmHg", "lowest diastolic pressure believed", ofPressures),
	num("plausible.diastolic_max", 80, 300, "mmHg", "highest diastolic pressure believed", ofPressures),
	num("plausible.pulse_min", 0, 80, "beats/min", "lowest pulse believed", ofPulses),
	num("plausible.pulse_max", 80, 400, "beats/min", "highest pulse believed", ofPulses),

	num("sets.window_minutes", 3, 60, "min", "longest time from a lying reading to an upright one of its set", ofAssembly),
	word("sets.comparison", "drop thresholds are read as", ofComparison, clinical.AtLeast, clinical.MoreThan),
	num("sets.standing_from_minutes", 0, 5, "min", "earliest standing reading that can make a set negative", ofConclusion),
	num("sets.standing_to_minutes", 1, 30, "min", "latest standing reading that can make a set negative", ofConclusion),
	num("sets.pulse_rise_notable_percent", 5, 100, "%", "smallest pulse rise named as notable", []string{"sets.criteria"}),
	num("sets.clearing_stand_from_minutes", 0, 10, "min", "earliest standing reading that can clear a stay", ofLateDrops),

	num("serial.trend_level", 0.01, 0.2, "", "p under which a trend is named", []string{"serial.trend", "recheck", "reasons", "rank"}),
	count("serial.clear_negatives", 1, 10, "", "negative sets in a row that clear a stay", ofClearing),
	num("serial.clear_hours_apart", 0, 72, "h", "least time between the first and the last set of a clearing", ofClearing),
	num("serial.around_change_days", 1, 30, "d", "time before and after a drug change in which sets are compared",
		[]string{"serial.around_changes"}),
	word("serial.clear_delayed", "a patient whose drop came late is cleared by standing", ofLateDrops, clinical.AsLong, clinical.StandardTime),
	num("serial.clear_minutes_most", 3, 30, "min", "longest time upright asked for to clear a drop that came late", ofLateDrops),

	num("drugs.renewal_hours", 0, 24, "h", "gap or overlap of two orders taken as a renewal where shorter than", ofRenewal),
	num("drugs.resumed_hours", 0, 168, "h", "longest pause after which a drug begun again is resumed, not started", ofListing),
	num("drugs.home_drugs_hours", 0, 72, "h", "time from admission in which a drug begun is taken to be from home", ofListing),
	num("drugs.dose_effect_hours", 0.5, 24, "h", "time after a given dose in which a set counts as one after it",
		[]string{"serial.around_doses", "dose_review.flags"}),
	words("drugs.of_no_concern", "drugs of no concern", []string{"exposures.unrecognised_drugs", "dose_review", "list"}, nil),

	num("fluid.coverage_percent", 10, 100, "%", "least charted share of a window with which a fluid balance is used", ofBalance),

	num("causes.net_24h_ml", -5000, -100, "mL", "net fluid over 24 h that is evidence of low volume, that or less", ofCauses),
	num("causes.net_48h_ml", -8000, -100, "mL", "net fluid over 48 h that is evidence of low volume, that or less", ofCauses),
	num("causes.weight_change_kg", -10, -0.5, "kg", "weight change that is evidence of low volume, that or less", ofCauses),
	num("causes.gut_losses_24h_ml", 100, 5000, "mL",
		"emesis, stool and drain over 24 h that are evidence of low volume, that or more", ofCauses),
	num("causes.haemoglobin_fall_g_dl", 0.5, 6, "g/dL", "fall of haemoglobin that is evidence of low volume, that or more", ofCauses),
	num("causes.bleed_window_hours", 6, 168, "h", "time looked back for blood loss and haemoglobin", ofCauses),

	num("recheck.fall_hours", 0.5, 336, "h", "recheck after a fall", ofRechecks),
	num("recheck.stopped_hours", 0.5, 336, "h", "recheck after a set stopped early by symptoms", ofPositiveRechecks),
	num("recheck.treated_hours", 0.5, 336, "h", "recheck after a treatment", ofRechecks),
	num("recheck.treated_met_from_minutes", 0, 240, "min", "earliest set after a treatment that meets its recheck", ofRechecks),
	num("recheck.positive_hours", 0.5, 336, "h", "recheck after a positive set", ofRechecks),
	num("recheck.positive_stable_hours", 0.5, 336, "h", "recheck after a positive set once stable", ofPositiveRechecks),
	count("recheck.positive_stable_sets", 1, 10, "", "positive sets in a row that make a stay stable", ofPositiveRechecks),
	num("recheck.repeat_hours", 0.5, 336, "h", "repeat of an inconclusive set or one with symptoms only", ofRechecks),
	num("recheck.repeat_quiet_hours", 0, 168, "h", "time before an inconclusive set in which a conclusive one spares its repeat", ofRechecks),
	num("recheck.drug_hours", 0.5, 336, "h", "recheck after a drug is started, raised or resumed", ofRechecks),
	num("recheck.drug_met_from_hours", 0, 72, "h", "earliest set after a drug change that meets its recheck", ofRechecks),
	num("recheck.volume_net_48h_ml", -8000, -100, "mL", "net fluid over 48 h that asks for a recheck, that or less", ofRechecks),
	num("recheck.volume_quiet_hours", 0.5, 168, "h", "time in which a set spares the recheck for net fluid", ofRechecks),
	num("recheck.admit_hours", 0.5, 336, "h", "first set after the admission of a patient at risk", ofRechecks),
	num("recheck.weekly_days", 1, 30, "d", "regular set of a patient at risk, every", ofRechecks),
	num("recheck.due_within_hours", 0.5, 24, "h", "time ahead in which a recheck is shown as due", []string{"recheck.state", "list"}),
	count("recheck.at_risk_age", 18, 120, "years", "age from which a patient is at risk", ofRechecks),
	num("recheck.scheduled_soon_hours", 0.5, 168, "h", "time ahead in which a scheduled recheck puts a patient in the tier today", ofTiers),
	num("recheck.answer_hours", 0.5, 72, "h", "time for which an answer (declined, not possible) puts a recheck off", ofRechecks),
	num("recheck.answer_elsewhere_hours", 0.5, 72, "h", "time for which the answer done elsewhere puts a recheck off", ofRechecks),
	count("recheck.answers_that_count", 0, 10, "", "answers that may put off one recheck", ofRechecks),
	count("recheck.answers_that_count_urgent", 0, 10, "",
		"answers that may put off the recheck after a fall or a set stopped by symptoms", ofRechecks),

	{
		path: "precautions.in_feed", kind: yesNo, says: "precautions are in the feeds",
		reach: []string{"precautions.in_place", "precautions.missing", "list"},
	},
	words("precautions.bundle", "precautions expected", ofBundle, clinical.Precautions),
	words("precautions.added_after_fall_or_stopped_set", "precautions added after a fall or a stopped set", ofBundle, clinical.Precautions),

	num("dose_review.positive_hours", 1, 336, "h", "time after a positive set in which a dose review is asked for",
		[]string{"dose_review.needed", "list"}),
	num("dose_review.recent_change_hours", 1, 336, "h", "time before a positive set in which a drug change is flagged", ofFlags),
	num("dose_review.peak_from_hours", 0, 12, "h", "shortest time from a dose to a positive set that is flagged", ofFlags),
	num("dose_review.peak_to_hours", 0.5, 24, "h", "longest time from a dose to a positive set that is flagged", ofFlags),
	num("dose_review.room_systolic", 90, 160, "mmHg", "lying systolic pressure under which drugs are flagged", ofFlags),
	count("dose_review.many_ingredients", 2, 10, "", "blood-pressure-lowering ingredients flagged as many, from", ofFlags),

	num("tiers.recent_hours", 1, 168, "h", "time for which falls and alarming sets count as recent", ofTiers),
	num("tiers.gap_hours", 1, 336, "h", "time after a set in which a missing precaution is urgent", ofTiers),
	num("tiers.low_standing_min_drop", 0, 40, "mmHg", "least drop with which a standing systolic pressure under 90 mmHg is urgent", ofTiers),
	num("tiers.cleared_hours", 0, 336, "h", "time for which a cleared patient is watched", ofTiers),

	{path: "unit.day_shift", kind: clock, says: "day shift begins", reach: ofShifts},
	{path: "unit.night_shift", kind: clock, says: "night shift begins", reach: ofShifts},
	{path: "unit.huddle", kind: clock, says: "huddle begins"},
	word("unit.patient_days", "patient-days counted by", nil, clinical.ByMidnightCensus, clinical.ByHours),
	num("unit.stale_after_hours", 0.5, 72, "h", "age of the newest reading from a feed over which the list is stale", nil),
}

// byPath finds a key by its path.
func byPath(path string) (key, bool) {
	i := slices.IndexFunc(keys, func(k key) bool { return k.path == path })
	if i < 0 {
		return key{}, false
	}
	return keys[i], true
}

// inSection lists the paths of the keys within a section ("" is the whole).
func inSection(section string) []string {
	var paths []string
	for _, k := range keys {
		if section == "" || strings.HasPrefix(k.path, section+".") {
			paths = append(paths, k.path)
		}
	}
	return paths
}

// fields maps the path of every leaf of p to its settable field.
func fields(p *clinical.Policy) map[string]reflect.Value {
	found := map[string]reflect.Value{}
	var walk func(v reflect.Value, prefix string)
	walk = func(v reflect.Value, prefix string) {
		for i := range v.NumField() {
			path := prefix + v.Type().Field(i).Tag.Get("yaml")
			if v.Field(i).Kind() == reflect.Struct {
				walk(v.Field(i), path+".")
				continue
			}
			found[path] = v.Field(i)
		}
	}
	walk(reflect.ValueOf(p).Elem(), "")
	return found
}

// allowed says the range in words, as the comments of default.yaml do.
func (k key) allowed() string {
	switch k.kind {
	case number:
		return k.span()
	case whole:
		return "a whole number, " + k.span()
	case choice:
		return strings.Join(k.choices, " or ")
	case list:
		if k.choices == nil {
			return fmt.Sprintf("a list of up to %d names", maxNames)
		}
		return "a list of " + strings.Join(k.choices, ", ")
	case yesNo:
		return "yes or no"
	default:
		return "a time HH:MM, 00:00 to 23:59"
	}
}

func (k key) span() string {
	return plain(k.min) + " to " + k.withUnit(plain(k.max))
}

func (k key) withUnit(s string) string {
	if k.unit == "" {
		return s
	}
	return s + " " + k.unit
}

// show writes a value of k for people, with its unit.
func (k key) show(v reflect.Value) string {
	switch v := v.Interface().(type) {
	case float64:
		return k.withUnit(plain(v))
	case int:
		return k.withUnit(strconv.Itoa(v))
	case bool:
		return yesOrNo(v)
	case []string:
		if len(v) == 0 {
			return "none"
		}
		return strings.Join(v, ", ")
	default:
		return v.(string)
	}
}

// text writes a value of k as YAML on one line. It is the same for equal values.
func (k key) text(v reflect.Value) string {
	switch v := v.Interface().(type) {
	case float64:
		return plain(v)
	case int:
		return strconv.Itoa(v)
	case bool:
		return yesOrNo(v)
	case []string:
		quoted := make([]string, len(v))
		for i, s := range v {
			quoted[i] = strconv.Quote(s)
		}
		return "[" + strings.Join(quoted, ", ") + "]"
	default:
		if k.kind == clock {
			return strconv.Quote(v.(string))
		}
		return v.(string)
	}
}

// plain writes a number without exponent or trailing zeros.
func plain(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

func yesOrNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
