package fhirfeed

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// meant is what a code means: by the site's table, else by LOINC.
type meant struct {
	clinical.Observed
	entry codes.Entry
	kind  codes.Kind // of the entry; Lab for a laboratory value; "" for what is measured
	loinc string     // of a laboratory value
}

// Code systems, by their address and by their OID.
var (
	loincSystems  = []string{"http://loinc.org", "https://loinc.org", "urn:oid:2.16.840.1.113883.6.1"}
	snomedSystems = []string{"http://snomed.info/sct", "urn:oid:2.16.840.1.113883.6.96"}
	atcSystems    = []string{"http://www.whocc.no/atc", "https://www.whocc.no/atc", "urn:oid:2.16.840.1.113883.6.73"}
	rxNormSystems = []string{"http://www.nlm.nih.gov/research/umls/rxnorm", "urn:oid:2.16.840.1.113883.6.88"}
	icdSystems    = []string{
		"http://hl7.org/fhir/sid/icd-10", "http://hl7.org/fhir/sid/icd-10-cm",
		"urn:oid:2.16.840.1.113883.6.3", "urn:oid:2.16.840.1.113883.6.90",
	}
)

func (k coding) of(systems []string) bool {
	s := strings.TrimSuffix(strings.ToLower(strings.TrimSpace(k.System)), "/")
	return slices.Contains(systems, s)
}

// entryOf is the entry of the site's table for one of the codings.
func (w *work) entryOf(c *concept) (e codes.Entry, ok bool) {
	if c == nil {
		return e, false
	}
	for _, k := range c.Coding {
		if e, ok := w.Codes.Find(k.System, k.Code); ok {
			return e, true
		}
	}
	return e, false
}

// meaning is what a code of an observation means. ok is false where it means nothing here.
func (w *work) meaning(c *concept) (m meant, ok bool) {
	if e, ok := w.entryOf(c); ok {
		switch e.Kind {
		case codes.Vital:
			m.Observed, _ = clinical.LOINC(e.Value)
			m.entry = e
			return m, true
		case codes.Lab:
			return labMeant(e.Value), true
		}
		return meant{entry: e, kind: e.Kind}, e.Kind != codes.Ignore
	}
	if c == nil {
		return m, false
	}
	for _, k := range c.Coding {
		if !k.of(loincSystems) {
			continue
		}
		if o, ok := clinical.LOINC(k.Code); ok && o.Measure != clinical.MeasureHaemoglobin {
			return meant{Observed: o}, true
		}
		if k.Code == clinical.Haemoglobin || clinical.ShownLab(k.Code) {
			return labMeant(strings.TrimSpace(k.Code)), true
		}
	}
	return m, false
}

func labMeant(loinc string) meant {
	m := meant{kind: codes.Lab, loinc: loinc}
	if loinc == clinical.Haemoglobin {
		m.Measure = clinical.MeasureHaemoglobin
	}
	return m
}

// observe is what an observation says.
func (w *work) observe(o observation) fact {
	m, ok := w.meaning(o.Code)
	if _, set := w.ours(o.head); set {
		return fact{head: o.head}.skip()
	}
	if !ok {
		if o.Status == string(clinical.EnteredInError) {
			return w.begin(o.head, "", clinical.Final, o.Issued).orSkip()
		}
		w.sawConcept(records.SeenObservation, o.Code)
		f := fact{head: o.head}.skip()
		f.later = o.changed() || o.Status == string(clinical.Amended) || o.Status == string(clinical.Corrected)
		return f
	}
	status, known := clinical.ObservationStatus(o.Status)
	f := w.begin(o.head, w.kindOf(m), status, o.Issued)
	switch {
	case f.reason != "":
		return f
	case !known:
		return f.wrong("status is no status of an observation: %q", o.Status)
	case m.isPart():
		return w.partOf(o, m, f)
	}
	if f = w.own(f, o.Encounter, o.Subject); f.done() {
		return f
	}
	switch {
	case status == clinical.EnteredInError:
		if f.recorded.IsZero() {
			if at, err := o.time(w); err == nil {
				f.recorded = at.at
			}
		}
		return f.retract()
	case status == clinical.NoFact:
		if at, err := o.time(w); err == nil && f.recorded.IsZero() {
			f.recorded = at.at
		}
		return f.none()
	}
	f = w.single(o, m, f)
	if b := f.said.Body(); b != nil {
		f.recordedBy(b.OwnTime(), o.Issued)
	}
	return f
}

