package hl7feed

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// The topics. A visit is named by its number, a person by a patient's.
func visitTopic(visit string) string   { return "visit " + visit }
func movedTopic(visit string) string   { return "moved visit " + visit }
func personTopic(person string) string { return "person " + person }

// visitSaid is what a message says of a visit. Of a text nil leaves what was said before,
// an empty one deletes it.
type visitSaid struct {
	Event   string
	Patient string
	Class   string     `json:",omitempty"` // v3-ActCode; "-" for one that never makes a stay
	Name    *string    `json:",omitempty"`
	Birth   *string    `json:",omitempty"`
	Sex     *string    `json:",omitempty"`
	Place   *place     `json:",omitempty"`
	Other   *place     `json:",omitempty"` // in a swap: the place of the other visit
	From    *time.Time `json:",omitempty"` // PV1-44
	Until   *time.Time `json:",omitempty"` // PV1-45
	Stays   bool       `json:",omitempty"` // PV1-45 is deleted
	At      *time.Time `json:",omitempty"` // when it happened: EVN-6, else EVN-2
	Told    *time.Time `json:",omitempty"` // EVN-2
}

type place struct{ Unit, Bed string }

// mergeSaid says that what belonged to one patient, or visit, belongs to another.
type mergeSaid struct{ Old, New string }

// classes of PV1-2 in v3-ActCode.
var classes = map[string]string{"I": "IMP", "B": "IMP", "E": "EMER", "O": "AMB", "R": "AMB", "P": "PRENC"}

// visitEvents are those that make versions of a stay.
var visitEvents = []string{"A01", "A02", "A03", "A04", "A05", "A06", "A07", "A08", "A11", "A12", "A13", "A17"}

func (t *told) readADT() {
	switch t.trigger {
	case "A18", "A30", "A34", "A36", "A40":
		t.readMerge(personTopic, 1, func(s segment) string { return medicalRecord(s.repetitions(1)) })
	case "A41", "A45":
		t.readMerge(movedTopic, 5, func(s segment) string { return s.text(5) })
	default:
		if slices.Contains(visitEvents, t.trigger) {
			t.readVisits()
		}
	}
}

// readMerge reads whose facts belong to whom from now on.
func (t *told) readMerge(topic func(string) string, field int, old func(segment) string) {
	t.follow(func(s segment, w owner) {
		if s.name != "MRG" {
			return
		}
		m := mergeSaid{Old: old(s), New: w.Patient}
		if field == 5 {
			if m.New = w.Visit; m.New == "" {
				m.New = t.find("PV1").text(19)
			}
		}
		key := "merge " + m.Old
		switch {
		case m.Old == "":
			t.add(row{key: key, reason: "the merge does not name what is merged (MRG)"})
		case m.New == "":
			t.add(row{key: key, reason: "the merge does not name into what it is merged"})
		case m.Old != m.New:
			t.add(row{key: key, part: t.part("", key+" into "+m.New, m, records.Topic{Name: topic(m.Old)})})
		}
		if field == 5 && m.Old != "" && w.Patient != "" { // the visit is this patient's
			said := visitSaid{Event: t.trigger, Patient: w.Patient}
			to := records.Topic{Name: visitTopic(m.New)}
			t.add(row{key: "patient of " + m.New, part: t.part(clinical.KindStay, "visit "+m.New, said, to)})
		}
	})
}

// readVisits reads what the message says of each visit in it, and what comes with it.
func (t *told) readVisits() {
	var pid segment
	var swapped []int
	t.follow(func(s segment, w owner) {
		switch s.name {
		case "PID":
			pid = s
		case "PV1":
			if x, ok := t.visit(pid, s, w); ok {
				t.add(x)
				swapped = append(swapped, len(t.rows)-1)
			}
		case "DG1":
			t.condition(s, w)
		}
	})
	if len(swapped) == 0 {
		t.noVisit()
	}
	if t.trigger == "A17" {
		t.swap(swapped)
	}
	t.readObservations()
}

// noVisit names a message about a visit that has none.
func (t *told) noVisit() {
	if t.trigger != "A08" { // an update may be of the person alone
		t.add(row{key: "visit", part: records.Part{Kind: clinical.KindStay}, reason: "the message names no visit (PV1)"})
	}
}

