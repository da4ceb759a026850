package fhirfeed

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// condition is what a Condition says: a diagnosis by its ICD-10 code, or a fall by the site's
// table.
func (w *work) condition(c condition) fact {
	e, mapped := w.entryOf(c.Code)
	icd, text := icd10Of(c.Code)
	removed := c.VerificationStatus.has("refuted") || c.VerificationStatus.has("entered-in-error")
	kind := clinical.KindCondition
	if mapped && e.Kind == codes.Fall {
		kind = clinical.KindFall
	}
	f := w.begin(c.head, kind, clinical.Final, c.RecordedDate)
	if f.reason != "" {
		return f
	}
	if mapped && e.Kind == codes.Ignore || kind == clinical.KindCondition && icd == "" && !removed {
		w.sawConcept(records.SeenCondition, c.Code)
		return f.skip()
	}
	if removed {
		f.status = clinical.EnteredInError
	}
	if f = w.own(f, c.Encounter, c.Subject); f.done() {
		return f
	}
	if removed {
		if kind == clinical.KindCondition && icd == "" {
			return f.none() // it takes back whatever it was
		}
		return f.retract()
	}
	if kind == clinical.KindFall {
		onset := c.OnsetDateTime
		if onset == "" && c.OnsetPeriod != nil {
			onset = c.OnsetPeriod.Start
		}
		return w.fall(f, e, "onset", onset, c.RecordedDate, c.Severity)
	}
	return f.put(clinical.Condition{ICD10: icd, Text: text})
}

// icd10Of is the code of ICD-10 or ICD-10-CM of a concept, and what it says.
func icd10Of(c *concept) (code, text string) {
	if c == nil {
		return "", ""
	}
	for _, k := range c.Coding {
		if k.of(icdSystems) && strings.TrimSpace(k.Code) != "" {
			if text = strings.TrimSpace(k.Display); text == "" {
				text = strings.TrimSpace(c.Text)
			}
			return strings.TrimSpace(k.Code), text
		}
	}
	return "", ""
}

// fall is a fall by the site's table, with its injury by the table too.
func (w *work) fall(f fact, e codes.Entry, name, at, recorded string, severity *concept) fact {
	m, err := started(name, at, w.o.Zone)
	if err != nil {
		return f.wrong("%v", err)
	}
	b := clinical.Fall{FellAt: m.at, Injury: e.Value}
	if words := severity.words(); len(e.Words) > 0 && len(words) > 0 {
		word, ok := e.Meaning(words...)
		if !ok {
			w.sawWord(e, words...)
			return f.wrong("the site's table has no word for the severity %q of the code %q", strings.Join(words, " "), e.Code)
		}
		if slices.Contains(clinical.Injuries, word) {
			b.Injury = word
		}
	}
	f = f.put(b)
	f.recordedBy(m.at, recorded)
	return f
}

// adverseEvent is a fall where the site's table says so.
func (w *work) adverseEvent(a adverseEvent) fact {
	e, mapped := w.entryOf(a.Event)
	h := a.head()
	if !mapped || e.Kind != codes.Fall {
		w.sawConcept(records.SeenEvent, a.Event)
		return fact{head: h}.skip()
	}
	f := w.begin(h, clinical.KindFall, clinical.Final, a.RecordedDate)
	if f.reason != "" {
		return f
	}
	if f = w.own(f, a.Encounter, a.Subject); f.done() {
		return f
	}
	switch a.Actuality {
	case "actual":
		return w.fall(f, e, "date", a.Date, a.RecordedDate, a.Severity)
	case "potential":
		return f.none()
	}
	return f.wrong("actuality is none of actual, potential: %q", a.Actuality)
}

var flagStatuses = map[string]bool{"active": true, "inactive": true, "entered-in-error": true}

