package fhirfeed

import (
	"encoding/json"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// resolver follows references among the parts. What is named is known as it was said last;
// only a patient who became another one did so at a moment.
type resolver struct{ look records.Look }

// resource are the versions of the resource that one of the names means, from the oldest to
// the last; none where nobody knows it.
func (r resolver) resource(names []string) ([]records.Part, error) {
	for _, name := range names {
		parts, err := r.look(isTopic(name))
		if err != nil {
			return nil, err
		}
		if list := lastNamed(parts, isTopic(name)); len(list) > 0 {
			return list, nil
		}
	}
	return nil, nil
}

// lastNamed are the versions of the part that takes part in a topic; of several the one that
// said so last.
func lastNamed(parts []records.Part, topic string) (best []records.Part) {
	for start := 0; start < len(parts); {
		end := start + 1
		for end < len(parts) && parts[end].ID == parts[start].ID {
			end++
		}
		one := parts[start:end]
		still := slices.ContainsFunc(one[len(one)-1].Topics, func(t records.Topic) bool { return t.Name == topic })
		if still && (best == nil || !lastOf(one).RecordedAt.Before(lastOf(best).RecordedAt)) {
			best = one
		}
		start = end
	}
	return best
}

func lastOf(versions []records.Part) records.Part { return versions[len(versions)-1] }

// person is what is known of a patient, at a moment.
type person struct {
	personSaid
	id      string      // the patient's number; "" where nobody knows it
	changes []time.Time // when the patient became another
}

// person follows the reference to a patient, and the patients who took that one's place.
func (r resolver) person(p pointer, at time.Time) (out person, err error) {
	been := map[string]bool{}
	for {
		versions, err := r.resource(p.Names)
		if err != nil {
			return out, err
		}
		out.personSaid, out.id = personSaid{}, p.Number
		if out.id == "" {
			out.id = p.ID
		}
		var next pointer
		if len(versions) > 0 {
			if out.personSaid, err = decodeBody[personSaid](lastOf(versions)); err != nil {
				return out, err
			}
			if out.Number != "" {
				out.id = out.Number
			}
			if next, err = r.replacedBy(versions, at, &out.changes); err != nil {
				return out, err
			}
		}
		if next.empty() && len(p.Names) > 0 {
			if next, err = r.replacing(p.main(), at, &out.changes); err != nil {
				return out, err
			}
		}
		been[p.main()] = true
		if next.empty() || been[next.main()] {
			return out, nil
		}
		p = next
	}
}

// replacedBy is who took the place of a patient by a moment, as the patient's own resource
// says.
func (r resolver) replacedBy(versions []records.Part, at time.Time, changes *[]time.Time) (next pointer, err error) {
	replaced := false
	for _, v := range versions {
		said, err := decodeBody[personSaid](v)
		if err != nil {
			return next, err
		}
		if said.Into.empty() && !replaced {
			continue
		}
		replaced = !said.Into.empty()
		*changes = append(*changes, v.RecordedAt)
		if !v.RecordedAt.After(at) {
			next = said.Into
		}
	}
	return next, nil
}

// replacing is who says to have taken the place of a patient by a moment.
func (r resolver) replacing(name string, at time.Time, changes *[]time.Time) (next pointer, err error) {
	topic := replacesTopic(name)
	parts, err := r.look(topic)
	if err != nil {
		return next, err
	}
	versions := lastNamed(parts, topic)
	for _, v := range versions {
		if !slices.ContainsFunc(v.Topics, func(t records.Topic) bool { return t.Name == topic }) {
			continue
		}
		*changes = append(*changes, v.RecordedAt)
		if !v.RecordedAt.After(at) {
			next = pointer{Names: addName(nil, v.ID), ID: idOf(v.ID)}
		}
		break
	}
	return next, nil
}

func idOf(key string) string { _, id := cutLast(key); return id }

// whose is to which stay, or patient, a fact belongs.
type whose struct {
	stay, patient string
	none          bool // its visit is known, and makes no stay
	unknown       bool // what it names is not known yet
}

// of finds whose a fact is at a moment: its visit's, else its patient's. changes are when the
// patient became another.
func (r resolver) of(visit, patient pointer, at time.Time) (w whose, changes []time.Time, err error) {
	if !visit.empty() {
		w.stay, w.none, err = r.visit(visit)
		w.unknown = w.stay == "" && !w.none
		return w, nil, err
	}
	p, err := r.person(patient, at)
	w.patient, w.unknown = p.id, p.id == ""
	return w, p.changes, err
}

// visit is the number of a visit; none where it makes no stay.
func (r resolver) visit(p pointer) (stay string, none bool, err error) {
	versions, err := r.resource(p.Names)
	switch {
	case err != nil:
		return "", false, err
	case len(versions) > 0:
		said, err := decodeBody[visitSaid](lastOf(versions))
		return said.StayID, !said.isStay() && said.Status != clinical.EnteredInError, err
	case p.Number != "":
		return p.Number, false, nil
	}
	return p.ID, false, nil
}

// drug is the drug of an order or a dose. waits tells that it is known only by a resource
// that has not come; ignored, that the site's table says that it is of no concern.
func (r resolver) drug(s said) (d clinical.Drug, waits, ignored bool, err error) {
	if s.Drug != nil {
		return s.Drug.drug(""), false, s.Drug.Ignored, nil
	}
	versions, err := r.resource(s.Medication.Names)
	if err != nil {
		return d, false, false, err
	}
	named := drugSaid{}
	if len(versions) > 0 {
		if named, err = decodeBody[drugSaid](lastOf(versions)); err != nil {
			return d, false, false, err
		}
	}
	d = named.drug(s.Medication.Display)
	return d, d.Text == "", named.Ignored, nil
}

// name is what somebody is called: as a reference displays, else as the resource says.
func (r resolver) name(p pointer) (string, error) {
	if p.Display != "" || len(p.Names) == 0 {
		return p.Display, nil
	}
	versions, err := r.resource(p.Names)
	if err != nil || len(versions) == 0 {
		return "", err
	}
	who, err := decodeBody[personSaid](lastOf(versions))
	return who.Name, err
}

// order is the identity of the order that a reference names.
func (r resolver) order(p pointer) (string, error) {
	if len(p.Names) == 0 {
		return "", nil
	}
	if tail := typeAndID(p.Names[0]); tail != "" {
		return tail, nil
	}
	versions, err := r.resource(p.Names)
	if err != nil || len(versions) == 0 {
		return "", err
	}
	return lastOf(versions).ID, nil
}

// decodeBody reads what this package wrote.
func decodeBody[B any](p records.Part) (b B, err error) {
	err = json.Unmarshal(p.Body, &b)
	return b, err
}

// encode writes what a part says. The types of this package have no value that JSON lacks.
func encode(body any) []byte {
	text, err := json.Marshal(body)
	if err != nil {
		panic(err) // a fault of this program
	}
	return text
}

// changed tells whether a version says something else than the one before it.
func changed(a, b clinical.Version) bool {
	return string(encode(comparable(a))) != string(encode(comparable(b)))
}

func comparable(v clinical.Version) any {
	return struct {
		Stay, Patient string
		Status        clinical.Status
		Body          clinical.Body
	}{v.StayID, v.PatientID, v.Status, v.Body}
}

var _ feed.Composer = Reader{}
