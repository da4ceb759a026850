package fhirfeed

import (
	"encoding/json"
	"errors"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
)

// drugOf is the drug of an order or a dose. ok is false where the site's table says that it
// is of no concern.
func (w *work) drugOf(d drugged, within []json.RawMessage) (drug clinical.Drug, ok bool, err error) {
	c, shown := d.MedicationCodeableConcept, ""
	if r := d.MedicationReference; c == nil && r != nil {
		shown = strings.TrimSpace(r.Display)
		var m medication
		if raw := contained(within, r.Reference); raw != nil {
			if err := decode(raw, &m); err != nil {
				return drug, false, err
			}
		} else {
			card, known, err := w.last(r.keys("Medication"))
			if err != nil {
				return drug, false, storeError{err}
			}
			if known {
				if err := json.Unmarshal(card.Body, &m); err != nil {
					return drug, false, err
				}
			}
		}
		c = m.Code
	}
	e, mapped := w.entryOf(c)
	if mapped && e.Kind == codes.Ignore {
		return drug, false, nil
	}
	if c != nil {
		for _, k := range c.Coding {
			switch {
			case k.of(atcSystems) && drug.ATC == "":
				drug.ATC = strings.TrimSpace(k.Code)
			case k.of(rxNormSystems) && drug.RxNorm == "":
				drug.RxNorm = strings.TrimSpace(k.Code)
			}
		}
		drug.Text = c.text()
	}
	if mapped && e.Kind == codes.Drug {
		drug.ATC = e.Value
	}
	for _, text := range []string{shown, drug.ATC, drug.RxNorm, firstCode(c)} {
		if drug.Text == "" {
			drug.Text = text
		}
	}
	if drug.Text == "" {
		return drug, false, errors.New("drug is missing")
	}
	return drug, true, nil
}

func firstCode(c *concept) string {
	if c == nil || len(c.Coding) == 0 {
		return ""
	}
	return strings.TrimSpace(c.Coding[0].Code)
}

// routeOf is the route as the tables of routes know it: by its code, else as it is written.
func routeOf(c *concept) string {
	if c == nil {
		return ""
	}
	for _, k := range c.Coding {
		if r, ok := clinical.SNOMEDRoute(k.Code); ok && k.of(snomedSystems) {
			return string(r)
		}
	}
	if t := strings.TrimSpace(c.Text); t != "" {
		return t
	}
	return c.text()
}

// amountOf is a dose with its unit. Without a unit it counts the strength that the drug's
// text states; where that states none, the dose is not known.
func amountOf(q *quantity, drug clinical.Drug) (dose *float64, unit string, err error) {
	if q == nil || q.Value == nil || strings.TrimSpace(q.Comparator) != "" {
		return nil, "", nil
	}
	f, err := q.Value.float()
	switch {
	case err != nil:
		return nil, "", errors.New("the dose " + err.Error())
	case f < 0:
		return nil, "", errors.New("the dose is negative: " + string(*q.Value))
	}
	unit = doseUnit(q)
	if unit != "" && unit != "1" {
		return &f, unit, nil
	}
	list, _ := drug.Ingredients()
	if len(list) == 1 && list[0].StrengthMG != nil {
		f *= *list[0].StrengthMG
		return &f, "mg", nil
	}
	for _, i := range list {
		if i.StrengthMG != nil {
			return &f, "tablet", nil // each ingredient has a strength of its own
		}
	}
	return nil, "", nil
}

// doseUnit is the unit of a dose. A code that is no unit of mass, such as that of a form, may
// stand beside a word that is known.
func doseUnit(q *quantity) string {
	unit := q.unit()
	word := strings.TrimSpace(q.Unit)
	one, none := 1.0, clinical.Ingredient{StrengthMG: new(float64)}
	if _, ok := none.AmountMG(&one, unit); !ok && word != "" {
		if _, ok := none.AmountMG(&one, word); ok {
			return word
		}
	}
	return unit
}

var daysOf = map[string]float64{"h": 1.0 / 24, "d": 1, "wk": 7}

// timesPerDay is how often a day a dose is to be given; nil where it is not said so.
func (d dosage) timesPerDay() *float64 {
	if d.Timing == nil {
		return nil
	}
	if r := d.Timing.Repeat; r != nil && r.Period != nil {
		times, days := 1.0, daysOf[r.PeriodUnit]
		if r.Frequency != nil {
			times, _ = r.Frequency.float()
		}
		if span, _ := r.Period.float(); span*days > 0 && times >= 0 {
			times /= span * days
			return &times
		}
	}
	if c := d.Timing.Code; c != nil {
		for _, word := range c.words() {
			if times, ok := clinical.TimesPerDay(word); ok {
				return &times
			}
		}
	}
	return nil
}

func (d dosage) amount() *quantity {
	for _, r := range d.DoseAndRate {
		if r.DoseQuantity != nil {
			return r.DoseQuantity
		}
	}
	return d.Dose
}

var orderIntents = map[string]bool{
	"order": true, "original-order": true, "instance-order": true, "filler-order": true,
	"proposal": false, "plan": false, "reflex-order": false, "option": false,
}

