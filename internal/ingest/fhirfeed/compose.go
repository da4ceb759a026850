package fhirfeed

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Compose implements feed.Composer. The first word of a topic is its kind.
func (Reader) Compose(topic string, look records.Look, _ feed.Options) (records.Composed, error) {
	kind, _, _ := strings.Cut(topic, " ")
	switch kind {
	case "visit":
		return composeVisit(topic, look)
	case "reading":
		return composeReading(topic, look)
	case "echo":
		return composeEcho(topic, look)
	case "fact":
		return composeFact(topic, look)
	}
	return composeNothing(topic, look) // resources that are looked at
}

// composeNothing says of resources that others look at that nothing comes of them alone.
func composeNothing(topic string, look records.Look) (out records.Composed, err error) {
	parts, err := look(topic)
	out.Ends = map[string]records.End{}
	for _, p := range parts {
		out.Ends[p.ID] = records.PartSkipped
	}
	return out, err
}

// factHistory makes the versions of one fact of those of its resource: at each moment at which
// one was recorded, or its patient became another, of what was said by then.
type factHistory struct {
	resolver
	topic    string
	versions []clinical.Version
	live     *clinical.Version // what holds now
	end      records.End       // of the last version
}

func composeFact(topic string, look records.Look) (out records.Composed, err error) {
	parts, err := look(topic)
	if err != nil || len(parts) == 0 {
		return out, err
	}
	h := factHistory{resolver: resolver{look}, topic: topic}
	for n, p := range parts {
		if n+1 < len(parts) && parts[n+1].RecordedAt.Equal(p.RecordedAt) {
			continue // the later one counts
		}
		changes, err := h.add(p, p.RecordedAt)
		if err != nil {
			return out, err
		}
		for _, at := range within(changes, parts, n) {
			if _, err := h.add(p, at); err != nil {
				return out, err
			}
		}
	}
	out.Versions = h.versions
	if h.end != records.PartUsed {
		out.Ends = map[string]records.End{lastOf(parts).ID: h.end}
	}
	return out, nil
}

// within are the moments, in order, between the n-th version and the next.
func within(moments []time.Time, parts []records.Part, n int) (out []time.Time) {
	for _, t := range moments {
		if t.After(parts[n].RecordedAt) && (n+1 == len(parts) || t.Before(parts[n+1].RecordedAt)) {
			out = append(out, t)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

// add adds what a version of the resource says at a moment.
func (h *factHistory) add(p records.Part, at time.Time) (changes []time.Time, err error) {
	h.end = records.PartUsed
	if home := p.Topics[0].Name; home != h.topic {
		return nil, h.movedTo(home, p, at)
	}
	s, err := decodeBody[said](p)
	if err != nil {
		return nil, err
	}
	if s.None {
		if h.live == nil {
			h.end = records.PartSkipped
		}
		h.remove(p, at)
		return nil, nil
	}
	v := clinical.Version{
		Kind: s.Kind, SourceID: cmp.Or(s.Ours, p.ID), Status: s.Status, RecordedAt: at, Stated: s.Stated, File: p.File, Line: p.Line,
	}
	var who whose
	if !s.Visit.empty() || !s.Patient.empty() { // a retraction may name nobody
		if who, changes, err = h.of(s.Visit, s.Patient, at); err != nil {
			return nil, err
		}
	}
	v.StayID, v.PatientID = who.stay, who.patient
	if s.Status == clinical.EnteredInError {
		h.take(v, p)
		return nil, nil
	}
	switch {
	case who.none:
		h.end = records.PartSkipped
		h.remove(p, at)
		return nil, nil
	case who.unknown:
		h.end = records.PartWaits
		return nil, nil
	}
	body, end, err := h.body(s)
	if err != nil {
		return nil, err
	}
	if h.end = end; end == records.PartSkipped {
		h.remove(p, at)
	}
	if end == records.PartUsed {
		v.Body = body
		h.take(v, p)
	}
	return changes, nil
}

// take makes a version the one that holds.
func (h *factHistory) take(v clinical.Version, p records.Part) {
	if h.live != nil && h.live.Kind != v.Kind {
		h.remove(p, v.RecordedAt)
	}
	if h.live != nil && !v.RecordedAt.Equal(p.RecordedAt) && !changed(*h.live, v) {
		return
	}
	h.versions = append(h.versions, v)
	if h.live = &v; v.Removed() {
		h.live = nil
	}
}

// remove takes back what holds.
func (h *factHistory) remove(p records.Part, at time.Time) {
	if h.live != nil {
		h.versions = append(h.versions, removal(*h.live, p, at))
		h.live = nil
	}
}

func removal(was clinical.Version, p records.Part, at time.Time) clinical.Version {
	was.Status, was.Body, was.RecordedAt, was.Stated, was.File, was.Line = clinical.EnteredInError, nil, at, true, p.File, p.Line
	return was
}

// movedTo takes back what holds, unless it is the same fact in the topic to which the
// resource has moved: a reading that is an answer now.
func (h *factHistory) movedTo(home string, p records.Part, at time.Time) error {
	if h.live == nil {
		return nil
	}
	still, err := holdsThere(h.look, home, identity{h.live.Kind, h.live.SourceID}, at)
	if err == nil && !still {
		h.remove(p, at)
	}
	if still {
		h.live = nil
	}
	return err
}

// body is what a version says, with what the resources tell that it refers to.
func (h *factHistory) body(s said) (clinical.Body, records.End, error) {
	switch {
	case s.Clearance != nil:
		b := *s.Clearance
		var err error
		b.By, err = h.name(s.By)
		return b, records.PartUsed, err
	case s.Order == nil && s.Dose == nil:
		return s.Body(), records.PartUsed, nil
	}
	drug, waits, ignored, err := h.drug(s)
	switch {
	case err != nil:
		return nil, "", err
	case ignored:
		return nil, records.PartSkipped, nil
	case waits:
		return nil, records.PartWaits, nil
	}
	if s.Order != nil {
		b := *s.Order
		b.Drug = drug
		b.Dose, b.DoseUnit = amountOf(b.Dose, b.DoseUnit, drug)
		return b, records.PartUsed, nil
	}
	b := *s.Dose
	b.Drug = drug
	b.Dose, b.DoseUnit = amountOf(b.Dose, b.DoseUnit, drug)
	b.OrderID, err = h.order(s.Prescribed)
	return b, records.PartUsed, err
}
