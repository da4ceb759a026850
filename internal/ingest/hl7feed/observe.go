package hl7feed

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// group is what stands under one OBR, or under the message where there is none.
type group struct {
	owner
	id     string // OBR-3.1, else OBR-2.1, else MSH-10
	at     string // OBR-7
	values []observed
}

// observed is an OBX with its notes.
type observed struct {
	segment
	n    int // in its group, from 1
	note string
}

// set is OBX-1, by which a value is told from the others of its group.
func (o observed) set() string {
	if id := o.text(1); id != "" {
		return id
	}
	return strconv.Itoa(o.n)
}

// groups cuts the message into groups.
func (t *told) groups() (out []*group) {
	var g *group
	t.follow(func(s segment, w owner) {
		switch s.name {
		case "PID", "PV1":
			if s.name == "PID" {
				g = nil
			}
			if g != nil {
				g.owner = w
			}
		case "OBR":
			g = &group{owner: w, id: s.text(3), at: s.text(7)}
			if placed := s.text(2); clinical.IsOurs(placed) && !clinical.IsOurs(g.id) {
				g.id = placed // the record has given it a number of its own
			}
			if g.id == "" {
				g.id = s.text(2)
			}
			if g.id == "" {
				g.id = t.control
			}
			out = append(out, g)
		case "OBX":
			if g == nil {
				g = &group{owner: w, id: t.control}
				out = append(out, g)
			}
			g.values = append(g.values, observed{segment: s, n: len(g.values) + 1})
		case "NTE":
			if g != nil && len(g.values) > 0 {
				last := &g.values[len(g.values)-1]
				last.note = strings.TrimSpace(last.note + " " + s.text(3))
			}
		}
	})
	return out
}

func (t *told) readObservations() {
	var all readings
	for n, g := range t.groups() {
		for _, r := range t.readGroup(g) {
			all.add(r.within(n))
		}
	}
	for _, r := range all.list {
		t.addReading(r)
	}
}

// meant is what a code means.
type meant struct {
	clinical.Observed
	lab   string // LOINC
	entry codes.Entry
	kind  codes.Kind // of the site's table; "" by an open standard
}

// meaning finds what an OBX is about: by the site's table, where that has its code, else by
// LOINC or the name of ISO/IEEE 11073. Never by its text.
func (t *told) meaning(o observed) (m meant, used bool) {
	code := o.first(3)
	for _, n := range []int{1, 4} {
		if e, ok := t.Codes.Find(code.component(n+2), code.component(n)); ok {
			return byTable(e)
		}
	}
	for _, n := range []int{1, 4} {
		if m, ok := byLOINC(code.component(n)); ok {
			return m, true
		}
	}
	for _, n := range []int{1, 2, 4, 5} {
		if measure, ok := clinical.MDC(code.component(n)); ok {
			return meant{Observed: clinical.Observed{Measure: measure}}, true
		}
	}
	return m, false
}

func byLOINC(code string) (m meant, ok bool) {
	if clinical.ShownLab(code) {
		return meant{lab: code}, true
	}
	m.Observed, ok = clinical.LOINC(code)
	if m.Measure == clinical.MeasureHaemoglobin {
		m.lab = clinical.Haemoglobin
	}
	switch m.Measure {
	case clinical.MeasurePanel, clinical.MeasureFluidIn, clinical.MeasureFluidOut:
		return m, false // a panel has its values in others; a balance needs a span of time, which an OBX has not
	}
	return m, ok
}

func byTable(e codes.Entry) (m meant, used bool) {
	switch e.Kind {
	case codes.Ignore, codes.Drug:
		return m, false
	case codes.Vital, codes.Lab:
		if m, used = byLOINC(e.Value); e.Kind == codes.Lab && !used {
			m, used = meant{lab: e.Value}, true
		}
		m.entry = e
		return m, used
	}
	return meant{entry: e, kind: e.Kind}, true
}

// ofReading reports whether what it says belongs to a reading.
func (m meant) ofReading() bool {
	switch m.Measure {
	case clinical.MeasureSystolic, clinical.MeasureDiastolic, clinical.MeasurePulse, clinical.MeasurePosition:
		return true
	}
	return m.kind == codes.Symptom || m.kind == codes.Minutes || m.kind == codes.Stopped
}

