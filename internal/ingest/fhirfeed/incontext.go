package fhirfeed

import (
	"encoding/json"
	"time"

	"plumbline/internal/records"
)

// Named is a patient and a visit as the record itself names them: by its own ids, and by these resources where
// it showed them (nil where it did not). Encounter may be "".
type Named struct {
	Patient, Encounter         string
	PatientJSON, EncounterJSON []byte
}

// NumbersOf are the numbers under which the feeds know the patient and the visit: what FHIR has brought by then
// comes first, what the record showed second; the id itself is the number of what has no other (mapping of FHIR).
// stayID is "" where there is no visit, and where it makes no stay.
func NumbersOf(look records.Look, n Named, at time.Time) (patientID, stayID string, err error) {
	r := resolver{look}
	who := reference{Reference: "Patient/" + n.Patient}.pointer("Patient", "MR")
	who.Number = shown(n.PatientJSON, "Patient", n.Patient, "MR")
	p, err := r.person(who, at)
	if err != nil || n.Encounter == "" {
		return p.id, "", err
	}
	visit := reference{Reference: "Encounter/" + n.Encounter}.pointer("Encounter", "VN")
	visit.Number = shown(n.EncounterJSON, "Encounter", n.Encounter, "VN")
	stay, none, err := r.visit(visit)
	if none {
		stay = ""
	}
	return p.id, stay, err
}

// shown is the number of a resource that the record showed; "" of another one, and of one without.
func shown(raw []byte, kind, id, number string) string {
	var h head
	if json.Unmarshal(raw, &h) != nil || h.ResourceType != kind || h.ID != id {
		return ""
	}
	return identified(h.Identifier, number)
}
