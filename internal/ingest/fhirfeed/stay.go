package fhirfeed

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
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

// isStay reports whether the encounter is of a class that makes a stay, and goes on or has been.
func (e encounter) isStay(s Settings) bool {
	return e.ofClass(s) && stayStatuses[e.Status] != clinical.NoFact
}

func (e encounter) ofClass(s Settings) bool {
	return e.Class != nil && slices.ContainsFunc(s.StayClasses, func(c string) bool {
		return strings.EqualFold(c, strings.TrimSpace(e.Class.Code))
	})
}

// patientOf follows the reference to a patient: its resource where it is known. id is ""
// where nobody knows the patient's number.
func (w *work) patientOf(r reference, within []json.RawMessage) (p patient, id string, err error) {
	if raw := contained(within, r.Reference); raw != nil {
		err = decode(raw, &p)
		return p, p.id(), err
	}
	card, ok, err := w.last(r.keys("Patient"))
	if err != nil {
		return p, "", storeError{err}
	}
	if ok {
		err = json.Unmarshal(card.Body, &p)
		return p, p.id(), err
	}
	if r.Identifier != nil && r.Identifier.Type.has("MR") {
		return p, strings.TrimSpace(r.Identifier.Value), nil
	}
	return p, r.id(), nil
}

// stay makes the versions of a stay: the one that stands for the resource first, then those
// of the wards before.
func (w *work) stay(e encounter) fact {
	f := fact{head: e.head, kind: clinical.KindStay, source: e.stayID()}
	status, known := stayStatuses[e.Status]
	switch {
	case !known:
		return f.wrong("status is no status of an encounter: %q", e.Status)
	case e.Class == nil:
		return f.wrong("class is missing")
	case f.source == "":
		return f.wrong("it has neither an identifier of type VN nor an id")
	}
	recorded, err := readMoment(e.lastUpdated(), w.o.Zone)
	if err != nil {
		return f.wrong("meta.lastUpdated %v", err)
	}
	f.recorded, f.stated = recorded.at, recorded.said
	if !f.stated {
		if m, err := readMoment(e.Period.Start, w.o.Zone); err == nil {
			f.recorded = m.at
		}
	}
	f.status = status
	f.stay = f.source
	if status == clinical.EnteredInError {
		return f.retract()
	}
	if !e.isStay(w.Settings) {
		return f.none()
	}
	body, err := w.stayBody(e)
	if err != nil {
		return f.failed(err)
	}
	return w.places(e, f, body)
}

func (w *work) stayBody(e encounter) (b clinical.Stay, err error) {
	admitted, err := started("period.start", e.Period.Start, w.o.Zone)
	if err != nil {
		return b, err
	}
	b.AdmittedAt = admitted.at
	if b.DischargedAt, err = ended("period.end", e.Period.End, w.o.Zone); err != nil {
		return b, err
	}
	if b.DischargedAt != nil && b.DischargedAt.Before(b.AdmittedAt) {
		return b, fmt.Errorf("period ends before it starts")
	}
	p, id, err := w.patientOf(e.Subject, e.Contained)
	if err != nil {
		return b, err
	}
	if b.PatientID = id; id == "" {
		return b, fmt.Errorf("subject names no patient that is known")
	}
	b.Name, b.Sex = p.name(), p.Gender
	if date, ok := feed.ParseDate(p.BirthDate); ok {
		b.BirthDate = date
	}
	return b, nil
}

// place is one entry of Encounter.location.
type place struct {
	unit, bed  string
	status     string
	start, end *time.Time
}

