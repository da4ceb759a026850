package outbox

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// object is an object of JSON; its members are written in the order of their names.
type object = map[string]any

// FHIRMaker makes transactions of FHIR R4.
type FHIRMaker struct {
	Zone *time.Location
}

// Bundle is the transaction of an item: first versions are created unless they are there, later ones put
// in place of what has their identity.
func (m FHIRMaker) Bundle(i Item) []byte {
	b := bundle{FHIRMaker: m, item: i}
	for _, f := range i.Facts {
		b.fact(f)
	}
	b.set()
	text, err := json.Marshal(object{"resourceType": "Bundle", "type": "transaction", "entry": b.entries})
	if err != nil {
		panic(err) // strings and numbers: they can be written
	}
	return text
}

type bundle struct {
	FHIRMaker
	item    Item
	entries []object
	members []object // references to the readings
	first   time.Time
}

// add adds a resource under its identity.
func (b *bundle) add(version int, identity string, resource object) (url string) {
	system, kind := SystemOf(b.item.Installation), resource["resourceType"].(string)
	resource["identifier"] = []object{{"system": system, "value": identity}}
	resource["subject"] = object{"type": "Patient", "identifier": typed("MR", b.item.PatientID)}
	resource["encounter"] = object{"type": "Encounter", "identifier": typed("VN", b.item.StayID)}
	query := "identifier=" + system + "|" + identity
	request := object{"method": "POST", "url": kind, "ifNoneExist": query}
	if version > 1 {
		request = object{"method": "PUT", "url": kind + "?" + query}
	}
	url = "urn:uuid:" + uuidOf(system+"|"+identity)
	b.entries = append(b.entries, object{"fullUrl": url, "resource": resource, "request": request})
	return url
}

