package fhirfeed

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// isPart reports whether a code is of a reading or a part of one.
func (m meant) isPart() bool {
	switch m.Measure {
	case clinical.MeasurePanel, clinical.MeasureSystolic, clinical.MeasureDiastolic, clinical.MeasurePulse:
		return true
	}
	return m.kind == codes.Symptom || m.kind == codes.Minutes || m.kind == codes.Stopped
}

var ranks = map[clinical.Measure]int{
	clinical.MeasurePanel: rankPanel, clinical.MeasureSystolic: rankSystolic,
	clinical.MeasureDiastolic: rankDiastolic, clinical.MeasurePulse: rankPulse,
}

// partOf is the part of a reading that an observation is.
func (w *work) partOf(o observation, m meant, f fact) fact {
	p := &part{Rank: rankBeside}
	if rank, ok := ranks[m.Measure]; ok {
		p.Rank = rank
	}
	f.part = p
	if f = w.own(f, o.Encounter, o.Subject); f.done() {
		return f
	}
	if f.status == clinical.NoFact || f.status == clinical.EnteredInError {
		return w.gonePart(o, f)
	}
	at, err := o.timeOfDay(w)
	if err != nil {
		return f.wrong("%v", err)
	}
	p.Taken = at
	if err := w.measurements(o, m, p); err != nil {
		return f.wrong("%v", err)
	}
	if len(p.More) > 0 && len(f.source)+len("/"+noPosition) > longestName {
		return f.wrong("its id is too long for readings in several positions")
	}
	if !f.stated && f.recorded.IsZero() {
		f.recorded = at
	}
	f.recordedBy(at, o.Issued)
	if why := happenedAhead(f, at, w); why != "" {
		return f.wrong("%s", why)
	}
	return f
}

// gonePart is a part that is taken back, or that never came to be.
func (w *work) gonePart(o observation, f fact) fact {
	f.part.Gone = true
	at, err := o.timeOfDay(w)
	if err == nil {
		f.part.Taken = at
	}
	if f.recorded.IsZero() && !f.stated {
		if err != nil && f.status == clinical.NoFact {
			return fact{head: f.head, kind: f.kind}.skip() // it never came to be
		}
		if err != nil {
			return f.wrong("meta.lastUpdated is missing: a resource entered in error needs a time")
		}
		f.recorded = at
	}
	return f
}

// measurements reads what was measured: of a panel its components, else the value itself.
func (w *work) measurements(o observation, m meant, p *part) error {
	s := newSheet()
	s.said = m.Position
	if err := s.say(w.extendedPosition(o.Extension)); err != nil {
		return err
	}
	if m.Measure != clinical.MeasurePanel {
		m.Position = clinical.NoPosition // it is said of the whole
		if err := w.measurement(o.measured, m, s); err != nil {
			return err
		}
	}
	for _, c := range o.Component {
		part, ok := w.meaning(c.Code)
		if !ok {
			w.sawConcept(records.SeenObservation, c.Code)
			continue
		}
		if err := w.measurement(c, part, s); err != nil {
			return err
		}
	}
	return w.asReadings(o, m, s, p)
}

// asReadings makes of a part the readings of the sheet: the first is the part, the others go with it.
func (w *work) asReadings(o observation, m meant, s *sheet, p *part) error {
	list, err := s.readings()
	if err != nil {
		return err
	}
	for n := range list {
		word := absentWord(o.DataAbsentReason)
		if m.Measure != clinical.MeasurePanel || word != "" {
			list[n].Absent = word
		}
	}
	rank, taken := p.Rank, p.Taken
	*p = list[0]
	p.Rank, p.Taken, p.More = rank, taken, list[1:]
	if p.Limb = limbOf(o.BodySite); p.Limb == "" {
		w.sawConcept(records.SeenLimb, o.BodySite)
	}
	if len(o.Note) > 0 {
		p.Note = strings.TrimSpace(o.Note[0].Text)
	}
	return nil
}

// measurement reads one value into the sheet.
func (w *work) measurement(c measured, m meant, s *sheet) error {
	set := func(to **float64, what string) error {
		v, unit, err := w.value(c, m.Measure, what)
		if err == nil {
			err = agree(what, *to, v)
		}
		if err != nil {
			return err
		}
		fillIn(to, v)
		if factor, _ := clinical.UnitFactor(m.Measure, unit); v != nil && m.Measure != clinical.MeasurePulse && factor != 1 {
			s.at(m.Position).KPa = true
		}
		s.absent[m.Position][m.Measure] = absentWord(c.DataAbsentReason)
		return nil
	}
	switch m.Measure {
	case clinical.MeasureSystolic:
		return set(&s.at(m.Position).Systolic, "the systolic")
	case clinical.MeasureDiastolic:
		return set(&s.at(m.Position).Diastolic, "the diastolic")
	case clinical.MeasurePulse:
		return set(&s.at(m.Position).Pulse, "the pulse")
	case clinical.MeasurePosition:
		position, err := w.position(c, m.entry)
		if err != nil {
			return err
		}
		return s.say(position)
	}
	return w.sideValue(c, m, s.at(clinical.NoPosition))
}