// places makes the versions of a stay by where it was: each entry with a period is a transfer,
// known at its start.
func (w *work) places(e encounter, f fact, body clinical.Stay) fact {
	list, err := w.placesOf(e)
	if err != nil {
		return f.failed(err)
	}
	at := f.recorded
	if !f.stated {
		at = body.AdmittedAt
	}
	moves := slices.DeleteFunc(slices.Clone(list), func(p place) bool {
		return p.start == nil || p.status == "planned" || p.status == "reserved"
	})
	slices.SortStableFunc(moves, func(a, b place) int { return a.start.Compare(*b.start) })
	var versions []clinical.Version
	version := func(b clinical.Stay, p place, recorded time.Time) {
		b.Unit, b.Bed = p.unit, p.bed
		if f.stated && recorded.Before(f.recorded) {
			b.DischargedAt = nil // not known yet
		}
		v := f.version(b)
		v.RecordedAt = recorded
		versions = append(versions, v)
	}
	for n, p := range moves {
		start := latest(*p.start, body.AdmittedAt)
		if n == 0 && !f.stated {
			start = body.AdmittedAt // nobody says where it was before
		}
		version(body, p, start)
	}
	if len(moves) == 0 || f.stated {
		moment := at
		if !f.stated || at.After(w.o.Now) {
			moment = w.o.Now
		}
		version(body, placeAt(list, moment), at)
	}
	slices.SortStableFunc(versions, func(a, b clinical.Version) int { return a.RecordedAt.Compare(b.RecordedAt) })
	versions = lastOfEach(versions)
	last := len(versions) - 1
	f.versions = append([]clinical.Version{versions[last]}, versions[:last]...)
	return f
}

// lastOfEach drops of several versions recorded at one moment all but the last.
func lastOfEach(versions []clinical.Version) (out []clinical.Version) {
	for n, v := range versions {
		if n+1 == len(versions) || !versions[n+1].RecordedAt.Equal(v.RecordedAt) {
			out = append(out, v)
		}
	}
	return out
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// placeAt is where the stay is: the active place, else the one whose period covers the
// moment, else the last.
func placeAt(list []place, at time.Time) place {
	if len(list) == 0 {
		return place{unit: unassigned}
	}
	covers := func(p place) bool {
		return p.start != nil && !p.start.After(at) && (p.end == nil || p.end.After(at))
	}
	active := slices.DeleteFunc(slices.Clone(list), func(p place) bool { return p.status != "active" })
	for _, some := range [][]place{active, list} {
		for _, p := range slices.Backward(some) {
			if covers(p) {
				return p
			}
		}
		if len(some) > 0 {
			return some[len(some)-1]
		}
	}
	return list[len(list)-1]
}

func (w *work) placesOf(e encounter) (out []place, err error) {
	for _, l := range e.Location {
		p := place{status: l.Status}
		if p.unit, p.bed, err = w.unitAndBed(l.Location, e.Contained); err != nil {
			return nil, err
		}
		if l.Period.Start != "" {
			m, err := started("location.period.start", l.Period.Start, w.o.Zone)
			if err != nil {
				return nil, err
			}
			p.start = &m.at
		}
		if p.end, err = ended("location.period.end", l.Period.End, w.o.Zone); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// highest is how many places may lie within each other.
const highest = 12

// unitAndBed follows a place upwards: the first bed is the bed, after the room that it is
// in, and the first ward the unit; without a ward the topmost place is the unit.
func (w *work) unitAndBed(r reference, within []json.RawMessage) (unit, bed string, err error) {
	room, top := "", strings.TrimSpace(r.Display)
	for range highest {
		l, known, err := w.locationOf(r, within)
		if err != nil {
			return "", "", err
		}
		name := strings.TrimSpace(r.Display)
		if known && strings.TrimSpace(l.Name) != "" {
			name = strings.TrimSpace(l.Name)
		}
		if name != "" {
			top = name
		}
		switch {
		case l.PhysicalType.has("bd") && bed == "":
			bed = name
		case l.PhysicalType.has("ro") && room == "":
			room = name
		case l.PhysicalType.has("wa") && unit == "":
			unit = name
		}
		if !known || l.PartOf.empty() {
			break
		}
		r = l.PartOf
	}
	if unit == "" {
		unit = top
	}
	if unit == "" {
		unit = unassigned
	}
	if bed != "" && room != "" {
		bed = room + "-" + bed
	}
	return unit, bed, nil
}

func (w *work) locationOf(r reference, within []json.RawMessage) (l location, known bool, err error) {
	if raw := contained(within, r.Reference); raw != nil {
		return l, true, decode(raw, &l)
	}
	card, ok, err := w.last(r.keys("Location"))
	if err != nil {
		return l, false, storeError{err}
	}
	if !ok {
		return l, false, nil
	}
	return l, true, json.Unmarshal(card.Body, &l)
}
