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
}

func num(path string, min, max float64, unit, says string) key {
	return key{path: path, kind: number, min: min, max: max, unit: unit, says: says}
}

func count(path string, min, max float64, unit, says string) key {
	return key{path: path, kind: whole, min: min, max: max, unit: unit, says: says}
}

func word(path, says string, choices ...string) key {
	return key{path: path, kind: choice, choices: choices, says: says}
}

func words(path, says string, choices []string) key {
	return key{path: path, kind: list, choices: choices, says: says}
}

// keys lists every key, in the order of default.yaml.
var keys = []key{
	num("plausible.systolic_min", 0, 100, "mmHg", "lowest systolic pressure believed"),
	num("plausible.systolic_max", 100, 400, "mmHg", "highest systolic pressure believed"),
	num("plausible.diastolic_min", 0, 80, "mmHg", "lowest diastolic pressure believed"),
	num("plausible.diastolic_max", 80, 300, "mmHg", "highest diastolic pressure believed"),
	num("plausible.pulse_min", 0, 80, "beats/min", "lowest pulse believed"),
	num("plausible.pulse_max", 80, 400, "beats/min", "highest pulse believed"),

	num("sets.window_minutes", 3, 60, "min", "upright readings join a lying reading for"),
	word("sets.comparison", "drop thresholds are read as", clinical.AtLeast, clinical.MoreThan),
	num("sets.standing_from_minutes", 0, 5, "min", "a negative set needs a standing reading from"),
	num("sets.standing_to_minutes", 1, 30, "min", "a negative set needs a standing reading up to"),
	num("sets.pulse_rise_notable_percent", 5, 100, "%", "notable pulse rise"),
	num("sets.clearing_stand_from_minutes", 0, 10, "min", "a clearing set needs a standing reading from"),

	num("serial.trend_level", 0.01, 0.2, "", "level of p for a trend"),
	count("serial.clear_negatives", 1, 10, "", "negative sets in a row that clear a stay"),
	num("serial.clear_hours_apart", 0, 72, "h", "first and last clearing set apart by at least"),
	num("serial.around_change_days", 1, 30, "d", "sets compared on either side of a drug change"),

	num("drugs.renewal_hours", 0, 24, "h", "gap or overlap of orders taken as a renewal, under"),
	num("drugs.resumed_hours", 0, 168, "h", "a drug begun again is resumed, not started, within"),
	num("drugs.home_drugs_hours", 0, 72, "h", "drugs begun after admission taken to be from home for"),
	words("drugs.of_no_concern", "drugs of no concern", nil),

	num("fluid.coverage_percent", 10, 100, "%", "charted share of a window that makes a fluid balance usable"),

	num("causes.net_24h_ml", -5000, -100, "mL", "low volume by net fluid over 24 h, from"),
	num("causes.net_48h_ml", -8000, -100, "mL", "low volume by net fluid over 48 h, from"),
	num("causes.weight_change_kg", -10, -0.5, "kg", "low volume by weight change, from"),
	num("causes.gut_losses_24h_ml", 100, 5000, "mL", "low volume by emesis, stool and drain over 24 h, from"),
	num("causes.haemoglobin_fall_g_dl", 0.5, 6, "g/dL", "low volume by fall of haemoglobin, from"),
	num("causes.bleed_window_hours", 6, 168, "h", "blood loss and haemoglobin looked back for"),

	num("recheck.fall_hours", 0.5, 336, "h", "recheck after a fall"),
	num("recheck.stopped_hours", 0.5, 336, "h", "recheck after a set stopped early by symptoms"),
	num("recheck.treated_hours", 0.5, 336, "h", "recheck after a treatment"),
	num("recheck.treated_met_from_minutes", 0, 240, "min", "recheck after a treatment counts from"),
	num("recheck.positive_hours", 0.5, 336, "h", "recheck after a positive set"),
	num("recheck.positive_stable_hours", 0.5, 336, "h", "recheck after a positive set once stable"),
	count("recheck.positive_stable_sets", 1, 10, "", "positive sets in a row that make a stay stable"),
	num("recheck.repeat_hours", 0.5, 336, "h", "repeat of an inconclusive set or one with symptoms only"),
	num("recheck.repeat_quiet_hours", 0, 168, "h", "no repeat of an inconclusive set after a conclusive one within"),
	num("recheck.drug_hours", 0.5, 336, "h", "recheck after a drug is started, raised or resumed"),
	num("recheck.drug_met_from_hours", 0, 72, "h", "recheck after a drug change counts from"),
	num("recheck.volume_net_48h_ml", -8000, -100, "mL", "recheck for net fluid over 48 h, from"),
	num("recheck.volume_quiet_hours", 0.5, 168, "h", "no recheck for net fluid after a set within"),
	num("recheck.admit_hours", 0.5, 336, "h", "first set after admission, at risk"),
	num("recheck.weekly_days", 1, 30, "d", "regular set, at risk, every"),
	num("recheck.due_within_hours", 0.5, 24, "h", "a recheck is shown as due within"),
	count("recheck.at_risk_age", 18, 120, "years", "at risk by age from"),
	num("recheck.scheduled_soon_hours", 0.5, 168, "h", "a scheduled recheck is listed today within"),

	{path: "precautions.in_feed", kind: yesNo, says: "precautions are in the feeds"},
	words("precautions.bundle", "precautions expected", clinical.Precautions),
	words("precautions.added_after_fall_or_stopped_set", "precautions added after a fall or a stopped set", clinical.Precautions),

	num("dose_review.positive_hours", 1, 336, "h", "dose review after a positive set for"),
	num("dose_review.recent_change_hours", 1, 336, "h", "drug changes before a positive set flagged for"),
	num("dose_review.peak_from_hours", 0, 12, "h", "positive sets after a dose flagged from"),
	num("dose_review.peak_to_hours", 0.5, 24, "h", "positive sets after a dose flagged up to"),
	num("dose_review.room_systolic", 90, 160, "mmHg", "drugs flagged with a lying systolic pressure under"),
	count("dose_review.many_ingredients", 2, 10, "", "blood-pressure-lowering ingredients flagged from"),

	num("tiers.recent_hours", 1, 168, "h", "falls and alarming sets count as recent for"),
	num("tiers.gap_hours", 1, 336, "h", "a missing precaution is urgent after a set for"),
	num("tiers.low_standing_min_drop", 0, 40, "mmHg", "a standing systolic pressure under 90 mmHg is urgent with a drop from"),
	num("tiers.cleared_hours", 0, 336, "h", "a cleared patient is watched for"),

	{path: "unit.day_shift", kind: clock, says: "day shift begins"},
	{path: "unit.night_shift", kind: clock, says: "night shift begins"},
	{path: "unit.huddle", kind: clock, says: "huddle begins"},
	word("unit.patient_days", "patient-days counted by", clinical.ByMidnightCensus, clinical.ByHours),
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