// order is what a MedicationRequest says.
func (w *work) order(r medicationRequest) fact {
	status, known := clinical.MedicationRequestStatus(r.Status)
	f := w.begin(r.head, clinical.KindOrder, status, r.AuthoredOn)
	wanted, said := orderIntents[r.Intent]
	switch {
	case f.reason != "":
		return f
	case !known:
		return f.wrong("status is no status of an order: %q", r.Status)
	case status != clinical.EnteredInError && !said:
		return f.wrong("intent is no intent of an order: %q", r.Intent)
	}
	if f = w.own(f, r.Encounter, r.Subject); f.done() {
		return f
	}
	switch {
	case status == clinical.EnteredInError:
		return f.retract()
	case status == clinical.NoFact || !wanted:
		return f.none()
	}
	body, use, err := w.orderBody(r)
	switch {
	case err != nil:
		return f.failed(err)
	case !use:
		return f.skip()
	}
	switch status {
	case clinical.Stopped, clinical.Completed:
		body.EndUnknown = body.EndAt == nil
		fallthrough
	case clinical.OnHold, clinical.Cancelled:
		if !f.stated && body.EndAt == nil {
			return f.wrong("recorded_at is missing: an order that is %s needs meta.lastUpdated, authoredOn or an end", status)
		}
		if !f.stated {
			v := f.put(body)
			v.versions[0].RecordedAt, v.recorded = *body.EndAt, *body.EndAt
			return v
		}
	}
	return f.put(body)
}

func (w *work) orderBody(r medicationRequest) (b clinical.Order, use bool, err error) {
	if b.Drug, use, err = w.drugOf(r.drugged, r.Contained); err != nil || !use {
		return b, use, err
	}
	var d dosage
	if len(r.DosageInstruction) > 0 {
		d = r.DosageInstruction[0]
	}
	start, end := r.AuthoredOn, ""
	if d.Timing != nil && d.Timing.Repeat != nil && d.Timing.Repeat.BoundsPeriod != nil {
		bounds := d.Timing.Repeat.BoundsPeriod
		end = bounds.End
		if bounds.Start != "" {
			start = bounds.Start
		}
	}
	if end == "" && r.DispenseRequest != nil && r.DispenseRequest.ValidityPeriod != nil {
		end = r.DispenseRequest.ValidityPeriod.End
	}
	from, err := started("the start (boundsPeriod.start, authoredOn)", start, w.o.Zone)
	if err != nil {
		return b, false, err
	}
	b.StartAt = from.at
	if b.EndAt, err = ended("the end", end, w.o.Zone); err != nil {
		return b, false, err
	}
	if b.Dose, b.DoseUnit, err = amountOf(d.amount(), b.Drug); err != nil {
		return b, false, err
	}
	b.Route, b.TimesPerDay = routeOf(d.Route), d.timesPerDay()
	b.AsNeeded = d.AsNeededBoolean != nil && *d.AsNeededBoolean || d.AsNeededCodeableConcept != nil
	return b, true, nil
}

// dose is what a MedicationAdministration says.
func (w *work) dose(a medicationAdministration) fact {
	status, known := clinical.MedicationAdministrationStatus(a.Status)
	f := w.begin(a.head, clinical.KindDose, status, "")
	switch {
	case f.reason != "":
		return f
	case !known:
		return f.wrong("status is no status of an administration: %q", a.Status)
	}
	if f = w.own(f, a.Context, a.Subject); f.done() {
		return f
	}
	at, err := a.givenAt(w)
	switch {
	case status == clinical.EnteredInError:
		if err == nil && f.recorded.IsZero() {
			f.recorded = at
		}
		return f.retract()
	case status == clinical.NoFact:
		return f.none()
	case err != nil:
		return f.failed(err)
	}
	b := clinical.Dose{GivenAt: at}
	use := false
	if b.Drug, use, err = w.drugOf(a.drugged, a.Contained); err != nil {
		return f.failed(err)
	}
	if !use {
		return f.skip()
	}
	if a.Dosage != nil {
		b.Route = routeOf(a.Dosage.Route)
		if b.Dose, b.DoseUnit, err = amountOf(a.Dosage.amount(), b.Drug); err != nil {
			return f.failed(err)
		}
	}
	if a.Request != nil {
		if b.OrderID, err = w.orderOf(*a.Request); err != nil {
			f.err = err
			return f
		}
	}
	return f.put(b)
}

func (a medicationAdministration) givenAt(w *work) (time.Time, error) {
	if a.EffectiveDateTime == "" && a.EffectivePeriod != nil {
		return ofDay("effectivePeriod.start", a.EffectivePeriod.Start, w.o.Zone)
	}
	return ofDay("effectiveDateTime", a.EffectiveDateTime, w.o.Zone)
}

// orderOf is the identity of the order that a reference names.
func (w *work) orderOf(r reference) (string, error) {
	if key := r.main("MedicationRequest"); typeAndID(key) == key {
		return key, nil
	}
	card, ok, err := w.last(r.keys("MedicationRequest"))
	if err != nil || !ok {
		return "", err
	}
	var h head
	if json.Unmarshal(card.Body, &h) != nil {
		return "", nil
	}
	return h.key(), nil
}