// typed is an identifier with its type of HL7 v2 table 0203.
func typed(kind, value string) object {
	return object{
		"type":  object{"coding": []object{{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": kind}}},
		"value": value,
	}
}

// uuidOf is a UUID made of a text (RFC 9562, version 8), for references within the transaction.
func uuidOf(s string) string {
	b := sha256.Sum256([]byte(s))
	b[6], b[8] = b[6]&0x0f|0x80, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:16])
}

func (b *bundle) time(t time.Time) string { return t.In(b.Zone).Format("2006-01-02T15:04:05-07:00") }

func (f Fact) fhirStatus() string {
	switch {
	case f.Removed:
		return "entered-in-error"
	case f.Version > 1:
		return "corrected"
	}
	return "final"
}

func (b *bundle) fact(f Fact) {
	switch {
	case f.Restriction != nil && b.item.Code != nil:
		b.flag(f)
	case b.item.Code != nil:
		b.coded(f)
	case f.Kind == clinical.KindVitals:
		b.reading(f)
	}
}

// observation is what every Observation of a fact says.
func (b *bundle) observation(f Fact, code object) object {
	return object{
		"resourceType": "Observation", "status": f.fhirStatus(), "code": code,
		"effectiveDateTime": b.time(f.at(b.item.RecordedAt)), "issued": b.item.RecordedAt.UTC().Format(time.RFC3339Nano),
		"performer": []object{b.performer()},
	}
}

// performer is the account by its identity where a sign-in service gives it one, else by its name.
func (b *bundle) performer() object {
	if p := b.item.Performer; p.Value != "" {
		return object{"identifier": object{"system": p.System, "value": p.Value}, "display": b.item.Who}
	}
	return object{"display": b.item.Who}
}

func loinc(code, display string) object {
	return object{"coding": []object{{"system": "http://loinc.org", "code": code, "display": display}}}
}

var vitalSigns = []object{{"coding": []object{{
	"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs",
}}}}

// reading adds the pressures of a reading, and its pulse as an Observation of its own.
func (b *bundle) reading(f Fact) {
	v := f.Vitals
	if v == nil { // taken back, and nobody knows what it said
		v = &clinical.Vitals{TakenAt: b.item.RecordedAt}
	}
	o := b.observation(f, loinc("85354-9", "Blood pressure panel"))
	o["category"] = vitalSigns
	components := []object{
		pressure("8480-6", "Systolic blood pressure", v.Systolic), pressure("8462-4", "Diastolic blood pressure", v.Diastolic),
	}
	if code, display := positionCode(v.Position); code != "" {
		components = append(components, object{
			"code": loinc("8361-8", "Body position with respect to gravity"),
			"valueCodeableConcept": object{
				"coding": []object{{"system": "http://snomed.info/sct", "code": code, "display": display}},
			},
		})
	}
	for _, s := range f.Symptoms {
		components = append(components, object{"code": s.concept(), "valueString": s.Says})
	}
	o["component"] = components
	notes := f.notes()
	if site := bodySite(v.Limb); site != nil {
		o["bodySite"] = site
	} else {
		notes = append(notes, limbNote(v)...)
	}
	addNotes(o, notes)
	url := b.add(f.Version, f.SourceID, o)
	b.members = append(b.members, object{"reference": url})
	if b.first.IsZero() || v.TakenAt.Before(b.first) {
		b.first = v.TakenAt
	}
	if v.HeartRate != nil || f.Removed {
		p := b.observation(f, loinc("8867-4", "Heart rate"))
		p["category"] = vitalSigns
		if v.HeartRate != nil {
			p["valueQuantity"] = quantity(*v.HeartRate, "beats/min", "/min")
		}
		b.members = append(b.members, object{"reference": b.add(f.Version, f.SourceID+PulseSuffix, p)})
	}
}

// pressure is a component in mmHg. One that is missing is unknown, and never said not to have been
// performed: that would be an answer.
func pressure(code, display string, v *float64) object {
	c := object{"code": loinc(code, display)}
	if v != nil {
		c["valueQuantity"] = quantity(*v, "mmHg", "mm[Hg]")
		return c
	}
	c["dataAbsentReason"] = object{"coding": []object{{
		"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "unknown",
	}}}
	return c
}

func quantity(v float64, unit, code string) object {
	return object{
		"value": json.Number(number(v)), "unit": unit, "system": "http://unitsofmeasure.org", "code": code,
	}
}

// bodySite is the SNOMED CT code of an arm; nil of a leg, and of no limb.
func bodySite(limb string) object {
	code, display := "", ""
	switch limb {
	case "left arm":
		code, display = "368208006", "Left upper arm structure"
	case "right arm":
		code, display = "368209003", "Right upper arm structure"
	default:
		return nil
	}
	return object{"coding": []object{{"system": "http://snomed.info/sct", "code": code, "display": display}}}
}

func addNotes(o object, notes []string) {
	var list []object
	for _, n := range notes {
		list = append(list, object{"text": n})
	}
	if list != nil {
		o["note"] = list
	}
}

func (c Code) concept() object {
	coding := object{"code": c.Code}
	if c.System != "" {
		coding["system"] = c.System
	}
	return object{"coding": []object{coding}}
}

// set adds the Observation that makes a set of readings. A later version that corrects some of the
// readings alone leaves it as it is.
func (b *bundle) set() {
	i := b.item
	if i.SetID == "" || i.Version > 1 && !i.removed() {
		return
	}
	o := b.observation(Fact{Removed: i.removed(), Version: i.Version}, object{"text": text.Say("outward.set-name")})
	o["effectiveDateTime"], o["hasMember"] = b.time(b.first), b.members
	if i.Finding != "" {
		o["valueString"] = i.Finding
	}
	b.add(i.Version, i.SetID+SetSuffix, o)
}

// coded adds a clearance or an answer as an Observation of the site's own code.
func (b *bundle) coded(f Fact) {
	o := b.observation(f, b.item.Code.concept())
	o["valueString"] = b.item.Code.Says
	switch {
	case f.Clearance != nil && f.Clearance.By != "":
		o["performer"] = []object{{"display": f.Clearance.By}}
	case f.Answer != nil && f.Answer.Reason != "":
		addNotes(o, []string{f.Answer.Reason})
	}
	b.add(f.Version, f.SourceID, o)
}

// flag adds a restriction as a Flag of the site's own code.
func (b *bundle) flag(f Fact) {
	r, status, period := f.Restriction, "active", object{}
	if !r.StartedAt.IsZero() {
		period["start"] = b.time(r.StartedAt)
	}
	if r.EndedAt != nil {
		status, period["end"] = "inactive", b.time(*r.EndedAt)
	}
	if f.Removed {
		status = "entered-in-error"
	}
	o := object{"resourceType": "Flag", "status": status, "code": b.item.Code.concept(), "author": b.performer()}
	if len(period) > 0 {
		o["period"] = period
	}
	b.add(f.Version, f.SourceID, o)
}