// kindOf is the kind of fact that what a code means becomes.
func (w *work) kindOf(m meant) clinical.Kind {
	switch {
	case m.kind == codes.Lab:
		return clinical.KindLab
	case m.kind == codes.Clearance:
		return clinical.KindClearance
	case m.kind == codes.Answer:
		return clinical.KindAnswer
	case m.Measure == clinical.MeasureWeight:
		return clinical.KindWeight
	case m.Measure == clinical.MeasureFluidIn, m.Measure == clinical.MeasureFluidOut:
		return clinical.KindFluid
	case m.isPart():
		return clinical.KindVitals
	}
	return ""
}

// single is a fact that stands by itself.
func (w *work) single(o observation, m meant, f fact) fact {
	var body clinical.Body
	var err error
	switch f.kind {
	case clinical.KindWeight:
		body, err = o.weight(w)
	case clinical.KindLab:
		body, err = o.lab(w, m.loinc)
	case clinical.KindFluid:
		body, err = o.fluid(w, m.Measure)
	case clinical.KindClearance:
		if body, err = o.clearance(w, m.entry); err == nil && len(o.Performer) > 0 {
			f.said.By = byOf(o.Performer[0], o.head)
		}
		f.nothing = err != nil && !errors.Is(err, errNothing) // held, it clears nobody any more
	case clinical.KindAnswer:
		body, err = o.answer(w, m.entry)
	default:
		return f.skip()
	}
	switch {
	case errors.Is(err, errNothing):
		return f.none()
	case err != nil:
		return f.wrong("%v", err)
	}
	return f.put(body)
}

// errNothing says that an observation says nothing: it has no value, or one that is of no use.
var errNothing = errors.New("nothing is said")

// time is when an observation was made; nobody needs the time of day of it.
func (o observation) time(w *work) (moment, error) {
	switch {
	case o.EffectiveDateTime != "":
		return started("effectiveDateTime", o.EffectiveDateTime, w.o.Zone)
	case o.EffectiveInstant != "":
		return started("effectiveInstant", o.EffectiveInstant, w.o.Zone)
	case o.EffectivePeriod != nil:
		return started("effectivePeriod.start", o.EffectivePeriod.Start, w.o.Zone)
	}
	return moment{}, errors.New("it has no effective time")
}

// timeOfDay is when an observation was made, with a time of day.
func (o observation) timeOfDay(w *work) (time.Time, error) {
	m, err := o.time(w)
	if err == nil && m.dayOnly {
		err = errNoTimeOfDay
	}
	return m.at, err
}

// value is the one number of a value in the unit of the measure; nil where it is missing.
// what names it in reasons.
func (w *work) value(m measured, measure clinical.Measure, what string) (v *float64, unit string, err error) {
	q := m.ValueQuantity
	switch {
	case q == nil && m.hasValue():
		return nil, "", fmt.Errorf("the value of %s is no quantity", what)
	case q == nil || q.Value == nil:
		return nil, "", nil
	case strings.TrimSpace(q.Comparator) != "":
		return nil, "", fmt.Errorf("the value of %s is not one number: %s%s", what, q.Comparator, *q.Value)
	}
	f, err := q.Value.float()
	if err != nil {
		return nil, "", fmt.Errorf("the value of %s %w", what, err)
	}
	if unit = q.unit(); unit == "" {
		return nil, "", fmt.Errorf("no unit: the value of %s is %s", what, *q.Value)
	}
	if measure != "" {
		factor, ok := clinical.UnitFactor(measure, unit)
		if !ok {
			w.saw(records.SeenUnit, q.System, unit, q.Unit)
			return nil, "", fmt.Errorf("the unit of %s is not known: %q", what, unit)
		}
		if factor != 1 {
			f *= factor
		}
	}
	return &f, unit, nil
}