// readGroup gives the readings of a group, and adds each of its other facts.
func (t *told) readGroup(g *group) (at []reading) {
	var beside []besideReading
	for _, o := range g.values {
		m, used := t.meaning(o)
		if !used {
			t.sawElement(records.SeenObservation, o.first(3))
			continue
		}
		status, known := clinical.OBXStatus(o.text(11))
		if known && status == clinical.NoFact {
			continue
		}
		x := row{key: "OBX " + strconv.Itoa(o.n) + " of " + g.id, status: status, part: records.Part{Kind: m.factKind()}}
		when, reason := t.timeOf(g, o)
		switch {
		case reason != "":
		case !g.known():
			reason = "the message names no patient (PID-3)"
		case !known:
			reason = "the status of the observation (OBX-11) is not known: " + strconv.Quote(o.text(11))
		case when.After(t.recordedAt.Add(5*time.Minute)) || when.After(t.options.Now.Add(5*time.Minute)):
			reason = t.ahead(clinical.Vitals{TakenAt: when})
		}
		if !when.IsZero() {
			x.source = sourceOf(g.id, o.set(), when)
		}
		if reason != "" {
			x.reason = reason
			t.add(x)
			continue
		}
		if !m.ofReading() {
			t.fact(g, o, m, when, x)
			continue
		}
		i, reason := t.item(o, m, status)
		if reason != "" {
			x.reason = reason
			t.add(x)
			continue
		}
		if i.Measure == "" {
			beside = append(beside, besideReading{when, i, o.text(14) == ""})
			continue
		}
		n := slices.IndexFunc(at, func(r reading) bool { return r.At.Equal(when) })
		if n < 0 {
			at, n = append(at, reading{owner: g.owner, Group: g.id, At: when}), len(at)
		}
		at[n].Items = append(at[n].Items, i)
	}
	for _, b := range beside {
		at = b.put(at, g)
	}
	return at
}

func (m meant) factKind() clinical.Kind {
	switch {
	case m.ofReading():
		return clinical.KindVitals
	case m.Measure == clinical.MeasureWeight:
		return clinical.KindWeight
	case m.lab != "":
		return clinical.KindLab
	}
	return map[codes.Kind]clinical.Kind{
		codes.Fall: clinical.KindFall, codes.Precaution: clinical.KindPrecaution, codes.Restriction: clinical.KindRestriction,
		codes.Clearance: clinical.KindClearance, codes.Answer: clinical.KindAnswer,
	}[m.kind]
}

// timeOf is OBX-14, else OBR-7.
func (t *told) timeOf(g *group, o observed) (at time.Time, reason string) {
	text := o.text(14)
	if text == "" {
		text = g.at
	}
	if text == "" {
		return at, "the observation has no time (OBX-14, OBR-7)"
	}
	return stamp(text, t.options.Zone)
}

func stampOf(at time.Time) string { return at.UTC().Format("2006-01-02T15:04:05.999999Z07:00") }

// reading is what a message says of one reading: values that share a group and a time.
type reading struct {
	owner
	Group string
	At    time.Time
	Items []item
}

// item is one value of a reading, told from the others by OBX-1. Gone takes it back.
type item struct {
	Set       string
	Measure   clinical.Measure  `json:",omitempty"`
	Value     float64           `json:",omitempty"`
	Unit      string            `json:",omitempty"` // as charted, where it is not the domain's own
	Position  clinical.Position `json:",omitempty"`
	Symptom   string            `json:",omitempty"`
	Minutes   *float64          `json:",omitempty"`
	Stopped   *bool             `json:",omitempty"`
	Gone      bool              `json:",omitempty"`
	Corrected bool              `json:",omitempty"`

	code string // OBX-3, by which a repeated pulse is known
	sub  string // OBR and OBX-4: values that bear the same are of one position
}

// besideReading is what says something of a reading and has no figure of its own.
type besideReading struct {
	at      time.Time
	item    item
	ofGroup bool // its time is the group's: it speaks of every reading that has none of its own
}

// put gives it to the reading of its time, else to the last one before it, else to the only
// one of the group; where there is no reading, it makes one without figures.
func (b besideReading) put(at []reading, g *group) []reading {
	n := slices.IndexFunc(at, func(r reading) bool { return r.At.Equal(b.at) })
	if n < 0 && b.item.Position != "" && b.ofGroup && len(at) > 0 {
		for n := range at {
			if len(at[n].byCode()) == 0 {
				at[n].Items = append(at[n].Items, b.item)
			}
		}
		return at
	}
	for k, r := range at {
		nearer := n < 0 || r.At.After(at[n].At) && !at[n].At.Equal(b.at)
		if nearer && r.At.Before(b.at) || n < 0 && len(at) == 1 {
			n = k
		}
	}
	if n < 0 {
		if b.item.Position != "" { // a position alone says nothing
			return at
		}
		at, n = append(at, reading{owner: g.owner, Group: g.id, At: b.at}), len(at)
	}
	at[n].Items = append(at[n].Items, b.item)
	return at
}

// item reads a value of a reading.
func (t *told) item(o observed, m meant, status clinical.Status) (i item, reason string) {
	i = item{
		Set: o.set(), Measure: m.Measure, Position: m.Position,
		Gone: status == clinical.EnteredInError, Corrected: status == clinical.Corrected,
		code: cmp.Or(o.first(3).component(1), o.first(3).component(4)), sub: o.text(4),
	}
	if m.Measure == clinical.MeasurePosition {
		i.Measure = ""
		if i.Position, reason = t.position(o, m.entry); i.Gone {
			reason = ""
		}
		return i, reason
	}
	if m.kind != "" {
		i.Measure = ""
		return t.siteItem(o, m, i)
	}
	if i.Gone {
		return i, ""
	}
	value, reason := numberOf(o)
	if reason != "" {
		return i, reason
	}
	unit, factor, reason := t.unitOf(o, m.Measure)
	if reason != "" {
		return i, reason
	}
	if i.Value = value * factor; factor != 1 {
		i.Unit = unit
	}
	return i, ""
}

