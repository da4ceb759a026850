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
// in Go; a test holds the comments of default.yaml to it. What it sets is said in the
// catalogue of words, by its path.
type key struct {
	path     string // yaml names from the top, joined by dots
	kind     kind
	min, max float64  // ends included
	unit     string   // of a number; "" for counts and levels
	choices  []string // of a choice or a list
	reach    []string // the parts of the answers that it can change, and no others
}

func num(path string, min, max float64, unit string, reach []string) key {
	return key{path: path, kind: number, min: min, max: max, unit: unit, reach: reach}
}

func count(path string, min, max float64, unit string, reach []string) key {
	return key{path: path, kind: whole, min: min, max: max, unit: unit, reach: reach}
}

func word(path string, reach []string, choices ...string) key {
	return key{path: path, kind: choice, choices: choices, reach: reach}
}

func words(path string, reach []string, choices []string) key {
	return key{path: path, kind: list, choices: choices, reach: reach}
}

// A Key is one key of the policy, told to those who hold it to its words.
type Key struct {
	Path string // recheck.fall_hours
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
		out[i] = Key{Path: k.path, Reach: slices.Clone(k.reach)}
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
	num("plausible.systolic_min", 0, 100, "mmHg", ofPressures),
	num("plausible.systolic_max", 100, 400, "mmHg", ofPressures),
	num("plausible.diastolic_min", 0, 80, "mmHg", ofPressures),
	num("plausible.diastolic_max", 80, 300, "mmHg", ofPressures),
	num("plausible.pulse_min", 0, 80, "beats/min", ofPulses),
	num("plausible.pulse_max", 80, 400, "beats/min", ofPulses),

	num("sets.window_minutes", 3, 60, "min", ofAssembly),
	word("sets.comparison", ofComparison, clinical.AtLeast, clinical.MoreThan),
	num("sets.standing_from_minutes", 0, 5, "min", ofConclusion),
	num("sets.standing_to_minutes", 1, 30, "min", ofConclusion),
	num("sets.pulse_rise_notable_percent", 5, 100, "%", []string{"sets.criteria"}),
	num("sets.clearing_stand_from_minutes", 0, 10, "min", ofLateDrops),

	num("serial.trend_level", 0.01, 0.2, "", []string{"serial.trend", "recheck", "reasons", "rank"}),
	count("serial.clear_negatives", 1, 10, "", ofClearing),
	num("serial.clear_hours_apart", 0, 72, "h", ofClearing),
	num("serial.around_change_days", 1, 30, "d",
		[]string{"serial.around_changes"}),
	word("serial.clear_delayed", ofLateDrops, clinical.AsLong, clinical.StandardTime),
	num("serial.clear_minutes_most", 3, 30, "min", ofLateDrops),

	num("drugs.renewal_hours", 0, 24, "h", ofRenewal),
	num("drugs.resumed_hours", 0, 168, "h", ofListing),
	num("drugs.home_drugs_hours", 0, 72, "h", ofListing),
	num("drugs.dose_effect_hours", 0.5, 24, "h",
		[]string{"serial.around_doses", "dose_review.flags"}),
	words("drugs.of_no_concern", []string{"exposures.unrecognised_drugs", "dose_review", "list"}, nil),

	num("fluid.coverage_percent", 10, 100, "%", ofBalance),

	num("causes.net_24h_ml", -5000, -100, "mL", ofCauses),
	num("causes.net_48h_ml", -8000, -100, "mL", ofCauses),
	num("causes.weight_change_kg", -10, -0.5, "kg", ofCauses),
	num("causes.gut_losses_24h_ml", 100, 5000, "mL", ofCauses),
	num("causes.haemoglobin_fall_g_dl", 0.5, 6, "g/dL", ofCauses),
	num("causes.bleed_window_hours", 6, 168, "h", ofCauses),

	num("recheck.fall_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.stopped_hours", 0.5, 336, "h", ofPositiveRechecks),
	num("recheck.treated_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.treated_met_from_minutes", 0, 240, "min", ofRechecks),
	num("recheck.positive_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.positive_stable_hours", 0.5, 336, "h", ofPositiveRechecks),
	count("recheck.positive_stable_sets", 1, 10, "", ofPositiveRechecks),
	num("recheck.repeat_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.repeat_quiet_hours", 0, 168, "h", ofRechecks),
	num("recheck.drug_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.drug_met_from_hours", 0, 72, "h", ofRechecks),
	num("recheck.volume_net_48h_ml", -8000, -100, "mL", ofRechecks),
	num("recheck.volume_quiet_hours", 0.5, 168, "h", ofRechecks),
	num("recheck.admit_hours", 0.5, 336, "h", ofRechecks),
	num("recheck.weekly_days", 1, 30, "d", ofRechecks),
	num("recheck.due_within_hours", 0.5, 24, "h", []string{"recheck.state", "list"}),
	count("recheck.at_risk_age", 18, 120, "years", ofRechecks),
	num("recheck.scheduled_soon_hours", 0.5, 168, "h", ofTiers),
	num("recheck.answer_hours", 0.5, 72, "h", ofRechecks),
	num("recheck.answer_elsewhere_hours", 0.5, 72, "h", ofRechecks),
	count("recheck.answers_that_count", 0, 10, "", ofRechecks),
	count("recheck.answers_that_count_urgent", 0, 10, "", ofRechecks),

	{
		path: "precautions.in_feed", kind: yesNo,
		reach: []string{"precautions.in_place", "precautions.missing", "list"},
	},
	words("precautions.bundle", ofBundle, clinical.Precautions),
	words("precautions.added_after_fall_or_stopped_set", ofBundle, clinical.Precautions),

	num("dose_review.positive_hours", 1, 336, "h",
		[]string{"dose_review.needed", "list"}),
	num("dose_review.recent_change_hours", 1, 336, "h", ofFlags),
	num("dose_review.peak_from_hours", 0, 12, "h", ofFlags),
	num("dose_review.peak_to_hours", 0.5, 24, "h", ofFlags),
	num("dose_review.room_systolic", 90, 160, "mmHg", ofFlags),
	count("dose_review.many_ingredients", 2, 10, "", ofFlags),

	num("tiers.recent_hours", 1, 168, "h", ofTiers),
	num("tiers.gap_hours", 1, 336, "h", ofTiers),
	num("tiers.low_standing_min_drop", 0, 40, "mmHg", ofTiers),
	num("tiers.cleared_hours", 0, 336, "h", ofTiers),

	{path: "unit.day_shift", kind: clock, reach: ofShifts},
	{path: "unit.night_shift", kind: clock, reach: ofShifts},
	{path: "unit.huddle", kind: clock},
	word("unit.patient_days", nil, clinical.ByMidnightCensus, clinical.ByHours),
	num("unit.stale_after_hours", 0.5, 72, "h", nil),
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

// allowedRange is the range, for the catalogue of words to say.
func (k key) allowedRange() Range {
	switch k.kind {
	case number:
		return Range{Kind: RangeNumber, Min: plain(k.min), Max: plain(k.max), Unit: k.unit}
	case whole:
		return Range{Kind: RangeWhole, Min: plain(k.min), Max: plain(k.max), Unit: k.unit}
	case choice:
		return Range{Kind: RangeChoice, Choices: k.choices}
	case list:
		if k.choices == nil {
			return Range{Kind: RangeNames, Most: maxNames}
		}
		return Range{Kind: RangeMembers, Choices: k.choices}
	case yesNo:
		return Range{Kind: RangeYesNo}
	default:
		return Range{Kind: RangeClock}
	}
}

// allowed says the range as docs/policy.md and the comments of default.yaml do.
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