// position is what the value of a body position means. on is the entry of its code in the site's table;
// a value that the words of it lack is wrong, any other that nothing tells is not charted.
func (w *work) position(c measured, on codes.Entry) (clinical.Position, error) {
	if p, ok := on.Position(c.words()...); ok {
		return p, nil
	}
	if p := w.positionOf(c.ValueCodeableConcept); p != "" {
		return p, nil
	}
	if len(on.Words) > 0 && c.hasValue() {
		_, err := w.word(c, on)
		return "", err
	}
	w.sawConcept(records.SeenPosition, c.ValueCodeableConcept)
	return "", nil
}

// positionOf is the position by SNOMED CT, or by an entry of the value's own code in the site's table.
func (w *work) positionOf(c *concept) clinical.Position {
	if c == nil {
		return ""
	}
	for _, k := range c.Coding {
		if p := clinical.SNOMEDPosition(k.Code); p != "" && k.of(snomedSystems) {
			return p
		}
	}
	for _, k := range c.Coding {
		if e, ok := w.Codes.Find(k.System, k.Code); ok {
			if p, ok := e.Position(k.Code, k.Display); ok {
				return p
			}
		}
	}
	return ""
}

// extendedPosition is the position in the extension observation-bodyPosition.
func (w *work) extendedPosition(list []extension) clinical.Position {
	for _, e := range list {
		if strings.HasSuffix(strings.ToLower(e.URL), "/observation-bodyposition") {
			return w.positionOf(e.ValueCodeableConcept)
		}
	}
	return ""
}

func limbOf(c *concept) string {
	if c == nil {
		return ""
	}
	for _, k := range c.Coding {
		if limb := clinical.SNOMEDLimb(k.Code); limb != "" && k.of(snomedSystems) {
			return limb
		}
	}
	return ""
}

// absentWord is the answer that a reason for a missing value gives; "" for any other reason.
func absentWord(c *concept) string {
	switch {
	case c.has("asked-declined"):
		return clinical.Declined
	case c.has("not-performed"):
		return clinical.NotPossible
	}
	return ""
}

// sideValue reads what the site's table says belongs to a reading: a symptom, the minutes in
// position, that it was stopped early.
func (w *work) sideValue(c measured, m meant, p *part) error {
	switch m.kind {
	case codes.Minutes:
		err := minutesInPosition(c, p)
		if q := c.ValueQuantity; err != nil && q != nil && q.unit() != "" {
			w.saw(records.SeenUnit, q.System, q.unit(), q.Unit)
		}
		return err
	case codes.Stopped:
		word, err := w.word(c, m.entry)
		if errors.Is(err, errNothing) {
			return nil
		}
		p.Stopped = p.Stopped || word == codes.Yes
		return err
	case codes.Symptom:
		word, err := w.word(c, m.entry)
		switch {
		case errors.Is(err, errNothing):
			return nil
		case err != nil:
			return err
		case word == codes.Yes:
			word = m.entry.Value
		}
		if slices.Contains(clinical.Symptoms, word) && !slices.Contains(p.Symptoms, word) {
			p.Symptoms = append(p.Symptoms, word)
		}
	}
	return nil
}

func minutesInPosition(c measured, p *part) error {
	n, factor := c.ValueInteger, 1.0
	if q := c.ValueQuantity; q != nil {
		var ok bool
		unit := q.unit()
		if factor, ok = clinical.MinutesFactor(unit); q.Value != nil && !ok {
			if unit == "" {
				return fmt.Errorf("no unit: the time in position is %s", *q.Value)
			}
			return fmt.Errorf("the unit of the time in position is not known: %q", unit)
		}
		n = q.Value
	}
	if n == nil {
		return nil
	}
	v, err := n.float()
	switch {
	case err != nil:
		return fmt.Errorf("the time in position %w", err)
	case v < 0:
		return fmt.Errorf("the time in position is negative: %s", *n)
	}
	v *= factor
	err = agree("the time in position", p.Minutes, &v)
	p.Minutes = &v
	return err
}

// happenedAhead says that a reading lies ahead of its recording, or of the clock.
func happenedAhead(f fact, at time.Time, w *work) string {
	v := clinical.Version{RecordedAt: f.recorded, Body: clinical.Vitals{TakenAt: at}}
	return feed.Ahead(v, w.o.Now)
}