func (t *told) visit(pid, pv1 segment, w owner) (row, bool) {
	x := row{key: "visit " + w.Visit, source: w.Visit, part: records.Part{Kind: clinical.KindStay}, status: clinical.Final}
	wrong := func(reason string) (row, bool) { x.reason = reason; return x, true }
	switch {
	case w.Visit == "":
		return wrong("the visit has no number (PV1-19, PID-18)")
	case w.Patient == "":
		return wrong("the patient has no identifier (PID-3)")
	}
	said := visitSaid{Event: t.trigger, Patient: w.Patient, Class: classOf(pv1.text(2))}
	if said.Class == "-" {
		t.saw(records.SeenClass, "PV1-2", pv1.text(2), "")
	}
	said.Name, said.Sex = saidText(pid, 5, nameOf), saidText(pid, 8, sexOf)
	said.Birth = saidText(pid, 7, func(e element) string { return birthDate(e.component(1)) })
	said.Place = placeOf(pv1, 3)
	for _, d := range []struct {
		from segment
		n    int
		to   **time.Time
		name string
	}{
		{pv1, 44, &said.From, "PV1-44"}, {pv1, 45, &said.Until, "PV1-45"},
		{t.find("EVN"), 2, &said.Told, "EVN-2"}, {t.find("EVN"), 6, &said.At, "EVN-6"},
	} {
		text := d.from.text(d.n)
		if text == "" {
			continue
		}
		at, reason := stamp(text, t.options.Zone)
		if reason != "" {
			return wrong(d.name + ": " + reason)
		}
		*d.to = &at
	}
	said.Stays = pv1.deletes(45)
	if said.At == nil {
		said.At = said.Told
	}
	if began := said.admitted(time.Time{}); !began.IsZero() {
		if reason := t.ahead(clinical.Stay{AdmittedAt: began}); reason != "" {
			return wrong(reason)
		}
	}
	says := ""
	switch {
	case said.Event == "A06" || t.staying(said.Class):
		says = "stay"
	case said.Class != "":
		says = "none"
	}
	x.part = t.part(clinical.KindStay, "visit "+w.Visit, said, records.Topic{Name: visitTopic(w.Visit), Says: says})
	return x, true
}

// ahead says which time of what is said to have happened lies ahead of its recording.
func (t *told) ahead(body clinical.Body) string {
	return feed.Ahead(clinical.Version{RecordedAt: t.recordedAt, Stated: true, Body: body}, t.options.Now)
}

func classOf(text string) string {
	if text == "" {
		return ""
	}
	if c, known := classes[text]; known {
		return c
	}
	return "-"
}

func (r Reader) staying(class string) bool { return slices.Contains(r.StayClasses, class) }

// saidText is a text as a field says it: nil where it says nothing, empty where it deletes it.
func saidText(s segment, n int, read func(element) string) *string {
	if s.field(n) == "" {
		return nil
	}
	text := ""
	if !s.deletes(n) {
		text = read(s.first(n))
	}
	return &text
}

func nameOf(e element) string {
	family, given := e.component(1), e.component(2)
	if family == "" || given == "" {
		return family + given
	}
	return family + ", " + given
}

var sexes = map[string]string{"M": "male", "F": "female", "O": "other", "A": "other", "N": "other"}

func sexOf(e element) string {
	if s, known := sexes[strings.ToUpper(e.component(1))]; known {
		return s
	}
	return "unknown"
}

// placeOf is a location of PV1: nil where the field is empty.
func placeOf(pv1 segment, n int) *place {
	if pv1.field(n) == "" {
		return nil
	}
	l := pv1.first(n)
	p := place{Unit: l.component(1)}
	parts := slices.DeleteFunc([]string{l.component(2), l.component(3)}, func(s string) bool { return s == "" })
	p.Bed = strings.Join(parts, "-")
	return &p
}

// swap tells each of two visits of a swap the place of the other.
func (t *told) swap(rows []int) {
	if len(rows) != 2 || t.rows[rows[0]].reason != "" || t.rows[rows[1]].reason != "" {
		return
	}
	a, b := visitOf(t.rows[rows[0]].part), visitOf(t.rows[rows[1]].part)
	a.Other, b.Other = b.Place, a.Place
	t.rows[rows[0]].part.Body, t.rows[rows[1]].part.Body = encode(a), encode(b)
}

