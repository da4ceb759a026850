package hl7feed

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// single is what a message says of a fact that needs no other row. Of its bodies one is
// given; none where it is taken back.
type single struct {
	owner
	feed.Bodies
	Source    string
	Kind      clinical.Kind
	Gone      bool `json:",omitempty"`
	Corrected bool `json:",omitempty"`
	NotDone   bool `json:",omitempty"`
	Cleared   bool `json:",omitempty"` // a clearance that says yes
}

// sourceOf is the identity of a fact: of its group, number and time; the group's alone where it has come
// back from the record with the one that we gave it.
func sourceOf(group, set string, at time.Time) string {
	if clinical.IsOurs(group) {
		return group
	}
	return group + "/" + set + "/" + stampOf(at)
}

// addSingle adds a fact under its own topic.
func (t *told) addSingle(x row, s single) {
	topic := "fact " + string(s.Kind) + " " + s.Source
	if b := s.Body(); b != nil && x.reason == "" {
		x.reason = t.ahead(b)
	}
	if x.reason == "" && t.contradicts(s) {
		x.reason = "contradictory: another fact of this message has its number and time"
	}
	x.source, x.part.Kind = s.Source, s.Kind
	if x.reason == "" {
		x.part = t.part(s.Kind, topic, s, records.Topic{Name: topic})
	}
	t.add(x)
}

// contradicts reports whether the message says something else under the same identity, and not that it
// corrects it.
func (t *told) contradicts(s single) bool {
	says := string(encode(s))
	was, twice := t.singles[s.Source]
	if !twice || s.Corrected || s.Gone {
		if t.singles == nil {
			t.singles = map[string]string{}
		}
		t.singles[s.Source] = says
		return false
	}
	return was != says
}

// siteKinds are the kinds of fact of which the site's table may make one of the others by a later version.
var siteKinds = []clinical.Kind{clinical.KindFall, clinical.KindClearance, clinical.KindAnswer}

// noOther takes back what an earlier version of the observation was and this one is not. A clearance is
// none, too, once a later version of it cannot be used.
func (t *told) noOther(s single, held bool) (gone []records.Part) {
	for _, kind := range siteKinds {
		if kind == s.Kind && !(held && kind == clinical.KindClearance) {
			continue
		}
		topic := "fact " + string(kind) + " " + s.Source
		no := single{owner: s.owner, Source: s.Source, Kind: kind, Gone: true}
		gone = append(gone, t.part(kind, topic, no, records.Topic{Name: topic}))
	}
	return gone
}

// fact reads an OBX that is a fact of its own.
func (t *told) fact(g *group, o observed, m meant, at time.Time, x row) {
	source := sourceOf(g.id, o.set(), at)
	s := single{owner: g.owner, Source: source, Kind: m.factKind(), Gone: x.status == clinical.EnteredInError,
		Corrected: x.status == clinical.Corrected}
	if m.kind == codes.Precaution || m.kind == codes.Restriction {
		t.span(g, o, m, at, x)
		return
	}
	switch {
	case s.Gone:
	case m.Measure == clinical.MeasureWeight:
		s.Weight, x.reason = t.weightOf(o, at)
	case m.lab != "":
		s.Lab, x.reason = t.labOf(o, m.lab, at)
	default:
		s, x.reason = t.siteFact(o, m, at, s)
	}
	if slices.Contains(siteKinds, s.Kind) {
		if x.beside = t.noOther(s, x.reason != ""); x.reason != "" && s.Kind == clinical.KindClearance {
			x.reason += feed.ClearsNobody
		}
	}
	t.addSingle(x, s)
}

func (t *told) weightOf(o observed, at time.Time) (*clinical.Weight, string) {
	value, reason := numberOf(o)
	if reason != "" {
		return nil, reason
	}
	if value <= 0 {
		return nil, "the weight is not above zero"
	}
	_, factor, reason := t.unitOf(o, clinical.MeasureWeight)
	return &clinical.Weight{MeasuredAt: at, KG: value * factor}, reason
}