// siteItem reads a symptom, minutes or that a set was stopped, by the site's table.
func (t *told) siteItem(o observed, m meant, i item) (item, string) {
	if i.Gone {
		return i, ""
	}
	if m.kind == codes.Minutes {
		n, reason := numberOf(o)
		if reason == "" && n < 0 {
			reason = "negative minutes"
		}
		if reason == "" {
			var factor float64
			_, factor, reason = t.unitBy(o, clinical.MinutesFactor)
			n *= factor
		}
		i.Minutes = &n
		return i, reason
	}
	word, reason := t.wordOf(o, m.entry)
	if reason != "" {
		return i, reason
	}
	yes := word != codes.No
	switch {
	case m.kind == codes.Stopped:
		i.Stopped = &yes
	case !yes:
		i.Gone = true
	case word == codes.Yes || word == codes.Begins:
		if i.Symptom = m.entry.Value; i.Symptom == "" {
			return i, "the site's table does not say which symptom the code " + strconv.Quote(m.entry.Code) + " is"
		}
	default:
		i.Symptom = word
	}
	return i, ""
}

// wordOf is what OBX-5 means by the words of the site's table.
func (t *told) wordOf(o observed, e codes.Entry) (word, reason string) {
	v := o.first(5)
	if len(o.repetitions(5)) > 1 {
		return "", fmt.Sprintf("several values (OBX-5) where one is asked for: %q of the code %q", o.field(5), e.Code)
	}
	word, ok := e.Meaning(words(v)...)
	if !ok {
		if len(e.Words) > 0 {
			t.saw(records.SeenWord, strings.TrimSpace(e.System+" "+e.Code), strings.TrimSpace(v.text), "")
		}
		return "", fmt.Sprintf("the site's table has no word for %q of the code %q", strings.TrimSpace(v.text), e.Code)
	}
	return word, ""
}

// position is what OBX-5 says of the body position. on is the entry of its code in the site's table; a
// value that the words of it lack is wrong, any other that nothing tells is not charted.
func (t *told) position(o observed, on codes.Entry) (p clinical.Position, reason string) {
	v := o.first(5)
	if p, ok := on.Position(words(v)...); ok {
		return p, ""
	}
	for _, n := range []int{1, 4} {
		if p := clinical.SNOMEDPosition(v.component(n)); p != clinical.NoPosition {
			return p, ""
		}
	}
	for _, n := range []int{1, 4} {
		if e, ok := t.Codes.Find(v.component(n+2), v.component(n)); ok {
			if p, ok := e.Position(v.component(n), v.component(n+1)); ok {
				return p, ""
			}
		}
	}
	if len(on.Words) > 0 && strings.TrimSpace(v.text) != "" {
		_, reason = t.wordOf(o, on)
		return "", reason
	}
	t.sawElement(records.SeenPosition, v)
	return "", ""
}

// numberOf is OBX-5, which must be one number.
func numberOf(o observed) (float64, string) {
	text := strings.TrimSpace(o.field(5))
	f, ok := feed.ParseNumber(text)
	if !ok {
		return 0, "the value (OBX-5) is not one number: " + strconv.Quote(text)
	}
	return f, ""
}

// unitOf is OBX-6, and the factor to the domain's own unit.
func (t *told) unitOf(o observed, m clinical.Measure) (unit string, factor float64, reason string) {
	return t.unitBy(o, func(unit string) (float64, bool) { return clinical.UnitFactor(m, unit) })
}

func (t *told) unitBy(o observed, known func(unit string) (float64, bool)) (unit string, factor float64, reason string) {
	e := o.first(6)
	if strings.TrimSpace(e.text) == "" {
		return "", 0, "no unit"
	}
	for _, n := range []int{1, 2, 4} {
		unit = e.component(n)
		if factor, ok := known(unit); ok {
			return unit, factor, ""
		}
	}
	t.saw(records.SeenUnit, e.component(3), e.component(1), e.component(2))
	return "", 0, "the unit (OBX-6) is not known: " + strconv.Quote(e.component(1))
}

// into puts a value into a reading; false where it was taken back or says nothing.
func (i item) into(b *clinical.Vitals) bool {
	if i.Gone {
		return false
	}
	value := i.Value
	if i.Position != "" && b.Position == "" {
		b.Position = i.Position
	}
	switch {
	case i.Measure == clinical.MeasureSystolic:
		b.Systolic = &value
	case i.Measure == clinical.MeasureDiastolic:
		b.Diastolic = &value
	case i.Measure == clinical.MeasurePulse:
		b.HeartRate = &value
	case i.Symptom != "":
		b.Symptoms = append(b.Symptoms, i.Symptom)
	case i.Minutes != nil:
		b.MinutesInPosition = i.Minutes
	case i.Stopped != nil:
		b.StoppedEarly = *i.Stopped
	default:
		return false
	}
	if i.Unit != "" && (i.Measure == clinical.MeasureSystolic || i.Measure == clinical.MeasureDiastolic) {
		b.PressureUnit = "kPa"
	}
	return true
}
