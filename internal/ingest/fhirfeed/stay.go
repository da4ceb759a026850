package fhirfeed

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// unassigned is the unit of a stay without any place.
const unassigned = "unassigned"

// name is "family, given" of the official name, else of the first.
func (p patient) name() string {
	if len(p.Name) == 0 {
		return ""
	}
	n := p.Name[0]
	for _, o := range p.Name {
		if o.Use == "official" {
			n = o
			break
		}
	}
	parts := slices.DeleteFunc([]string{strings.TrimSpace(n.Family), strings.TrimSpace(strings.Join(n.Given, " "))},
		func(s string) bool { return s == "" })
	if len(parts) == 0 {
		return strings.TrimSpace(n.Text)
	}
	return strings.Join(parts, ", ")
}

// id is the patient's number: the identifier of type MR, else the resource's id.
func (p patient) id() string {
	if mr := identified(p.Identifier, "MR"); mr != "" {
		return mr
	}
	return p.ID
}

// stayID is the number of the visit: the identifier of type VN, else the resource's id.
func (e encounter) stayID() string {
	if vn := identified(e.Identifier, "VN"); vn != "" {
		return vn
	}
	return e.ID
}

// stayStatuses are those of Encounter.status (FHIR R4): whether there is a stay.
var stayStatuses = map[string]clinical.Status{
	"arrived": clinical.Final, "triaged": clinical.Final, "in-progress": clinical.Final, "onleave": clinical.Final,
	"finished": clinical.Final, "entered-in-error": clinical.EnteredInError,
	"planned": clinical.NoFact, "cancelled": clinical.NoFact, "unknown": clinical.NoFact,
}

// ofClass reports whether the encounter is of a class that makes a stay.
func (e encounter) ofClass(s Settings) bool {
	return e.Class != nil && slices.ContainsFunc(s.StayClasses, func(c string) bool {
		return strings.EqualFold(c, strings.TrimSpace(e.Class.Code))
	})
}

// personSaid is what a Patient says.
type personSaid struct {
	Number string   `json:",omitempty"`
	Name   string   `json:",omitempty"`
	Birth  string   `json:",omitempty"` // YYYY-MM-DD
	Sex    string   `json:",omitempty"`
	Into   pointer  `json:",omitzero"`  // who took the patient's place
	Names  []string `json:",omitempty"` // under which readings may name the patient
}

func (p patient) said() personSaid {
	s := personSaid{Number: p.id(), Name: p.name(), Sex: p.Gender}
	if date, ok := feed.ParseDate(p.BirthDate); ok {
		s.Birth = date
	}
	for _, l := range p.Link {
		if l.Type == "replaced-by" {
			s.Into = l.Other.pointer("Patient", "MR")
		}
	}
	return s
}

// person makes a part of a patient: to be looked at under all its names, and by those whose
// place it takes.
func (w *work) person(p patient, it item) fact {
	f := w.referred(p.head, it)
	if f.skipped || f.reason != "" {
		return f
	}
	said := p.said()
	list := names(p.head, it.fullURL)
	said.Names = slices.DeleteFunc(slices.Clone(list), func(name string) bool {
		return strings.Contains(name, "?identifier=") && !strings.HasSuffix(name, "|"+said.Number)
	})
	says := string(encode(said))
	if !said.Into.empty() {
		says += " " + f.recorded.UTC().Format(time.RFC3339Nano)
	}
	f.topics = isTopics(list, says)
	for _, l := range p.Link {
		if other := l.Other.pointer("Patient", "MR"); l.Type == "replaces" && len(other.Names) > 0 {
			f.topics = append(f.topics, records.Topic{Name: replacesTopic(other.main()), Says: says + " " + f.recorded.String()})
		}
	}
	f.body = said
	return f
}

// referred begins a part that others refer to and that is no fact itself.
func (w *work) referred(h head, it item) fact {
	f := fact{head: h}
	list := names(h, it.fullURL)
	if len(list) == 0 {
		return f.skip() // nobody can refer to it
	}
	m, err := readMoment(h.lastUpdated(), w.o.Zone)
	if err != nil {
		return f.wrong("meta.lastUpdated %v", err)
	}
	f.id, f.recorded = list[0], m.at
	return f
}

// locationSaid is what a Location says.
type locationSaid struct {
	Name   string  `json:",omitempty"`
	Type   string  `json:",omitempty"` // bd, ro, wa; any other is of no use
	Within pointer `json:",omitzero"`
}

func (l location) said() locationSaid {
	s := locationSaid{Name: strings.TrimSpace(l.Name), Within: l.PartOf.pointer("Location", "")}
	for _, code := range []string{"bd", "ro", "wa"} {
		if l.PhysicalType.has(code) {
			s.Type = code
			break
		}
	}
	return s
}

// location makes a part of a place.
func (w *work) location(l location, it item) fact {
	said := l.said()
	if said.Type == "" {
		w.sawConcept(records.SeenPlace, l.PhysicalType)
	}
	return w.lookedAt(l.head, it, said)
}

// lookedAt makes a part of a resource that others look at.
func (w *work) lookedAt(h head, it item, said any) fact {
	f := w.referred(h, it)
	if f.skipped || f.reason != "" {
		return f
	}
	f.body, f.topics = said, isTopics(names(h, it.fullURL), string(encode(said)))
	return f
}

