package bedside

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

// Fault is what is wrong with one field of a measured set.
type Fault struct {
	Field    string // as a path, such as readings[0].systolic; "" for the whole
	Why      Why
	Min, Max *float64 // the bounds of a figure or a count, ends included; nil where there is none
	List     []string // the words of a NotOfList
}

// What may be wrong with a measured set alone.
const (
	NotJSON     Why = "not_json"
	NotObject   Why = "not_object"
	NotArray    Why = "not_array"
	NotText     Why = "not_text"
	NotBoolean  Why = "not_boolean"
	NotKnown    Why = "not_known" // a member that there is not
	Twice       Why = "twice"     // a member that stands there twice
	NotID       Why = "not_id"
	NotCount    Why = "not_count"    // too few or too many of a list
	Negative    Why = "negative"     // minutes under 0
	OutsideStay Why = "outside_stay" // before the admission, or at or after the discharge
	Unprintable Why = "unprintable"  // a text with characters that cannot be seen
)

// Bounds of a measured set.
const (
	MaxTakenBy    = 200 // characters
	maxMeasured   = 20  // readings
	maxFaults     = 100 // told of at once
	deepestMember = 8   // of one value in another; a set needs 4
)

// ReadMeasured reads the JSON of a set of a stay, strictly: what it does not know it refuses, so that
// no unit or word is passed over that changes what a figure means. Times without an offset are in the zone.
func ReadMeasured(body []byte, stayID string, zone *time.Location) (Measured, []Fault) {
	r := &measuredReader{zone: zone}
	m := Measured{StayID: stayID}
	if !utf8.Valid(body) || !json.Valid(body) {
		r.wrong("", NotJSON)
		return m, r.faults
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	root := r.object("", r.value(d, "", 0))
	m.ID = r.id(root)
	m.TakenBy = r.takenBy(root)
	m.Vitals = r.readings(root, m.SetID())
	r.known("", root, "id", "taken_by", "readings")
	return m, r.faults
}

type measuredReader struct {
	zone   *time.Location
	faults []Fault
}

// wrong notes the first fault of a field.
func (r *measuredReader) wrong(field string, why Why) { r.wrongBy(Fault{Field: field, Why: why}) }

func (r *measuredReader) wrongBy(f Fault) {
	again := slices.ContainsFunc(r.faults, func(o Fault) bool { return o.Field == f.Field })
	if !again && len(r.faults) < maxFaults {
		r.faults = append(r.faults, f)
	}
}

// member is a member of an object, in the order in which they stand there.
type member struct {
	name  string
	value any // nil, bool, string, json.Number, []any or []member
}

// value reads the next value; a member that stands twice in an object is a fault, for readers differ
// in which of the two they take. The text is JSON: that was looked at before.
func (r *measuredReader) value(d *json.Decoder, path string, depth int) any {
	t, err := d.Token()
	if err != nil || depth > deepestMember {
		r.wrong("", NotJSON)
		return nil
	}
	switch t {
	case json.Delim('['):
		list := []any{}
		for d.More() && len(r.faults) < maxFaults {
			list = append(list, r.value(d, path+"["+strconv.Itoa(len(list))+"]", depth+1))
		}
		_, _ = d.Token()
		return list
	case json.Delim('{'):
		members := []member{}
		for d.More() && len(r.faults) < maxFaults {
			key, _ := d.Token()
			name, _ := key.(string)
			field := join(path, name)
			if slices.ContainsFunc(members, func(m member) bool { return m.name == name }) {
				r.wrong(field, Twice)
			}
			members = append(members, member{name, r.value(d, field, depth+1)})
		}
		_, _ = d.Token()
		return members
	}
	return t
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

func (r *measuredReader) object(field string, v any) []member {
	members, ok := v.([]member)
	if !ok {
		r.wrong(field, NotObject)
	}
	return members
}

// known refuses the members that are not among names, in any other letters too.
func (r *measuredReader) known(path string, members []member, names ...string) {
	for _, m := range members {
		if !slices.Contains(names, m.name) {
			r.wrong(join(path, m.name), NotKnown)
		}
	}
}

// of is the value of a member; nil where it is null or not there.
func of(members []member, name string) any {
	for _, m := range members {
		if m.name == name {
			return m.value
		}
	}
	return nil
}

func (r *measuredReader) text(path string, members []member, name string) string {
	switch v := of(members, name).(type) {
	case nil:
	case string:
		return strings.TrimSpace(v)
	default:
		r.wrong(join(path, name), NotText)
	}
	return ""
}

var measuredID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

func (r *measuredReader) id(root []member) string {
	id, _ := of(root, "id").(string)
	if !measuredID.MatchString(id) {
		r.wrong("id", NotID)
		return ""
	}
	return id
}

func (r *measuredReader) takenBy(root []member) string {
	s := r.text("", root, "taken_by")
	switch {
	case utf8.RuneCountInString(s) > MaxTakenBy:
		r.wrong("taken_by", TooLong)
	case strings.ContainsFunc(s, func(c rune) bool { return !unicode.IsPrint(c) }):
		r.wrong("taken_by", Unprintable)
	}
	return s
}

func (r *measuredReader) readings(root []member, setID string) (out []clinical.Vitals) {
	list, ok := of(root, "readings").([]any)
	if !ok && of(root, "readings") != nil {
		r.wrong("readings", NotArray)
		return nil
	}
	if len(list) == 0 || len(list) > maxMeasured {
		low, high := 1., float64(maxMeasured)
		r.wrongBy(Fault{Field: "readings", Why: NotCount, Min: &low, Max: &high})
		return nil
	}
	for n, v := range list {
		out = append(out, r.reading(fmt.Sprintf("readings[%d]", n), v, setID))
	}
	return out
}

func (r *measuredReader) reading(path string, value any, setID string) clinical.Vitals {
	members := r.object(path, value)
	if members == nil {
		return clinical.Vitals{}
	}
	r.known(path, members, "taken_at", "position", "systolic", "diastolic", "heart_rate", "limb",
		"minutes_in_position", "symptoms", "stopped_early")
	v := clinical.Vitals{
		TakenAt: r.takenAt(path, members), SetID: setID,
		Systolic: r.number(path, members, "systolic"), Diastolic: r.number(path, members, "diastolic"),
		HeartRate: r.number(path, members, "heart_rate"),
		Position:  clinical.Position(r.word(path, members, "position", positions)), Limb: r.word(path, members, "limb", clinical.Limbs),
		MinutesInPosition: r.number(path, members, "minutes_in_position"),
		Symptoms:          r.symptoms(path, members), StoppedEarly: r.yes(path, members, "stopped_early"),
	}
	if v.MinutesInPosition != nil && *v.MinutesInPosition < 0 {
		low := 0.
		r.wrongBy(Fault{Field: path + ".minutes_in_position", Why: Negative, Min: &low})
	}
	return v
}

var positions = []string{string(clinical.Lying), string(clinical.Sitting), string(clinical.Standing)}

func (r *measuredReader) takenAt(path string, members []member) time.Time {
	field := path + ".taken_at"
	s := r.text(path, members, "taken_at")
	if s == "" {
		r.wrong(field, Missing)
		return time.Time{}
	}
	t, ok := feed.ParseTime(s, r.zone)
	if !ok {
		r.wrong(field, NotTime)
		return time.Time{}
	}
	return t.UTC()
}

func (r *measuredReader) number(path string, members []member, name string) *float64 {
	value := of(members, name)
	if value == nil {
		return nil
	}
	n, ok := value.(json.Number)
	f, err := strconv.ParseFloat(n.String(), 64)
	if !ok || err != nil || math.Abs(f) > feed.LargestNumber {
		r.wrong(join(path, name), NotNumber)
		return nil
	}
	if f == 0 {
		f = 0 // -0 and 0 are one content
	}
	return &f
}

// word is one of a list, in any case, as in every feed.
func (r *measuredReader) word(path string, members []member, name string, list []string) string {
	return r.among(join(path, name), r.text(path, members, name), list)
}

func (r *measuredReader) among(field, s string, list []string) string {
	s = strings.ToLower(s)
	if s != "" && !slices.Contains(list, s) {
		r.wrongBy(Fault{Field: field, Why: NotOfList, List: list})
		return ""
	}
	return s
}

func (r *measuredReader) yes(path string, members []member, name string) bool {
	switch v := of(members, name).(type) {
	case nil:
	case bool:
		return v
	default:
		r.wrong(join(path, name), NotBoolean)
	}
	return false
}

// symptoms are in the order of their list, each once: so the same ones are the same content.
func (r *measuredReader) symptoms(path string, members []member) []string {
	field := path + ".symptoms"
	list, ok := of(members, "symptoms").([]any)
	if !ok && of(members, "symptoms") != nil {
		r.wrong(field, NotArray)
	}
	var found []string
	for n, v := range list {
		at := field + "[" + strconv.Itoa(n) + "]"
		s, ok := v.(string)
		switch {
		case !ok:
			r.wrong(at, NotText)
		case strings.TrimSpace(s) == "":
			r.wrongBy(Fault{Field: at, Why: NotOfList, List: clinical.Symptoms})
		default:
			found = append(found, r.among(at, strings.TrimSpace(s), clinical.Symptoms))
		}
	}
	return ofBoth(found, nil)
}