func (o observation) weight(w *work) (b clinical.Weight, err error) {
	v, _, err := w.value(o.measured, clinical.MeasureWeight, "the weight")
	switch {
	case err != nil:
		return b, err
	case v == nil:
		return b, errNothing
	case *v <= 0:
		return b, errors.New("the weight is not above zero")
	}
	m, err := o.time(w)
	return clinical.Weight{MeasuredAt: m.at, KG: *v}, err
}

func (o observation) lab(w *work, loinc string) (b clinical.Lab, err error) {
	measure := clinical.Measure("")
	if loinc == clinical.Haemoglobin {
		measure = clinical.MeasureHaemoglobin
	}
	v, unit, err := w.value(o.measured, measure, loinc)
	switch {
	case err != nil:
		return b, err
	case v == nil:
		return b, errNothing
	}
	if measure != "" {
		unit = "g/dL"
	}
	if written := o.ValueQuantity.Unit; measure == "" && strings.TrimSpace(written) != "" {
		unit = strings.TrimSpace(written)
	}
	m, err := o.time(w)
	return clinical.Lab{TakenAt: m.at, LOINC: loinc, Value: *v, Unit: unit}, err
}

func (o observation) fluid(w *work, measure clinical.Measure) (b clinical.Fluid, err error) {
	v, _, err := w.value(o.measured, measure, "the volume")
	switch {
	case err != nil:
		return b, err
	case v == nil:
		return b, errNothing
	case *v < 0:
		return b, errors.New("the volume is negative")
	case o.EffectivePeriod == nil:
		return b, errors.New("it has no effectivePeriod: a volume needs the time over which it was taken")
	}
	b = clinical.Fluid{Direction: "in", VolumeML: *v}
	if measure == clinical.MeasureFluidOut {
		b.Direction, b.What = "out", "urine"
	}
	if b.From, err = ofDay("effectivePeriod.start", o.EffectivePeriod.Start, w.o.Zone); err != nil {
		return b, err
	}
	if b.To, err = ofDay("effectivePeriod.end", o.EffectivePeriod.End, w.o.Zone); err != nil {
		return b, err
	}
	if b.From.After(b.To) {
		return b, errors.New("effectivePeriod ends before it starts")
	}
	return b, nil
}

// word is what the value means by the site's table.
func (w *work) word(m measured, e codes.Entry) (string, error) {
	if !m.hasValue() {
		return "", errNothing
	}
	word, ok := e.Meaning(m.words()...)
	if !ok {
		w.sawWord(e, m.words()...)
		return "", fmt.Errorf("the site's table has no word for the value %q of the code %q", strings.Join(m.words(), " "), e.Code)
	}
	return word, nil
}

// sawWord notes a value for which the entry of its code has no word.
func (w *work) sawWord(e codes.Entry, values ...string) {
	for _, v := range values {
		if v != "" {
			w.saw(records.SeenWord, strings.TrimSpace(e.System+" "+e.Code), v, "")
			return
		}
	}
}

func (o observation) clearance(w *work, e codes.Entry) (b clinical.Clearance, err error) {
	word, err := w.word(o.measured, e)
	switch {
	case err != nil:
		return b, err
	case word != codes.Yes:
		return b, errNothing
	}
	b.ClearedAt, err = o.timeOfDay(w)
	return b, err
}

func (o observation) answer(w *work, e codes.Entry) (b clinical.Answer, err error) {
	b.Answer = e.Value
	if len(e.Words) > 0 || e.Value == "" {
		word, err := w.word(o.measured, e)
		switch {
		case err != nil:
			return b, err
		case slices.Contains(clinical.Answers, word):
			b.Answer = word
		case word != codes.Yes || e.Value == "":
			return b, errNothing
		}
	}
	if len(o.Note) > 0 {
		b.Reason = strings.TrimSpace(o.Note[0].Text)
	}
	b.AnsweredAt, err = o.timeOfDay(w)
	return b, err
}
