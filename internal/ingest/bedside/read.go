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
	Plausible  clinical.PlausiblePolicy
	// Sender is the account that sends the form and clears nobody to stand; "" for one that may.
	Sender string
	// Restrictions are those that the form may say to hold no more, by source_id.
	Restrictions map[string]clinical.Restriction
}

// OptionsOf are options by which a form that has become a stored set reads as that set again,
// whatever has changed since: what was believed then is no matter of today's limits.
func OptionsOf(k Kept, zone *time.Location) Options {
	most := math.MaxFloat64
	o := Options{
		Options: feed.Options{Zone: zone, Now: k.At}, StayID: k.StayID, Restrictions: map[string]clinical.Restriction{},
		Plausible: clinical.PlausiblePolicy{SystolicMax: most, DiastolicMax: most, PulseMax: most},
	}
	for _, l := range k.Lifted {
		held := l.Restriction
		held.EndedAt = nil
		o.Restrictions[l.SourceID] = held
	}
	return o
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
	OutOfRange Why = "range"      // outside V-PLAUSIBLE
	NotBelow   Why = "not_below"  // a diastolic that is not below the systolic
	NotStood   Why = "not_stood"  // upright, though the cuff could not read at rest
	TooLong    Why = "too_long"   // a text of more than longestCell bytes
	Late       Why = "late"       // after the set that it should come before
	Nobody     Why = "nobody"     // a text that names no provider
	Own        Why = "own"        // the sender's own name, where another one's is asked for
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
		ID: r.id(), StayID: o.StayID, Mobility: r.word("mobility", Mobilities), Holds: r.holds(),
		Limb: r.word("limb", clinical.Limbs), Plain: r.yes("plain"), Told: r.told(),
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
		if base.Unread {
			r.wrong("base_unread", NotStood)
		}
		r.order(s.Readings)
	}
	r.symptoms(s.Readings)
	if s.Limb == "" {
		r.wrong("limb", Missing)
	}
	r.restrictions(&s)
	s.Cleared = r.clearance(s)
	return s, r.problems
}

type reader struct {
	form     url.Values
	o        Options
	problems []Problem
}

