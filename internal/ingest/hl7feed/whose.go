package hl7feed

import (
	"encoding/json"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// forever is after every merge.
var forever = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// decode reads what this package wrote; anything else says nothing.
func decode[B any](text []byte) (b B) {
	_ = json.Unmarshal(text, &b)
	return b
}

// resolver finds whose facts are, after merges.
type resolver struct {
	Reader
	look records.Look
}

// person is the patient to whom a patient belongs at a moment, and when that changed.
func (w resolver) person(id string, at time.Time) (string, []time.Time, error) {
	return w.follow(personTopic, id, at)
}

// visit is likewise the visit of a visit.
func (w resolver) visit(id string, at time.Time) (string, []time.Time, error) {
	return w.follow(movedTopic, id, at)
}

// follow goes from merge to merge, each of the last one that was known at the moment.
func (w resolver) follow(topic func(string) string, id string, at time.Time) (string, []time.Time, error) {
	var when []time.Time
	been := map[string]bool{}
	for id != "" && !been[id] {
		been[id] = true
		list, _, err := versionsAt[mergeSaid](topic(id), w.look)
		if err != nil {
			return id, when, err
		}
		next := ""
		for _, m := range list {
			if !m.RecordedAt.After(at) {
				next = m.body.New
				when = append(when, m.RecordedAt)
			}
		}
		if next == "" || been[next] {
			return id, when, nil
		}
		id = next
	}
	return id, when, nil
}

// whose is to which stay, or patient, a fact belongs at a moment.
type whose struct {
	stay, patient string
	none          bool // its visit is known, and makes no stay
}

func (w resolver) of(o owner, at time.Time) (out whose, when []time.Time, err error) {
	if o.Visit == "" {
		out.patient, when, err = w.person(o.Patient, at)
		return out, when, err
	}
	if out.stay, when, err = w.visit(o.Visit, at); err != nil {
		return out, when, err
	}
	parts, err := w.look(visitTopic(out.stay))
	if err != nil || len(parts) == 0 {
		return out, when, err
	}
	for _, p := range parts {
		said := decode[visitSaid](p.Body)
		if said.Event == "A06" || w.staying(said.Class) {
			out.none = false
			break
		}
		out.none = out.none || said.Class != ""
	}
	return out, when, nil
}

// version begins a version of a fact of this stay or patient.
func (w whose) version(kind clinical.Kind, source string) clinical.Version {
	return clinical.Version{Kind: kind, SourceID: source, StayID: w.stay, PatientID: w.patient, Status: clinical.Final}
}

// owned is a part that says whose it is.
type owned interface{ ofWhom() owner }

func (o owner) ofWhom() owner { return o }

// composeFact makes the versions of one fact: at each moment of what its versions say till
// then. fold gives the body, and the status; a nil body with EnteredInError takes it back,
// one with another status is not known yet.
func composeFact[B owned](
	r Reader, topic string, kind clinical.Kind, look records.Look,
	fold func(told []version[B]) (source string, status clinical.Status, body clinical.Body),
) (out records.Composed, err error) {
	list, moved, err := versionsAt[B](topic, look)
	if err != nil || len(list) == 0 {
		return out, err
	}
	who := resolver{r, look}
	var others []time.Time
	for _, v := range list {
		_, at, err := who.of(v.body.ofWhom(), forever)
		if err != nil {
			return out, err
		}
		others = append(others, at...)
	}
	var h history
	n, skipped, waits := 0, false, false
	for _, at := range moments(list, others) {
		for n < len(list) && !list[n].RecordedAt.After(at) {
			n++
		}
		if n == 0 {
			continue
		}
		last := list[n-1]
		w, _, err := who.of(last.body.ofWhom(), at)
		if err != nil {
			return out, err
		}
		source, status, body := fold(list[:n])
		if skipped, waits = w.none, body == nil && status != clinical.EnteredInError; skipped || waits {
			continue
		}
		v := w.version(kind, source)
		if v.Status, v.Body = status, body; status == clinical.EnteredInError && !h.begun() {
			skipped = true
			continue
		}
		h.add(v, last.Part, at)
	}
	out.Versions = h.versions
	if len(out.Versions) == 0 && !moved {
		switch {
		case skipped:
			out.Ends = map[string]records.End{list[0].ID: records.PartSkipped}
		case waits:
			out.Ends = map[string]records.End{list[0].ID: records.PartWaits}
		}
	}
	return out, nil
}