// flag is a precaution or a restriction by the site's table.
func (w *work) flag(g flag) fact {
	e, mapped := w.entryOf(g.Code)
	kind := clinical.KindPrecaution
	switch {
	case g.Status == string(clinical.EnteredInError) && !mapped:
		return w.begin(g.head, "", clinical.EnteredInError, "").orSkip()
	case !mapped || e.Kind != codes.Precaution && e.Kind != codes.Restriction:
		w.sawConcept(records.SeenFlag, g.Code)
		return fact{head: g.head}.skip()
	case e.Kind == codes.Restriction:
		kind = clinical.KindRestriction
	}
	f := w.begin(g.head, kind, clinical.Final, "")
	switch {
	case f.reason != "":
		return f
	case !flagStatuses[g.Status]:
		return f.wrong("status is no status of a flag: %q", g.Status)
	case g.Status == string(clinical.EnteredInError):
		f.status = clinical.EnteredInError
	}
	if f = w.own(f, g.Encounter, g.Subject); f.done() {
		return f
	}
	start, end, err := g.span(w)
	if f.status == clinical.EnteredInError {
		if err == nil && f.recorded.IsZero() {
			f.recorded = start
		}
		return f.retract()
	}
	if err == nil && g.Status == "inactive" && end == nil {
		if !f.stated {
			return f.wrong("it is inactive, and neither period.end nor meta.lastUpdated says since when")
		}
		end = &f.recorded
	}
	if err != nil {
		return f.wrong("%v", err)
	}
	return f.flagged(e, start, end)
}

// orSkip is what entered in error takes back, or nothing where it has no identity or moment.
func (f fact) orSkip() fact {
	if f.reason != "" || f.recorded.IsZero() {
		return fact{head: f.head}.skip()
	}
	return f.none()
}

func (g flag) span(w *work) (start time.Time, end *time.Time, err error) {
	if g.Period == nil {
		return start, nil, nil
	}
	m, err := readMoment(g.Period.Start, w.o.Zone)
	if err != nil {
		return start, nil, fmt.Errorf("period.start %w", err)
	}
	end, err = ended("period.end", g.Period.End, w.o.Zone)
	return m.at, end, err
}

func (f fact) flagged(e codes.Entry, start time.Time, end *time.Time) fact {
	if start.IsZero() && !f.stated {
		return f.wrong("period.start and meta.lastUpdated are missing: one of them is needed")
	}
	if f.kind == clinical.KindRestriction {
		switch {
		case e.Value == "":
			return f.wrong("the site's table gives no limb for the code %q", e.Code)
		case e.Reason == "":
			return f.wrong("the site's table gives no reason for the code %q", e.Code)
		}
		return f.put(clinical.Restriction{Limb: e.Value, Reason: e.Reason, StartedAt: start, EndedAt: end})
	}
	if start.IsZero() {
		start = f.recorded
	}
	return f.put(clinical.Precaution{Precaution: e.Value, StartedAt: start, EndedAt: end})
}

var procedureStatuses = map[string]bool{
	"preparation": true, "in-progress": true, "not-done": true, "on-hold": true, "stopped": true,
	"completed": true, "entered-in-error": true, "unknown": true,
}

// procedure is a clearance where the site's table says so.
func (w *work) procedure(p procedure) fact {
	e, mapped := w.entryOf(p.Code)
	switch {
	case p.Status == string(clinical.EnteredInError) && !mapped:
		return w.begin(p.head, "", clinical.EnteredInError, "").orSkip()
	case !mapped || e.Kind != codes.Clearance:
		w.sawConcept(records.SeenProcedure, p.Code)
		return fact{head: p.head}.skip()
	}
	f := w.begin(p.head, clinical.KindClearance, clinical.Final, "")
	if f.reason != "" {
		return f
	}
	if !procedureStatuses[p.Status] {
		f.nothing = true // held, it clears nobody any more
		return f.wrong("status is no status of a procedure: %q", p.Status)
	}
	if f = w.own(f, p.Encounter, p.Subject); f.done() {
		return f
	}
	if p.Status == string(clinical.EnteredInError) && !f.recorded.IsZero() {
		f.status = clinical.EnteredInError
		return f.retract()
	}
	if p.Status != string(clinical.Completed) {
		return f.none()
	}
	text, name := p.PerformedDateTime, "performedDateTime"
	if text == "" && p.PerformedPeriod != nil {
		text, name = p.PerformedPeriod.Start, "performedPeriod.start"
	}
	at, err := ofDay(name, text, w.o.Zone)
	if err != nil {
		f.nothing = true
		return f.wrong("%v", err)
	}
	if len(p.Performer) > 0 {
		f.said.By = byOf(p.Performer[0].Actor, p.head)
	}
	return f.put(clinical.Clearance{ClearedAt: at})
}

// byOf is who did something: as the reference displays, else as the Practitioner is called.
func byOf(r reference, h head) pointer {
	by := r.pointer("Practitioner", "")
	var who patient
	if raw := contained(h.Contained, r.Reference); by.Display == "" && raw != nil && decode(raw, &who) == nil {
		by.Display = who.name()
	}
	return by
}
