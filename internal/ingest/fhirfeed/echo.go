package fhirfeed

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// A resource with one of our own identities is what was taken here, come back: an echo. It is told by its
// identity whatever it says, and its parts are joined by that and not by their time.

// What ends the identities of a pulse and of a set; see package outbox.
const (
	pulseSuffix = "/pulse"
	setSuffix   = "/set"
)

// ours is the source_id of the fact taken here that a resource is an echo of; "" of any other. set reports
// that it is a whole set, which is no fact.
func (w *work) ours(h head) (id string, set bool) {
	if w.Installation == "" {
		return "", false
	}
	for _, i := range h.Identifier {
		if !strings.EqualFold(strings.TrimSpace(i.System), "urn:uuid:"+w.Installation) {
			continue
		}
		value := strings.TrimSpace(i.Value)
		if strings.HasSuffix(value, setSuffix) {
			return "", true
		}
		if id := strings.TrimSuffix(value, pulseSuffix); id != "" && len(id) <= longestName {
			return id, false
		}
	}
	return "", false
}

func echoTopic(id string) string { return "echo " + id }

// composeEcho makes versions of a reading taken here, as the record has it. Where it waits for its visit
// it names nobody: the fact itself tells whose it is.
func composeEcho(topic string, look records.Look) (out records.Composed, err error) {
	all, err := look(topic)
	if err != nil || len(all) == 0 {
		return out, err
	}
	e := echo{resolver: resolver{look}, topic: topic, id: strings.TrimPrefix(topic, "echo ")}
	if err := e.gather(all); err != nil {
		return out, err
	}
	var last *clinical.Version
	for _, t := range e.moments {
		v, says, err := e.at(t)
		if err != nil {
			return out, err
		}
		if says && (last == nil || changed(*last, v)) {
			out.Versions = append(out.Versions, v)
			last = &v
		}
	}
	return out, nil
}

// echo is what the resources of one reading say.
type echo struct {
	resolver
	topic, id string
	parts     [][]partVersion
	moments   []time.Time
}

func (e *echo) gather(all []records.Part) error {
	for start := 0; start < len(all); {
		end := start + 1
		for end < len(all) && all[end].ID == all[start].ID {
			end++
		}
		var versions []partVersion
		for _, p := range all[start:end] {
			v := partVersion{Part: p, part: part{Gone: true}}
			if p.Topics[0].Name == e.topic {
				said, err := decodeBody[part](p)
				if err != nil {
					return err
				}
				v.part = said
			}
			versions = append(versions, v)
			e.moments = append(e.moments, p.RecordedAt)
		}
		e.parts = append(e.parts, versions)
		start = end
	}
	slices.SortFunc(e.moments, time.Time.Compare)
	e.moments = slices.CompactFunc(e.moments, time.Time.Equal)
	return nil
}

// at is what was known at a moment; says is false where that is nothing.
func (e *echo) at(t time.Time) (v clinical.Version, says bool, err error) {
	var live, gone []partVersion
	var came partVersion
	for _, versions := range e.parts {
		p := knownAt(versions, t)
		if p == nil {
			continue
		}
		if p.RecordedAt.Equal(t) || came.ID == "" {
			came = *p
		}
		if p.Gone {
			gone = append(gone, *p)
		} else {
			live = append(live, *p)
		}
	}
	v = clinical.Version{
		Kind: clinical.KindVitals, SourceID: e.id, Status: clinical.EnteredInError, RecordedAt: t, Stated: true, File: came.File, Line: came.Line,
	}
	slices.SortStableFunc(live, func(a, b partVersion) int { return a.Rank - b.Rank })
	if len(live) == 0 {
		taken := slices.ContainsFunc(gone, func(p partVersion) bool { return p.Rank < rankPulse })
		return v, taken, nil
	}
	r := fullReading{parts: live[:1:1], merged: live[0].part}
	for _, p := range live[1:] {
		r.take(p)
	}
	who, _, err := e.of(r.merged.Visit, r.merged.Patient, t)
	if err != nil {
		return v, false, err
	}
	m := r.merged
	v.StayID, v.PatientID, v.Status, v.Stated = who.stay, who.patient, came.Status, came.Stated
	if came.Gone {
		v.Status = clinical.Corrected
	}
	body := clinical.Vitals{
		TakenAt: m.Taken, Systolic: m.Systolic, Diastolic: m.Diastolic, HeartRate: m.Pulse, Position: m.Position, Limb: m.Limb,
	}
	if m.KPa {
		body.PressureUnit = "kPa"
	}
	v.Body = body
	return v, true, nil
}
