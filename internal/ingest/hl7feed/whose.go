package hl7feed

import (
	"cmp"
	"encoding/json"
	"slices"
	"strings"
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

// step is a merge on the way from one to whom it belongs.
type step struct {
	old, new string
	at       time.Time
}

// follow goes from merge to merge, each of the last one that was known at the moment. Where they lead in a
// circle, for a merge was taken back by its reverse, the latest of them counts.
func (w resolver) follow(topic func(string) string, id string, at time.Time) (string, []time.Time, error) {
	var when []time.Time
	var way []step
	for id != "" {
		list, _, err := versionsAt[mergeSaid](topic(id), w.look)
		if err != nil {
			return id, when, err
		}
		s := step{old: id}
		for _, m := range list {
			if !m.RecordedAt.After(at) {
				s.new, s.at = m.body.New, m.RecordedAt
				when = append(when, m.RecordedAt)
			}
		}
		if s.new == "" {
			return id, when, nil
		}
		way = append(way, s)
		if n := slices.IndexFunc(way, func(been step) bool { return been.old == s.new }); n >= 0 {
			return latest(way[n:]).new, when, nil
		}
		id = s.new
	}
	return id, when, nil
}

// latest is the latest of the merges of a circle, from wherever it was entered.
func latest(circle []step) step {
	return slices.MaxFunc(circle, func(a, b step) int {
		return cmp.Or(a.at.Compare(b.at), strings.Compare(a.new, b.new))
	})
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
) (records.Composed, error) {
	return composeFacts(r, topic, kind, look, func(told []version[B]) []folded {
		source, status, body := fold(told)
		return []folded{{source, status, body}}
	})
}

// folded is what is known of a fact at a moment.
type folded struct {
	source string
	status clinical.Status
	body   clinical.Body
}

// composeFacts likewise makes the versions of the facts of one topic. One that is not among them any more is
// taken back.
func composeFacts[B owned](
	r Reader, topic string, kind clinical.Kind, look records.Look, fold func(told []version[B]) []folded,
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
	var facts histories
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
		if skipped, waits = w.none, false; skipped {
			continue
		}
		for _, f := range facts.withGone(fold(list[:n])) {
			if f.body == nil && f.status != clinical.EnteredInError {
				waits = true
				continue
			}
			v, h := w.version(kind, f.source), facts.of(f.source)
			if v.Status, v.Body = f.status, f.body; f.status == clinical.EnteredInError && !h.begun() {
				skipped = true
				continue
			}
			h.add(v, last.Part, at)
		}
	}
	out.Versions = facts.versions()
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

// histories are those of the facts of one topic, by their source, in the order in which they came up.
type histories struct {
	sources []string
	facts   map[string]*history
}

func (l *histories) of(source string) *history {
	if l.facts == nil {
		l.facts = map[string]*history{}
	}
	h := l.facts[source]
	if h == nil {
		h = &history{}
		l.facts[source], l.sources = h, append(l.sources, source)
	}
	return h
}

// withGone adds those that have been there and are not now.
func (l *histories) withGone(now []folded) []folded {
	for _, source := range l.sources {
		if !slices.ContainsFunc(now, func(f folded) bool { return f.source == source }) {
			now = append(now, folded{source, clinical.EnteredInError, nil})
		}
	}
	return now
}

func (l *histories) versions() (out []clinical.Version) {
	for _, source := range l.sources {
		out = append(out, l.facts[source].versions...)
	}
	return out
}
