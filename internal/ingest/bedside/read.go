package bedside

import (
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

// Options are what a reader must know of the stay and the moment.
type Options struct {
	feed.Options
	StayID     string
	AdmittedAt time.Time
}

// Why is what is wrong with a field.
type Why string

// What may be wrong with a field.
const (
	Missing    Why = "missing"
	NotNumber  Why = "not_number"
	NotTime    Why = "not_time"
	NotOfList  Why = "not_of_list"
	Ahead      Why = "ahead"      // of the server's clock
	TooOld     Why = "too_old"    // more than a day ago, or before admission
	OutOfOrder Why = "order"      // earlier than the reading before
	Contrary   Why = "contrary"   // two answers that exclude each other
	NoPosition Why = "positions"  // lower than the reading before
	NoUpright  Why = "no_upright" // said of standing, and nothing was recorded upright
)

// Problem is what is wrong with one field of the form.
type Problem struct {
	Field string
	Why   Why
}

// Bounds of what is taken.
const (
	ClockSkew  = 5 * time.Minute // how far ahead of the server a moment may lie, as in every feed
	Oldest     = 24 * time.Hour  // how long ago a set may have been taken; older ones belong into the hospital's own record
	maxMinutes = 24 * 60         // in one position: as long ago as a set may have been begun
)

// Read reads the form of a set. Where there are problems the set is incomplete.
func Read(form url.Values, o Options) (Set, []Problem) {
	r := &reader{form: form, o: o}
	s := Set{
		ID: r.id(), StayID: o.StayID, Mobility: r.word("mobility", Mobilities), Holds: r.holds(), Limb: r.word("limb", clinical.Limbs),
		OtherLimb: r.word("other_limb", clinical.LimbReasons),
	}
	base := r.baseline(s)
	upright := r.upright(s)
	s.Readings = append([]Reading{base}, upright...)
	if len(upright) > 0 {
		if s.Mobility == "" {
			r.wrong("mobility", Missing)
		}
		if len(s.Holds) == 0 && !r.yes("no_holds") {
			r.wrong("hold", Missing)
		}
		r.order(s.Readings)
	}
	r.symptoms(s.Readings)
	if s.Limb == "" {
		r.wrong("limb", Missing)
	}
	return s, r.problems
}

type reader struct {
	form     url.Values
	o        Options
	problems []Problem
}

// wrong notes the first problem of a field.
func (r *reader) wrong(field string, why Why) {
	if !slices.ContainsFunc(r.problems, func(p Problem) bool { return p.Field == field }) {
		r.problems = append(r.problems, Problem{field, why})
	}
}

func (r *reader) cell(field string) string { return strings.TrimSpace(r.form.Get(field)) }

var uuid = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$`)

// id is the set's own, made where the set was taken.
func (r *reader) id() string {
	id := strings.ToLower(r.cell("set"))
	if !uuid.MatchString(id) {
		r.wrong("set", Missing)
	}
	return id
}

func (r *reader) word(field string, list []string) string {
	s := r.cell(field)
	if s != "" && !slices.Contains(list, s) {
		r.wrong(field, NotOfList)
		return ""
	}
	return s
}

// words are the entries of a field, in the order of their list.
func (r *reader) words(field string, list []string) []string {
	var out []string
	for _, s := range r.form[field] {
		if s != "" && !slices.Contains(list, s) {
			r.wrong(field, NotOfList)
		}
	}
	for _, w := range list {
		if slices.Contains(r.form[field], w) {
			out = append(out, w)
		}
	}
	return out
}

// holds are what withholds standing: what was found, and an order to stay in bed.
func (r *reader) holds() []string {
	found := r.words("hold", clinical.StandingHolds)
	if len(found) > 0 && r.yes("no_holds") {
		r.wrong("hold", Contrary)
	}
	if r.cell("mobility") == InBed && !slices.Contains(found, clinical.HoldBedRest) {
		found = append(found, clinical.HoldBedRest)
	}
	return found
}

func (r *reader) yes(field string) bool { return r.word(field, []string{"yes"}) == "yes" }

var decimal = regexp.MustCompile(`^\d{1,4}([.,]\d{1,3})?$`)

// number is a figure in the unit of its field; a comma is a decimal point.
func (r *reader) number(field string) *float64 {
	s := r.cell(field)
	if s == "" {
		return nil
	}
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	if !decimal.MatchString(s) || err != nil {
		r.wrong(field, NotNumber)
		return nil
	}
	return &v
}

// minutes in a position, to a tenth: what a stopwatch at the bedside can tell.
func (r *reader) minutes(field string) *float64 {
	v := r.number(field)
	if v == nil {
		return nil
	}
	if *v > maxMinutes {
		r.wrong(field, NotNumber)
		return nil
	}
	tenth := math.Round(*v*10) / 10
	return &tenth
}

// moment is when something was taken, held to the server's clock.
func (r *reader) moment(field string) time.Time {
	s := r.cell(field)
	if s == "" {
		r.wrong(field, Missing)
		return time.Time{}
	}
	t, ok := feed.ParseTime(s, r.o.Zone)
	switch {
	case !ok:
		r.wrong(field, NotTime)
	case t.After(r.o.Now.Add(ClockSkew)):
		r.wrong(field, Ahead)
	case t.Before(r.o.Now.Add(-Oldest)), t.Before(r.o.AdmittedAt):
		r.wrong(field, TooOld)
	}
	return t
}

var (
	restPositions    = []string{string(clinical.Lying), string(clinical.Sitting)}
	uprightPositions = []string{string(clinical.Standing), string(clinical.Sitting)}
)

// figures reads the pressures and the pulse of a reading.
func (r *reader) figures(name string, v *clinical.Vitals) {
	v.Systolic, v.Diastolic, v.HeartRate = r.number(name+"_systolic"), r.number(name+"_diastolic"), r.number(name+"_pulse")
}

func (r *reader) baseline(s Set) Reading {
	v := clinical.Vitals{Position: clinical.Lying, Limb: s.Limb, SetID: s.ID}
	if p := r.word(Base+"_position", restPositions); p != "" {
		v.Position = clinical.Position(p)
	}
	r.figures(Base, &v)
	v.TakenAt, v.MinutesInPosition = r.moment(Base+"_at"), r.minutes(Base+"_minutes")
	if v.Systolic == nil {
		r.wrong(Base+"_systolic", Missing)
	}
	if slices.Contains(s.Holds, clinical.HoldChestPain) {
		// Of the baseline: a pain at rest is no finding of standing (S-SYMPTOMS).
		v.Symptoms = []string{clinical.HoldChestPain}
	}
	return Reading{Base, v}
}

// upright reads what was taken upright: readings with a pressure or a pulse, and the
// moment at which the patient was sat down where there is no such reading.
func (r *reader) upright(s Set) []Reading {
	var out []Reading
	for _, name := range []string{First, Second} {
		v := clinical.Vitals{Position: clinical.Standing, Limb: s.Limb, SetID: s.ID}
		r.figures(name, &v)
		if v.Systolic == nil && v.Diastolic == nil && v.HeartRate == nil {
			continue // not taken: its field for the time alone says nothing
		}
		if v.Systolic == nil && v.Diastolic != nil {
			r.wrong(name+"_systolic", Missing)
		}
		r.stance(name, &v)
		out = append(out, Reading{name, v})
	}
	if !r.yes("stopped") {
		return out
	}
	if len(out) == 0 {
		v := clinical.Vitals{Position: clinical.Standing, Limb: s.Limb, SetID: s.ID}
		r.stance(Stop, &v)
		out = append(out, Reading{Stop, v})
	}
	out[len(out)-1].StoppedEarly = true
	return out
}

// stance reads position, time and minutes of an upright reading.
func (r *reader) stance(name string, v *clinical.Vitals) {
	if p := r.word(name+"_position", uprightPositions); p != "" {
		v.Position = clinical.Position(p)
	}
	v.TakenAt, v.MinutesInPosition = r.moment(name+"_at"), r.minutes(name+"_minutes")
}

// order holds the readings to the order of a set: from low to high, each no earlier
// than the one before.
func (r *reader) order(readings []Reading) {
	if readings[0].Position == clinical.Sitting {
		for _, later := range readings[1:] {
			if later.Position != clinical.Standing {
				r.wrong(later.Name+"_position", NoPosition)
			}
		}
	}
	for n := 1; n < len(readings); n++ {
		if readings[n].TakenAt.Before(readings[n-1].TakenAt) {
			r.wrong(readings[n].Name+"_at", OutOfOrder)
		}
	}
}

// symptoms reads the symptoms of being upright. They are charted at the last reading;
// that there were none must be said too.
func (r *reader) symptoms(readings []Reading) {
	symptoms := r.words("symptom", clinical.Symptoms)
	none, upright := r.yes("no_symptoms"), len(readings) > 1
	switch {
	case none && len(symptoms) > 0:
		r.wrong("symptom", Contrary)
	case upright && !none && len(symptoms) == 0:
		r.wrong("symptom", Missing)
	case !upright && len(symptoms) > 0:
		r.wrong("symptom", NoUpright)
	case upright:
		readings[len(readings)-1].Symptoms = symptoms
	}
}
