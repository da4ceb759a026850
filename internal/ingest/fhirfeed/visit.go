package fhirfeed

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// place is where a stay is, or was.
type place struct {
	unit, bed  string
	status     string
	start, end *time.Time
}

// composeVisit makes the versions of a stay of those of its Encounter.
func composeVisit(topic string, look records.Look) (out records.Composed, err error) {
	parts, err := look(topic)
	if err != nil || len(parts) == 0 {
		return out, err
	}
	r := resolver{look}
	var s stayHistory
	for n, p := range parts {
		if n+1 < len(parts) && parts[n+1].RecordedAt.Equal(p.RecordedAt) {
			continue // the later one counts
		}
		said, err := decodeBody[visitSaid](p)
		if err != nil {
			return out, err
		}
		if err := s.add(r, said, p); err != nil {
			return out, err
		}
	}
	if out.Versions, err = s.people(r); err != nil {
		return out, err
	}
	last := lastOf(parts)
	switch {
	case s.unknown:
		out.Ends = map[string]records.End{last.ID: records.PartWaits}
	case s.skipped:
		out.Ends = map[string]records.End{last.ID: records.PartSkipped}
	}
	return out, nil
}

// stayHistory are the versions of a stay, by the moment at which they were recorded.
type stayHistory struct {
	versions []stayVersion
	began    bool
	skipped  bool // the last version of the resource says nothing of a stay
	unknown  bool // nobody knows whose stay it is
}

// stayVersion is a version whose patient is still to be found.
type stayVersion struct {
	clinical.Version
	said visitSaid
}

// add adds what one version of the resource says.
func (s *stayHistory) add(r resolver, said visitSaid, p records.Part) error {
	v := clinical.Version{
		Kind: clinical.KindStay, SourceID: said.StayID, StayID: said.StayID, Status: said.Status,
		RecordedAt: p.RecordedAt, Stated: said.Stated, File: p.File, Line: p.Line,
	}
	s.skipped = false
	if !said.isStay() {
		if said.Status != clinical.EnteredInError && !s.began {
			s.skipped = true
			return nil
		}
		v.Status, v.Stated = clinical.EnteredInError, true
		s.put(stayVersion{v, said})
		return nil
	}
	s.began = true
	list, err := r.places(said.Places)
	if err != nil {
		return err
	}
	for _, v := range byPlace(v, said, list) {
		s.put(stayVersion{v, said})
	}
	return nil
}

// put puts a version in its place; what the later version of the resource says of a moment
// counts.
func (s *stayHistory) put(v stayVersion) {
	n, there := slices.BinarySearchFunc(s.versions, v, func(a, b stayVersion) int { return a.RecordedAt.Compare(b.RecordedAt) })
	if there {
		s.versions[n] = v
	} else {
		s.versions = slices.Insert(s.versions, n, v)
	}
}

// byPlace are the versions of a stay by where it was: each entry with a period is a transfer,
// known at its start.
func byPlace(v clinical.Version, said visitSaid, list []place) (versions []clinical.Version) {
	moves := slices.DeleteFunc(slices.Clone(list), func(p place) bool {
		return p.start == nil || p.status == "planned" || p.status == "reserved"
	})
	slices.SortStableFunc(moves, func(a, b place) int { return a.start.Compare(*b.start) })
	version := func(p place, recorded time.Time) {
		b := clinical.Stay{AdmittedAt: said.Admitted, DischargedAt: said.Discharged, Unit: p.unit, Bed: p.bed}
		if v.Stated && recorded.Before(v.RecordedAt) {
			b.DischargedAt = nil // not known yet
		}
		one := v
		one.Body, one.RecordedAt = b, recorded
		versions = append(versions, one)
	}
	for n, p := range moves {
		start := latest(*p.start, said.Admitted)
		if n == 0 && !v.Stated {
			start = said.Admitted // nobody says where it was before
		}
		version(p, start)
	}
	if len(moves) == 0 || v.Stated {
		version(placeAt(list, v.RecordedAt), v.RecordedAt)
	}
	slices.SortStableFunc(versions, func(a, b clinical.Version) int { return a.RecordedAt.Compare(b.RecordedAt) })
	return lastOfEach(versions)
}

// people finds the patients of the versions, and adds one wherever the patient became
// another.
func (s *stayHistory) people(r resolver) (out []clinical.Version, err error) {
	number := "" // under which the stay is known
	for n, v := range s.versions {
		if number != "" && number != v.SourceID { // the visit got its number
			out = append(out, clinical.Version{
				Kind: clinical.KindStay, SourceID: number, StayID: number, Status: clinical.EnteredInError,
				RecordedAt: v.RecordedAt, Stated: true, File: v.File, Line: v.Line,
			})
		}
		number = ""
		if v.Body == nil {
			out = append(out, v.Version)
			continue
		}
		number = v.SourceID
		who, err := r.person(v.said.Patient, v.RecordedAt)
		if err != nil {
			return nil, err
		}
		if v.said.Person != nil {
			who.personSaid = *v.said.Person
		}
		if s.unknown = who.id == ""; s.unknown {
			continue
		}
		out = append(out, v.of(who))
		for _, at := range s.between(n, who.changes) {
			then, err := r.person(v.said.Patient, at)
			if err != nil {
				return nil, err
			}
			if then.id == "" || then.id == out[len(out)-1].Body.(clinical.Stay).PatientID {
				continue
			}
			moved := v.of(then)
			moved.RecordedAt = at
			out = append(out, moved)
		}
	}
	return out, nil
}

// between are the moments, in order, that lie after the n-th version and before the next.
func (s *stayHistory) between(n int, moments []time.Time) (out []time.Time) {
	for _, t := range moments {
		if t.After(s.versions[n].RecordedAt) && (n+1 == len(s.versions) || t.Before(s.versions[n+1].RecordedAt)) {
			out = append(out, t)
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

func (v stayVersion) of(who person) clinical.Version {
	out, b := v.Version, v.Body.(clinical.Stay)
	b.PatientID, b.Name, b.BirthDate, b.Sex = who.id, who.Name, who.Birth, who.Sex
	out.Body = b
	return out
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

func (r resolver) places(list []placeSaid) (out []place, err error) {
	for _, l := range list {
		p := place{status: l.Status, start: l.Start, end: l.End}
		if p.unit, p.bed, err = r.unitAndBed(l); err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

// unitAndBed follows a place upwards: the first bed is the bed, after the room that it is
// in, and the first ward the unit; without a ward the topmost place is the unit.
func (r resolver) unitAndBed(p placeSaid) (unit, bed string, err error) {
	room, top := "", ""
	take := func(l locationSaid, shown string) {
		name := l.Name
		if name == "" {
			name = shown
		}
		if name != "" {
			top = name
		}
		switch {
		case l.Type == "bd" && bed == "":
			bed = name
		case l.Type == "ro" && room == "":
			room = name
		case l.Type == "wa" && unit == "":
			unit = name
		}
	}
	for n, l := range p.Inside {
		take(l, p.Shown[n])
	}
	for ref, n := p.Ref, 0; n < highest && !(ref.empty() && ref.Display == ""); n++ {
		versions, err := r.resource(ref.Names)
		if err != nil {
			return "", "", err
		}
		l := locationSaid{}
		if len(versions) > 0 {
			if l, err = decodeBody[locationSaid](lastOf(versions)); err != nil {
				return "", "", err
			}
		}
		take(l, ref.Display)
		ref = l.Within
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
