package hl7feed

import (
	"slices"
	"strconv"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/records"
)

// spanSaid is what a message says of a limb that must not be measured, or of a precaution:
// that it begins at a moment, or ends then, or was said in error.
type spanSaid struct {
	owner
	Source    string
	Kind      clinical.Kind
	What      string // the limb, or the precaution
	Reason    string `json:",omitempty"` // of a restriction; an end with one ends those of that reason
	At        time.Time
	Ends      bool `json:",omitempty"`
	Gone      bool `json:",omitempty"`
	Corrected bool `json:",omitempty"`
}

// spansTopic is where the beginnings and ends of one stay meet.
func spansTopic(kind clinical.Kind, w owner) string {
	if w.Visit != "" {
		return "spans " + string(kind) + " visit " + w.Visit
	}
	return "spans " + string(kind) + " person " + w.Patient
}

// span reads a restriction or a precaution.
func (t *told) span(g *group, o observed, m meant, at time.Time, x row) {
	s := spanSaid{
		owner: g.owner, Source: sourceOf(g.id, o.set(), at), Kind: m.factKind(),
		What: m.entry.Value, Reason: m.entry.Reason, At: at,
		Gone: x.status == clinical.EnteredInError, Corrected: x.status == clinical.Corrected,
	}
	if !s.Gone {
		word, reason := t.wordOf(o, m.entry)
		switch {
		case reason != "" && (len(m.entry.Words) > 0 || s.What == ""):
			x.reason = reason
		case reason != "", word == codes.Yes, word == codes.Begins: // the code alone says it
		case word == codes.No, word == codes.Ends:
			s.Ends = true
		default:
			s.What = word
		}
		if s.What == "" && x.reason == "" {
			x.reason = "the site's table does not say of what the code " + strconv.Quote(m.entry.Code) + " speaks"
		}
	}
	x.source, x.part.Kind = s.Source, s.Kind
	if x.reason == "" {
		topic := spansTopic(s.Kind, g.owner)
		x.part = t.part(s.Kind, "span "+s.Source, s, records.Topic{Name: topic})
	}
	t.add(x)
}

// composeSpans makes restrictions or precautions of their beginnings and ends.
func (r Reader) composeSpans(topic string, look records.Look) (out records.Composed, err error) {
	list, _, err := versionsAt[spanSaid](topic, look)
	if err != nil || len(list) == 0 {
		return out, err
	}
	who := resolver{r, look}
	_, others, err := who.of(list[0].body.owner, forever)
	if err != nil {
		return out, err
	}
	facts := map[string]*history{}
	all := moments(list, others)
	skipped := false
	for _, at := range all {
		known := knownSpans(list, at)
		for _, v := range known {
			if v.body.Ends {
				continue
			}
			w, _, err := who.of(v.body.owner, at)
			if err != nil {
				return out, err
			}
			if skipped = w.none; skipped {
				continue
			}
			h := facts[v.body.Source]
			if h == nil {
				h = &history{}
				facts[v.body.Source] = h
			}
			fact := w.version(v.body.Kind, v.body.Source)
			if fact.Body = v.body.until(endOf(v.body, known)); v.body.Corrected {
				fact.Status = clinical.Corrected
			}
			if v.body.Gone {
				fact.Status, fact.Body = clinical.EnteredInError, nil
				if !h.begun() {
					continue
				}
			}
			h.add(fact, by(list, at), at)
		}
	}
	sources := make([]string, 0, len(facts))
	for source := range facts {
		sources = append(sources, source)
	}
	slices.Sort(sources)
	for _, source := range sources {
		out.Versions = append(out.Versions, facts[source].versions...)
	}
	if skipped {
		out.Ends = map[string]records.End{}
		for _, v := range list {
			out.Ends[v.ID] = records.PartSkipped
		}
	}
	return out, nil
}

// knownSpans are the last versions by a moment.
func knownSpans(list []version[spanSaid], at time.Time) (known []version[spanSaid]) {
	for _, v := range list { // from the oldest on
		if v.RecordedAt.After(at) {
			break
		}
		known = slices.DeleteFunc(known, func(o version[spanSaid]) bool { return o.ID == v.ID })
		known = append(known, v)
	}
	return known
}

// by is the part that brought what is known at a moment.
func by(list []version[spanSaid], at time.Time) (p records.Part) {
	for _, v := range list {
		if !v.RecordedAt.After(at) {
			p = v.Part
		}
	}
	return p
}

// endOf is the first end after the beginning of the same thing, and of its reason where the
// end names one.
func endOf(s spanSaid, known []version[spanSaid]) (end *time.Time) {
	for _, v := range known {
		e := v.body
		if !e.Ends || e.Gone || e.What != s.What || e.Reason != "" && e.Reason != s.Reason || !s.At.Before(e.At) {
			continue
		}
		if end == nil || e.At.Before(*end) {
			at := e.At
			end = &at
		}
	}
	return end
}

func (s spanSaid) until(end *time.Time) clinical.Body {
	if s.Kind == clinical.KindPrecaution {
		return clinical.Precaution{Precaution: s.What, StartedAt: s.At, EndedAt: end}
	}
	reason := s.Reason
	if reason == "" {
		reason = "other"
	}
	return clinical.Restriction{Limb: s.What, Reason: reason, StartedAt: s.At, EndedAt: end}
}
