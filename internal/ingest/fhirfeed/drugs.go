package fhirfeed

import (
	"encoding/json"
	"errors"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// drugSaid is a drug as a concept names it.
type drugSaid struct {
	clinical.Drug
	First   string `json:",omitempty"` // its first code, where it has no text
	Ignored bool   `json:",omitempty"` // of no concern, by the site's table
}

// drug is the drug with a text; shown is what the reference to it displays.
func (d drugSaid) drug(shown string) clinical.Drug {
	out := d.Drug
	for _, text := range []string{shown, d.ATC, d.RxNorm, d.First} {
		if out.Text == "" {
			out.Text = text
		}
	}
	return out
}

func (w *work) drugSaid(c *concept) (d drugSaid) {
	e, mapped := w.entryOf(c)
	d.Ignored = mapped && e.Kind == codes.Ignore
	if c != nil {
		for _, k := range c.Coding {
			switch {
			case k.of(atcSystems) && d.ATC == "":
				d.ATC = strings.TrimSpace(k.Code)
			case k.of(rxNormSystems) && d.RxNorm == "":
				d.RxNorm = strings.TrimSpace(k.Code)
			}
		}
		d.Text, d.First = c.text(), firstCode(c)
	}
	if mapped && e.Kind == codes.Drug {
		d.ATC = e.Value
	}
	if _, known := d.Ingredients(); !known && !d.Ignored {
		w.sawConcept(records.SeenDrugCode, c)
	}
	return d
}

// drugOf finds the drug of an order or a dose, or what names it.
func (w *work) drugOf(d drugged, f *fact) error {
	r := d.MedicationReference
	switch raw := referred(r, f.head); {
	case d.MedicationCodeableConcept != nil:
		named := w.drugSaid(d.MedicationCodeableConcept)
		f.said.Drug = &named
	case raw != nil:
		var m medication
		if err := decode(raw, &m); err != nil {
			return err
		}
		named := w.drugSaid(m.Code)
		named.Drug = named.drug(strings.TrimSpace(r.Display))
		f.said.Drug = &named
	case r != nil:
		f.said.Medication = r.pointer("Medication", "")
	}
	named := f.said.Drug != nil && f.said.Drug.drug("").Text != "" || len(f.said.Medication.Names) > 0 || f.said.Medication.Display != ""
	if !named && (f.said.Drug == nil || !f.said.Drug.Ignored) {
		return errors.New("drug is missing")
	}
	return nil
}

func referred(r *reference, h head) json.RawMessage {
	if r == nil {
		return nil
	}
	return contained(h.Contained, r.Reference)
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

// amountSaid is a dose with its unit, as they were written; nil where it is not one number.
func amountSaid(q *quantity) (dose *float64, unit string, err error) {
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
	return &f, doseUnit(q), nil
}

// amountOf is a dose with its unit. Without a unit it counts the strength that the drug's
// text states; where that states none, the dose is not known.
func amountOf(dose *float64, unit string, drug clinical.Drug) (*float64, string) {
	if dose == nil || unit != "" && unit != "1" {
		return dose, unit
	}
	list, _ := drug.Ingredients()
	if len(list) == 1 && list[0].StrengthMG != nil {
		f := *dose * *list[0].StrengthMG
		return &f, "mg"
	}
	for _, i := range list {
		if i.StrengthMG != nil {
			return dose, "tablet" // each ingredient has a strength of its own
		}
	}
	return nil, ""
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
	case status == clinical.NoFact || !wanted || r.DoNotPerform: // a modifier of R4: an order not to give it
		return f.none()
	}
	if err := w.drugOf(r.drugged, &f); err != nil {
		return f.wrong("%v", err)
	}
	body, err := w.orderBody(r)
	if err != nil {
		return f.wrong("%v", err)
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
			f = f.put(body)
			f.recorded = *body.EndAt
			return f
		}
	}
	return f.put(body)
}

func (w *work) orderBody(r medicationRequest) (b clinical.Order, err error) {
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
		return b, err
	}
	b.StartAt = from.at
	if b.EndAt, err = ended("the end", end, w.o.Zone); err != nil {
		return b, err
	}
	if b.Dose, b.DoseUnit, err = amountSaid(d.amount()); err != nil {
		return b, err
	}
	b.Route, b.TimesPerDay = routeOf(d.Route), d.timesPerDay()
	b.AsNeeded = d.AsNeededBoolean != nil && *d.AsNeededBoolean || d.AsNeededCodeableConcept != nil
	return b, nil
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
		return f.wrong("%v", err)
	}
	b := clinical.Dose{GivenAt: at}
	if err := w.drugOf(a.drugged, &f); err != nil {
		return f.wrong("%v", err)
	}
	if a.Dosage != nil {
		b.Route = routeOf(a.Dosage.Route)
		if b.Dose, b.DoseUnit, err = amountSaid(a.Dosage.amount()); err != nil {
			return f.wrong("%v", err)
		}
	}
	if a.Request != nil {
		f.said.Prescribed = a.Request.pointer("MedicationRequest", "")
	}
	return f.put(b)
}

func (a medicationAdministration) givenAt(w *work) (time.Time, error) {
	if a.EffectiveDateTime == "" && a.EffectivePeriod != nil {
		return ofDay("effectivePeriod.start", a.EffectivePeriod.Start, w.o.Zone)
	}
	return ofDay("effectiveDateTime", a.EffectiveDateTime, w.o.Zone)
}