// wrong notes the first problem of a field.
func (r *reader) wrong(field string, why Why) {
	if !r.isWrong(field) {
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

// figures reads the pressures and the pulse of a reading. What V-PLAUSIBLE does not
// believe is refused: it is a slip, or an emergency that no figure stands for.
func (r *reader) figures(name string, v *clinical.Vitals) {
	p := r.o.Plausible
	v.Systolic = r.within(name+"_systolic", p.SystolicMin, p.SystolicMax)
	v.Diastolic = r.within(name+"_diastolic", p.DiastolicMin, p.DiastolicMax)
	v.HeartRate = r.within(name+"_pulse", p.PulseMin, p.PulseMax)
	if v.Systolic != nil && v.Diastolic != nil && *v.Diastolic >= *v.Systolic && !r.isWrong(name+"_systolic") {
		r.wrong(name+"_diastolic", NotBelow)
	}
}

// within is a number between two bounds, ends included.
func (r *reader) within(field string, low, high float64) *float64 {
	v := r.number(field)
	if v != nil && (*v < low || *v > high) {
		r.wrong(field, OutOfRange)
	}
	return v
}

func (r *reader) isWrong(field string) bool {
	return slices.ContainsFunc(r.problems, func(p Problem) bool { return p.Field == field })
}

func (r *reader) baseline(s Set) Reading {
	v := clinical.Vitals{Position: clinical.Lying, Limb: s.Limb, SetID: s.setID()}
	if p := r.word(Base+"_position", restPositions); p != "" {
		v.Position = clinical.Position(p)
	}
	r.figures(Base, &v)
	v.TakenAt, v.MinutesInPosition = r.moment(Base+"_at"), r.minutes(Base+"_minutes")
	unread := r.unread(Base, v)
	if v.Systolic == nil && !unread {
		r.wrong(Base+"_systolic", Missing)
	}
	if slices.Contains(s.Holds, clinical.HoldChestPain) {
		// Of the baseline: a pain at rest is no finding of standing (S-SYMPTOMS).
		v.Symptoms = []string{clinical.HoldChestPain}
	}
	return Reading{Base, unread, v}
}

// unread reports whether the cuff could not read, and no figure stands beside that.
func (r *reader) unread(name string, v clinical.Vitals) bool {
	unread := r.yes(name + "_unread")
	if unread && (v.Systolic != nil || v.Diastolic != nil) {
		r.wrong(name+"_unread", Contrary)
	}
	return unread
}

// upright reads what was taken upright: readings with a pressure or a pulse, and the
// moment at which the patient was sat down where there is no such reading.
func (r *reader) upright(s Set) []Reading {
	var out []Reading
	for _, name := range []string{First, Second, Third} {
		v := clinical.Vitals{Position: clinical.Standing, Limb: s.Limb, SetID: s.setID()}
		r.figures(name, &v)
		unread := r.unread(name, v)
		if v.Systolic == nil && v.Diastolic == nil && v.HeartRate == nil && !unread {
			continue // not taken: its field for the time alone says nothing
		}
		if v.Systolic == nil && v.Diastolic != nil {
			r.wrong(name+"_systolic", Missing)
		}
		r.stance(name, &v)
		out = append(out, Reading{name, unread, v})
	}
	if !r.yes("stopped") {
		return out
	}
	if len(out) == 0 {
		v := clinical.Vitals{Position: clinical.Standing, Limb: s.Limb, SetID: s.setID()}
		r.stance(Stop, &v)
		out = append(out, Reading{Stop, false, v})
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
// that there were none must be said too. Where the cuff could not read at rest they are
// what was seen then.
func (r *reader) symptoms(readings []Reading) {
	symptoms := r.words("symptom", clinical.Symptoms)
	none, upright := r.yes("no_symptoms"), len(readings) > 1
	switch {
	case none && len(symptoms) > 0:
		r.wrong("symptom", Contrary)
	case upright && !none && len(symptoms) == 0:
		r.wrong("symptom", Missing)
	case !upright && readings[0].Unread:
		readings[0].Symptoms = ofBoth(readings[0].Symptoms, symptoms)
	case !upright && len(symptoms) > 0:
		r.wrong("symptom", NoUpright)
	case upright:
		readings[len(readings)-1].Symptoms = symptoms
	}
}

// ofBoth are the symptoms of two lists, each once, in the order of clinical.Symptoms.
func ofBoth(a, b []string) (out []string) {
	for _, s := range clinical.Symptoms {
		if slices.Contains(a, s) || slices.Contains(b, s) {
			out = append(out, s)
		}
	}
	return out
}

// setID is the id by which the readings make a set; vital signs make none.
func (s Set) setID() string {
	if s.Plain {
		return ""
	}
	return s.ID
}

// restrictions reads which limbs must not be measured, and which may be again.
func (r *reader) restrictions(s *Set) {
	s.Restricted, s.Because = r.words("restrict", clinical.Limbs), r.word("because", clinical.RestrictionReasons)
	switch {
	case len(s.Restricted) == 0:
		s.Because = ""
	case s.Because == "":
		r.wrong("because", Missing)
	case slices.Contains(s.Restricted, s.Limb):
		r.wrong("restrict", Contrary)
	}
	began := s.Baseline().TakenAt
	for _, id := range r.form["lifted"] {
		b, ok := r.o.Restrictions[id]
		if !ok {
			r.wrong("lifted", NotOfList)
			continue
		}
		b.EndedAt = &began
		if began.Before(b.StartedAt) {
			b.EndedAt = &b.StartedAt
		}
		s.Lifted = append(s.Lifted, Lifted{id, b})
	}
}

// clearance reads who said that the patient may stand, and when; nil where neither is given.
func (r *reader) clearance(s Set) *clinical.Clearance {
	by := r.cell("cleared_by")
	if by == "" && r.cell("cleared_at") == "" {
		return nil
	}
	switch {
	case by == "":
		r.wrong("cleared_by", Missing)
	case !clinical.NamesPerson(by):
		r.wrong("cleared_by", Nobody)
	case clinical.SameName(by, r.o.Sender):
		r.wrong("cleared_by", Own)
	case len(by) > longestCell:
		r.wrong("cleared_by", TooLong)
	}
	at, ok := feed.ParseTime(r.cell("cleared_at"), r.o.Zone)
	switch {
	case r.cell("cleared_at") == "":
		r.wrong("cleared_at", Missing)
	case !ok:
		r.wrong("cleared_at", NotTime)
	case at.After(r.o.Now.Add(ClockSkew)):
		r.wrong("cleared_at", Ahead)
	case at.Before(r.o.AdmittedAt):
		r.wrong("cleared_at", TooOld)
	case len(s.Readings) > 1 && at.After(s.Readings[1].TakenAt):
		r.wrong("cleared_at", Late)
	}
	return &clinical.Clearance{ClearedAt: at, By: by}
}

// told reads who was told of an emergency: "provider 2026-11-25T12:00:00Z".
func (r *reader) told() (out []Told) {
	for _, cell := range r.form["told"] {
		cut := strings.LastIndex(cell, " ")
		if cut < 0 || !slices.Contains(Whoms, cell[:cut]) {
			r.wrong("told", NotOfList)
			continue
		}
		at, ok := feed.ParseTime(cell[cut+1:], r.o.Zone)
		if !ok || at.After(r.o.Now.Add(ClockSkew)) {
			r.wrong("told", NotTime)
			continue
		}
		if at.Before(r.o.Now.Add(-Oldest)) || at.Before(r.o.AdmittedAt) {
			r.wrong("told", TooOld)
			continue
		}
		out = append(out, Told{cell[:cut], at})
	}
	return out
}