func visitOf(p records.Part) visitSaid {
	return decode[visitSaid](p.Body)
}

// admitted is when the stay began: PV1-44, else when the event happened, unless it was
// known before.
func (s visitSaid) admitted(known time.Time) time.Time {
	switch {
	case s.From != nil:
		return *s.From
	case !known.IsZero():
		return known
	case s.At != nil:
		return *s.At
	}
	return known
}

// visitState is what is known of a visit.
type visitState struct {
	stay    clinical.Stay
	begun   bool // it makes a stay
	removed bool
}

// composeVisit makes the versions of a stay.
func (r Reader) composeVisit(visit string, look records.Look) (out records.Composed, err error) {
	list, _, err := versionsAt[visitSaid](visitTopic(visit), look)
	if err != nil || len(list) == 0 {
		return out, err
	}
	who := resolver{r, look}
	into, movedAt, err := who.visit(visit, forever)
	if err != nil {
		return out, err
	}
	var others []time.Time
	others = append(others, movedAt...)
	for _, v := range list {
		_, at, err := who.person(v.body.Patient, forever)
		if err != nil {
			return out, err
		}
		others = append(others, at...)
	}
	var s visitState
	var h history
	n := 0
	for _, at := range moments(list, others) {
		for ; n < len(list) && !list[n].RecordedAt.After(at); n++ {
			r.tell(&s, list[n].body)
		}
		if !s.begun || s.stay.AdmittedAt.IsZero() {
			continue
		}
		v := clinical.Version{Kind: clinical.KindStay, SourceID: visit, StayID: visit, Status: clinical.Final}
		stay := s.stay
		if stay.PatientID, _, err = who.person(stay.PatientID, at); err != nil {
			return out, err
		}
		if stay.Unit == "" {
			stay.Unit = "unassigned"
		}
		if v.Body = stay; s.removed || into != visit && !at.Before(movedAt[0]) {
			v.Status, v.Body = clinical.EnteredInError, nil
		}
		if v.Status == clinical.EnteredInError && !h.begun() {
			continue
		}
		h.add(v, list[max(n-1, 0)].Part, at)
	}
	out.Versions = h.versions
	if len(out.Versions) == 0 {
		end := records.PartSkipped
		if s.begun && !s.removed {
			end = records.PartWaits // for when it began
		}
		out.Ends = map[string]records.End{list[0].ID: end}
	}
	return out, nil
}

// tell changes what is known of a visit by a message.
func (r Reader) tell(s *visitState, said visitSaid) {
	s.stay.PatientID = said.Patient
	set(&s.stay.Name, said.Name)
	set(&s.stay.BirthDate, said.Birth)
	set(&s.stay.Sex, said.Sex)
	r.tellPlace(s, said)
	switch said.Event {
	case "A41", "A45":
		return
	case "A11":
		s.removed = true
		return
	case "A01", "A04", "A05", "A06":
		s.removed = false
	}
	if !s.begun && (said.Event == "A06" || r.staying(said.Class)) && said.Event != "A07" {
		s.begun = true
	}
	if s.begun {
		s.stay.AdmittedAt = said.admitted(s.stay.AdmittedAt)
	}
	switch {
	case said.Event == "A13": // PV1-45 may still bear the time that it takes back
		s.stay.DischargedAt = nil
	case said.Until != nil:
		s.stay.DischargedAt = said.Until
	case said.Event == "A03" && said.Told != nil, said.Event == "A07" && said.Told != nil:
		s.stay.DischargedAt = said.Told
	case said.Event == "A06", said.Stays:
		s.stay.DischargedAt = nil
	}
}

// tellPlace: in a swap a message that still names the old place means the other one.
func (r Reader) tellPlace(s *visitState, said visitSaid) {
	to := said.Place
	if said.Other != nil && to != nil && *to == (place{s.stay.Unit, s.stay.Bed}) {
		to = said.Other
	}
	if to != nil {
		s.stay.Unit, s.stay.Bed = to.Unit, to.Bed
	}
}

func set(to *string, said *string) {
	if said != nil {
		*to = *said
	}
}