// visitSaid is what an Encounter says.
type visitSaid struct {
	StayID     string
	Status     clinical.Status
	Class      bool        `json:",omitempty"` // one that makes a stay
	Stated     bool        `json:",omitempty"`
	Admitted   time.Time   `json:",omitzero"`
	Discharged *time.Time  `json:",omitempty"`
	Patient    pointer     `json:",omitzero"`
	Person     *personSaid `json:",omitempty"` // contained
	Places     []placeSaid `json:",omitempty"`
}

// isStay reports whether the visit makes a stay.
func (v visitSaid) isStay() bool { return v.Class && v.Status == clinical.Final }

// placeSaid is one entry of Encounter.location: places within the resource from the smallest
// on, then the one that is referred to.
type placeSaid struct {
	Inside []locationSaid `json:",omitempty"`
	Shown  []string       `json:",omitempty"` // what the references to those inside display
	Ref    pointer        `json:",omitzero"`
	Status string         `json:",omitempty"`
	Start  *time.Time     `json:",omitempty"`
	End    *time.Time     `json:",omitempty"`
}

// visit makes a part of an encounter: its versions make those of a stay, and facts look at it
// under all its names.
func (w *work) visit(e encounter, it item) fact {
	f := fact{head: e.head, kind: clinical.KindStay, source: e.stayID()}
	status, known := stayStatuses[e.Status]
	switch {
	case !known:
		return f.wrong("status is no status of an encounter: %q", e.Status)
	case e.Class == nil && status != clinical.EnteredInError:
		return f.wrong("class is missing")
	case f.source == "":
		return f.wrong("it has neither an identifier of type VN nor an id")
	case len(f.source) > longestName:
		f.source = ""
		return f.wrong("its number is longer than %d bytes", longestName)
	}
	recorded, err := readMoment(e.lastUpdated(), w.o.Zone)
	if err != nil {
		return f.wrong("meta.lastUpdated %v", err)
	}
	f.recorded, f.status = recorded.at, status
	if began, err := readMoment(e.Period.Start, w.o.Zone); err == nil && !recorded.said {
		f.recorded = began.at
	}
	said := visitSaid{StayID: f.source, Status: status, Class: e.ofClass(w.Settings), Stated: recorded.said}
	if !said.Class && e.Class != nil {
		w.saw(records.SeenClass, e.Class.System, e.Class.Code, e.Class.Display)
	}
	if status == clinical.EnteredInError && f.recorded.IsZero() {
		return f.wrong("meta.lastUpdated is missing: a resource entered in error needs a time")
	}
	if said.isStay() {
		if err := w.visitBody(e, &said); err != nil {
			return f.wrong("%v", err)
		}
		v := clinical.Version{RecordedAt: f.recorded, Body: clinical.Stay{AdmittedAt: said.Admitted}}
		if why := feed.Ahead(v, w.o.Now); why != "" {
			return f.wrong("%s", why)
		}
	}
	list := names(e.head, it.fullURL)
	if len(list) == 0 {
		list = addName(nil, "Encounter?number="+f.source)
	}
	f.id, f.body = list[0], said
	says := "none"
	switch {
	case said.isStay(), status == clinical.EnteredInError:
		says = "stay " + said.StayID
	}
	f.topics = append([]records.Topic{{Name: visitTopic(f.id)}}, isTopics(list, says)...)
	return f
}

func (w *work) visitBody(e encounter, said *visitSaid) error {
	admitted, err := started("period.start", e.Period.Start, w.o.Zone)
	if err != nil {
		return err
	}
	said.Admitted = admitted.at
	if said.Discharged, err = ended("period.end", e.Period.End, w.o.Zone); err != nil {
		return err
	}
	if said.Discharged != nil && said.Discharged.Before(said.Admitted) {
		return errors.New("period ends before it starts")
	}
	if raw := contained(e.Contained, e.Subject.Reference); raw != nil {
		var p patient
		if err := decode(raw, &p); err != nil {
			return err
		}
		person := p.said()
		said.Person, said.Patient = &person, pointer{Number: person.Number}
	} else {
		said.Patient = e.Subject.pointer("Patient", "MR")
	}
	if said.Patient.empty() {
		return errors.New("subject names no patient")
	}
	said.Places, err = w.placesOf(e)
	return err
}

func (w *work) placesOf(e encounter) (out []placeSaid, err error) {
	for _, l := range e.Location {
		p := placeSaid{Status: l.Status}
		if err := p.follow(l.Location, e.Contained); err != nil {
			return nil, err
		}
		if l.Period.Start != "" {
			m, err := started("location.period.start", l.Period.Start, w.o.Zone)
			if err != nil {
				return nil, err
			}
			p.Start = &m.at
		}
		if p.End, err = ended("location.period.end", l.Period.End, w.o.Zone); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// highest is how many places may lie within each other.
const highest = 12

// follow goes up through the places within the resource.
func (p *placeSaid) follow(r reference, within []json.RawMessage) error {
	for range highest {
		raw := contained(within, r.Reference)
		if raw == nil {
			break
		}
		var l location
		if err := decode(raw, &l); err != nil {
			return err
		}
		p.Inside, p.Shown = append(p.Inside, l.said()), append(p.Shown, strings.TrimSpace(r.Display))
		r = l.PartOf
	}
	p.Ref = r.pointer("Location", "")
	return nil
}
