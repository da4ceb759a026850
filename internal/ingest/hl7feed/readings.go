package hl7feed

import (
	"slices"
	"strconv"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// The values of one group and time are one reading, unless they are of several positions: then they are one
// reading a position. What contradicts itself is held, for nothing tells which of it is right.

// within notes in which OBR of the message the values stand.
func (r reading) within(obr int) reading {
	for n := range r.Items {
		r.Items[n].sub = strconv.Itoa(obr) + " " + r.Items[n].sub
	}
	return r
}

// readings are those of a message.
type readings struct {
	list []reading
	at   map[readingKey]int
}

type readingKey struct {
	owner
	group, at string
}

// add adds a reading: its values to those of the same number and time, if there are any.
func (l *readings) add(r reading) {
	key := readingKey{r.owner, r.Group, stampOf(r.At)}
	if n, known := l.at[key]; known {
		l.list[n].Items = append(l.list[n].Items, r.Items...)
		return
	}
	if l.at == nil {
		l.at = map[readingKey]int{}
	}
	l.at[key], l.list = len(l.list), append(l.list, r)
}

// addReading adds a reading of the message.
func (t *told) addReading(r reading) {
	topic := "reading " + r.Group + " " + stampOf(r.At)
	x := row{key: topic, part: records.Part{Kind: clinical.KindVitals}}
	if x.reason = r.toldApart(); x.reason == "" {
		x.reason = r.contradiction()
	}
	if x.reason == "" {
		x.part = t.part(clinical.KindVitals, topic, r, records.Topic{Name: topic})
	} else {
		x.source = r.source(r.Items[0].Set)
	}
	t.add(x)
}

func (r reading) source(set string) string { return sourceOf(r.Group, set, r.At) }

// byCode are the positions that the codes of its figures tell.
func (r reading) byCode() (out []clinical.Position) {
	for _, i := range r.Items {
		if i.figure() && i.Position != "" && !slices.Contains(out, i.Position) {
			out = append(out, i.Position)
		}
	}
	return out
}

// figure reports whether it is a pressure or a pulse.
func (i item) figure() bool { return i.Measure != "" }

// toldApart gives each figure the position that is charted (8361-8) beside it, where there are several of
// them, by OBR and OBX-4. The reason says where that cannot be.
func (r reading) toldApart() (reason string) {
	charted := map[string]clinical.Position{}
	var all []clinical.Position
	for _, i := range r.Items {
		if i.figure() || i.Position == "" || i.Gone {
			continue
		}
		if was, known := charted[i.sub]; known && was != i.Position {
			return "contradictory: the positions " + string(was) + " and " + string(i.Position) + " at one time (8361-8)"
		}
		charted[i.sub] = i.Position
		if !slices.Contains(all, i.Position) {
			all = append(all, i.Position)
		}
	}
	byCode := r.byCode()
	if len(all) == 1 && len(byCode) > 0 && !slices.Contains(byCode, all[0]) {
		return "contradictory: " + string(byCode[0]) + " by the code of a value, " + string(all[0]) + " by 8361-8"
	}
	if len(all) < 2 {
		return ""
	}
	for n, i := range r.Items {
		p, known := charted[i.sub]
		switch {
		case !i.figure() || i.Gone:
		case known && i.Position != "" && i.Position != p:
			return "contradictory: " + string(i.Position) + " by the code of a value, " + string(p) + " by 8361-8"
		case known:
			r.Items[n].Position = p
		}
	}
	return ""
}

// contradiction says which value stands twice in the reading, and not the same.
func (r reading) contradiction() string {
	type meaning struct {
		measure  clinical.Measure
		position clinical.Position
		code     string
	}
	sets, figures := map[string]item{}, map[meaning]item{}
	for _, i := range r.Items {
		if i.Gone {
			continue
		}
		if was, twice := sets[i.Set]; twice && !i.like(was) && !i.corrects(was) {
			return "contradictory: two values of one number (OBR-3), time and OBX-1 (" + i.Set + ")"
		}
		sets[i.Set] = i
		if !i.figure() {
			continue
		}
		is := meaning{measure: i.Measure, position: i.Position}
		if i.Measure == clinical.MeasurePulse {
			is.code = i.code // a monitor sends that of the pressure cuff and that of the electrocardiogram
		}
		if was, twice := figures[is]; twice && !i.like(was) && !i.corrects(was) {
			return "contradictory: " + i.code + " has two values at one time"
		}
		figures[is] = i
	}
	return ""
}

// corrects reports whether it takes the place of one before it in the same message.
func (i item) corrects(was item) bool { return i.Corrected && !was.Corrected }

// like reports whether two values say the same.
func (i item) like(other item) bool {
	return i.Measure == other.Measure && i.Position == other.Position && i.Value == other.Value && i.Symptom == other.Symptom
}

// said is what was said of one value, and when.
type said struct {
	item
	first, last time.Time
	corrected   bool
}

// composeReading joins the values of a reading; of several positions, of each.
func (r Reader) composeReading(topic string, look records.Look) (records.Composed, error) {
	return composeFacts(r, topic, clinical.KindVitals, look, func(told []version[reading]) (out []folded) {
		for _, values := range byPosition(valuesOf(told)) {
			out = append(out, told[0].body.folded(values))
		}
		return out
	})
}

// valuesOf are the values of a reading as they were said last, in the order in which they came up.
func valuesOf(told []version[reading]) (out []*said) {
	sets := map[string]*said{}
	for _, v := range told {
		for _, i := range v.body.Items {
			s := sets[i.Set]
			if s == nil {
				s = &said{first: v.RecordedAt}
				sets[i.Set], out = s, append(out, s)
			}
			if i.Position == "" && i.Measure == s.Measure && i.figure() {
				i.Position = s.Position // OBX-4 of a correction alone tells none
			}
			s.item, s.last, s.corrected = i, v.RecordedAt, s.corrected || i.Corrected
		}
	}
	return out
}

// byPosition parts the values where the figures are of several positions. What bears none stays apart then:
// nothing tells whose it is.
func byPosition(values []*said) (out [][]*said) {
	var positions []clinical.Position
	for _, s := range values {
		if s.figure() && s.Position != "" && !slices.Contains(positions, s.Position) {
			positions = append(positions, s.Position)
		}
	}
	if len(positions) < 2 {
		return [][]*said{values}
	}
	var rest []*said
	out = make([][]*said, len(positions))
	for _, s := range values {
		if n := slices.Index(positions, s.Position); n >= 0 {
			out[n] = append(out[n], s)
		} else {
			rest = append(rest, s)
		}
	}
	if len(rest) > 0 {
		out = append(out, rest)
	}
	return out
}

// folded is the reading that values make.
func (r reading) folded(values []*said) folded {
	f := folded{source: r.source(values[0].Set), status: clinical.Final}
	b := clinical.Vitals{TakenAt: r.At}
	began, left := values[0].first, false
	for _, s := range values {
		if s.first.Before(began) {
			began = s.first
		}
	}
	for _, s := range values {
		left = s.into(&b) || left
		if s.corrected || s.last.After(began) {
			f.status = clinical.Corrected
		}
	}
	if f.body = b; !left {
		f.status, f.body = clinical.EnteredInError, nil
	}
	return f
}