func (t *told) labOf(o observed, loinc string, at time.Time) (*clinical.Lab, string) {
	value, reason := numberOf(o)
	if reason != "" {
		return nil, reason
	}
	if loinc == clinical.Haemoglobin {
		_, factor, reason := t.unitOf(o, clinical.MeasureHaemoglobin)
		return &clinical.Lab{TakenAt: at, LOINC: loinc, Value: value * factor, Unit: "g/dL"}, reason
	}
	unit := o.first(6)
	shown := unit.component(1)
	if shown == "" {
		shown = unit.component(2)
	}
	if shown == "" {
		return nil, "no unit"
	}
	return &clinical.Lab{TakenAt: at, LOINC: loinc, Value: value, Unit: shown}, ""
}

// siteFact reads a fall, a clearance or an answer by the words of the site's table.
func (t *told) siteFact(o observed, m meant, at time.Time, s single) (single, string) {
	word, reason := t.wordOf(o, m.entry)
	if reason != "" && (m.entry.Value == "" || len(m.entry.Words) > 0) {
		return s, reason
	}
	if reason != "" || word == codes.Yes || word == codes.Begins {
		word = m.entry.Value // the code alone says it
	}
	switch m.kind {
	case codes.Fall:
		if s.Gone = word == codes.No; !s.Gone {
			s.Fall = &clinical.Fall{FellAt: at, Injury: word}
		}
	case codes.Clearance:
		if word, reason = t.wordOf(o, m.entry); reason != "" {
			return s, reason
		}
		if s.Gone = word != codes.Yes; !s.Gone {
			s.Clearance = &clinical.Clearance{ClearedAt: at, By: nameOf(shifted(o.first(16)))}
		}
	case codes.Answer:
		if s.Gone = word == codes.No; s.Gone {
			break
		}
		if !slices.Contains(clinical.Answers, word) {
			return s, "the site's table does not say which answer the code " + strconv.Quote(m.entry.Code) + " is"
		}
		s.Answer = &clinical.Answer{AnsweredAt: at, Answer: word, Reason: o.note}
	}
	return s, ""
}

// shifted drops the number that stands before a name.
func shifted(e element) element {
	_, rest, _ := strings.Cut(e.text, string(rune(e.sep.component)))
	return element{rest, e.sep}
}

func (r Reader) composeSingle(topic string, kind clinical.Kind, look records.Look) (records.Composed, error) {
	return composeFact(r, topic, kind, look, func(told []version[single]) (string, clinical.Status, clinical.Body) {
		last := told[len(told)-1].body
		switch {
		case last.Gone:
			return last.Source, clinical.EnteredInError, nil
		case last.NotDone:
			return last.Source, clinical.NotDone, last.Body()
		case last.Dose != nil:
			return last.Source, clinical.Completed, last.Body()
		case last.Corrected:
			return last.Source, clinical.Corrected, last.Body()
		}
		return last.Source, clinical.Final, last.Body()
	})
}

// condition reads a diagnosis coded by ICD-10.
func (t *told) condition(dg1 segment, w owner) {
	e := dg1.first(3)
	for _, n := range []int{1, 4} {
		switch strings.ToUpper(e.component(n + 2)) {
		case "I10", "I10C", "I10P", "ICD10", "ICD-10", "ICD10CM", "ICD-10-CM":
		default:
			continue
		}
		code := e.component(n)
		if code == "" || !w.known() {
			continue
		}
		s := single{owner: w, Kind: clinical.KindCondition, Source: w.Visit + "/DG1/" + code,
			Bodies: feed.BodiesOf(clinical.Condition{ICD10: code, Text: e.component(n + 1)})}
		if w.Visit == "" {
			s.Source = w.Patient + "/DG1/" + code
		}
		t.addSingle(row{key: "DG1 " + code, status: clinical.Final}, s)
		return
	}
}
