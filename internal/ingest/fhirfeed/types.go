package fhirfeed

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The members of FHIR R4 that are read. Others are not looked at.

type coding struct {
	System  string `json:"system,omitempty"`
	Code    string `json:"code,omitempty"`
	Display string `json:"display,omitempty"`
}

type concept struct {
	Coding []coding `json:"coding,omitempty"`
	Text   string   `json:"text,omitempty"`
}

// words are the codes and texts of a concept, in order.
func (c *concept) words() (out []string) {
	if c == nil {
		return nil
	}
	for _, k := range c.Coding {
		out = append(out, k.Code)
	}
	for _, k := range c.Coding {
		out = append(out, k.Display)
	}
	return append(out, c.Text)
}

// text is what a concept says in words.
func (c *concept) text() string {
	if c == nil {
		return ""
	}
	for _, k := range c.Coding {
		if k.Display != "" {
			return strings.TrimSpace(k.Display)
		}
	}
	return strings.TrimSpace(c.Text)
}

// has reports whether one of the codings has a code.
func (c *concept) has(code string) bool {
	if c == nil {
		return false
	}
	for _, k := range c.Coding {
		if k.Code == code {
			return true
		}
	}
	return false
}

type identifier struct {
	Type   *concept `json:"type,omitempty"`
	System string   `json:"system,omitempty"`
	Value  string   `json:"value,omitempty"`
}

// identified is the first identifier of a type: MR of a patient, VN of a visit.
func identified(list []identifier, kind string) string {
	for _, i := range list {
		if i.Type.has(kind) && strings.TrimSpace(i.Value) != "" {
			return strings.TrimSpace(i.Value)
		}
	}
	return ""
}

type reference struct {
	Reference  string      `json:"reference,omitempty"`
	Display    string      `json:"display,omitempty"`
	Identifier *identifier `json:"identifier,omitempty"`
}

type period struct {
	Start string `json:"start,omitempty"`
	End   string `json:"end,omitempty"`
}

// number is a JSON number as it was written.
type number string

// UnmarshalJSON implements json.Unmarshaler: a text is no number.
func (n *number) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		return nil
	}
	if len(data) == 0 || data[0] != '-' && (data[0] < '0' || data[0] > '9') {
		return &json.UnmarshalTypeError{Value: jsonType(data), Field: "value"}
	}
	*n = number(data)
	return nil
}

func jsonType(data []byte) string {
	switch {
	case len(data) == 0:
		return "nothing"
	case data[0] == '"':
		return "string"
	case data[0] == '{':
		return "object"
	case data[0] == '[':
		return "array"
	}
	return "bool"
}

// largestNumber bounds what is read, so that no sum of it can overflow.
const largestNumber = 1e15

func (n number) float() (float64, error) {
	f, err := strconv.ParseFloat(string(n), 64)
	if err != nil && !errors.Is(err, strconv.ErrRange) || math.IsNaN(f) {
		return 0, fmt.Errorf("is not a number: %s", n)
	}
	if math.Abs(f) > largestNumber {
		return 0, fmt.Errorf("is too large to be true: %s", n)
	}
	return f, nil
}

type quantity struct {
	Value      *number `json:"value,omitempty"`
	Comparator string  `json:"comparator,omitempty"`
	Unit       string  `json:"unit,omitempty"`
	System     string  `json:"system,omitempty"`
	Code       string  `json:"code,omitempty"`
}

// unit is the unit: the code where there is one, else what is written.
func (q *quantity) unit() string {
	if c := strings.TrimSpace(q.Code); c != "" {
		return c
	}
	return strings.TrimSpace(q.Unit)
}

type extension struct {
	URL                  string   `json:"url,omitempty"`
	ValueCodeableConcept *concept `json:"valueCodeableConcept,omitempty"`
	ValueCoding          *coding  `json:"valueCoding,omitempty"`
	ValueCode            string   `json:"valueCode,omitempty"`
}

type annotation struct {
	Text string `json:"text,omitempty"`
}

// head are the members that every resource has.
type head struct {
	ResourceType string `json:"resourceType"`
	ID           string `json:"id,omitempty"`
	Meta         *struct {
		LastUpdated string `json:"lastUpdated,omitempty"`
		VersionID   string `json:"versionId,omitempty"`
	} `json:"meta,omitempty"`
	Identifier []identifier      `json:"identifier,omitempty"`
	Contained  []json.RawMessage `json:"contained,omitempty"`
}

// key is Type/id, else Type/ and the first identifier; empty where there is neither.
func (h head) key() string {
	if h.ID != "" {
		return h.ResourceType + "/" + h.ID
	}
	for _, i := range h.Identifier {
		if i.Value != "" {
			return h.ResourceType + "/" + i.System + "|" + i.Value
		}
	}
	return ""
}

func (h head) lastUpdated() string {
	if h.Meta == nil {
		return ""
	}
	return h.Meta.LastUpdated
}

type patient struct {
	head
	Name []struct {
		Use    string   `json:"use,omitempty"`
		Text   string   `json:"text,omitempty"`
		Family string   `json:"family,omitempty"`
		Given  []string `json:"given,omitempty"`
	} `json:"name,omitempty"`
	BirthDate string `json:"birthDate,omitempty"`
	Gender    string `json:"gender,omitempty"`
	Link      []struct {
		Other reference `json:"other"`
		Type  string    `json:"type,omitempty"`
	} `json:"link,omitempty"`
}

type encounter struct {
	head
	Status   string    `json:"status,omitempty"`
	Class    *coding   `json:"class,omitempty"`
	Subject  reference `json:"subject"`
	Period   period    `json:"period"`
	Location []struct {
		Location reference `json:"location"`
		Status   string    `json:"status,omitempty"`
		Period   period    `json:"period"`
	} `json:"location,omitempty"`
}

type location struct {
	head
	Name         string    `json:"name,omitempty"`
	PhysicalType *concept  `json:"physicalType,omitempty"`
	PartOf       reference `json:"partOf"`
}

type medication struct {
	head
	Code *concept `json:"code,omitempty"`
}

// measured is a value and what stands for it where it is missing.
type measured struct {
	Code                 *concept  `json:"code,omitempty"`
	ValueQuantity        *quantity `json:"valueQuantity,omitempty"`
	ValueCodeableConcept *concept  `json:"valueCodeableConcept,omitempty"`
	ValueString          *string   `json:"valueString,omitempty"`
	ValueBoolean         *bool     `json:"valueBoolean,omitempty"`
	ValueInteger         *number   `json:"valueInteger,omitempty"`
	DataAbsentReason     *concept  `json:"dataAbsentReason,omitempty"`
}

// words are the texts of a value that is no quantity.
func (m measured) words() []string {
	out := m.ValueCodeableConcept.words()
	switch {
	case m.ValueString != nil:
		out = append(out, *m.ValueString)
	case m.ValueBoolean != nil:
		out = append(out, strconv.FormatBool(*m.ValueBoolean))
	case m.ValueInteger != nil:
		out = append(out, string(*m.ValueInteger))
	case m.ValueQuantity != nil && m.ValueQuantity.Value != nil:
		out = append(out, string(*m.ValueQuantity.Value))
	}
	return out
}

func (m measured) hasValue() bool {
	return m.ValueQuantity != nil && m.ValueQuantity.Value != nil || m.ValueCodeableConcept != nil ||
		m.ValueString != nil || m.ValueBoolean != nil || m.ValueInteger != nil
}

type observation struct {
	head
	measured
	Status            string       `json:"status,omitempty"`
	Subject           reference    `json:"subject"`
	Encounter         reference    `json:"encounter"`
	EffectiveDateTime string       `json:"effectiveDateTime,omitempty"`
	EffectiveInstant  string       `json:"effectiveInstant,omitempty"`
	EffectivePeriod   *period      `json:"effectivePeriod,omitempty"`
	Issued            string       `json:"issued,omitempty"`
	Performer         []reference  `json:"performer,omitempty"`
	Note              []annotation `json:"note,omitempty"`
	BodySite          *concept     `json:"bodySite,omitempty"`
	Component         []measured   `json:"component,omitempty"`
	Extension         []extension  `json:"extension,omitempty"`
}

type dosage struct {
	Timing *struct {
		Code   *concept `json:"code,omitempty"`
		Repeat *struct {
			BoundsPeriod *period `json:"boundsPeriod,omitempty"`
			Frequency    *number `json:"frequency,omitempty"`
			Period       *number `json:"period,omitempty"`
			PeriodUnit   string  `json:"periodUnit,omitempty"`
		} `json:"repeat,omitempty"`
	} `json:"timing,omitempty"`
	AsNeededBoolean         *bool    `json:"asNeededBoolean,omitempty"`
	AsNeededCodeableConcept *concept `json:"asNeededCodeableConcept,omitempty"`
	Route                   *concept `json:"route,omitempty"`
	DoseAndRate             []struct {
		DoseQuantity *quantity `json:"doseQuantity,omitempty"`
	} `json:"doseAndRate,omitempty"`
	Dose *quantity `json:"dose,omitempty"` // of an administration
}

type drugged struct {
	MedicationCodeableConcept *concept   `json:"medicationCodeableConcept,omitempty"`
	MedicationReference       *reference `json:"medicationReference,omitempty"`
}

type medicationRequest struct {
	head
	drugged
	Status            string    `json:"status,omitempty"`
	Intent            string    `json:"intent,omitempty"`
	DoNotPerform      bool      `json:"doNotPerform,omitempty"`
	Subject           reference `json:"subject"`
	Encounter         reference `json:"encounter"`
	AuthoredOn        string    `json:"authoredOn,omitempty"`
	DosageInstruction []dosage  `json:"dosageInstruction,omitempty"`
	DispenseRequest   *struct {
		ValidityPeriod *period `json:"validityPeriod,omitempty"`
	} `json:"dispenseRequest,omitempty"`
}

type medicationAdministration struct {
	head
	drugged
	Status            string     `json:"status,omitempty"`
	Subject           reference  `json:"subject"`
	Context           reference  `json:"context"`
	EffectiveDateTime string     `json:"effectiveDateTime,omitempty"`
	EffectivePeriod   *period    `json:"effectivePeriod,omitempty"`
	Request           *reference `json:"request,omitempty"`
	Dosage            *dosage    `json:"dosage,omitempty"`
}

type condition struct {
	head
	VerificationStatus *concept  `json:"verificationStatus,omitempty"`
	Code               *concept  `json:"code,omitempty"`
	Severity           *concept  `json:"severity,omitempty"`
	Subject            reference `json:"subject"`
	Encounter          reference `json:"encounter"`
	OnsetDateTime      string    `json:"onsetDateTime,omitempty"`
	OnsetPeriod        *period   `json:"onsetPeriod,omitempty"`
	RecordedDate       string    `json:"recordedDate,omitempty"`
}

type flag struct {
	head
	Status    string    `json:"status,omitempty"`
	Code      *concept  `json:"code,omitempty"`
	Subject   reference `json:"subject"`
	Encounter reference `json:"encounter"`
	Period    *period   `json:"period,omitempty"`
}

// adverseEvent has one identifier, not a list.
type adverseEvent struct {
	ResourceType string      `json:"resourceType"`
	ID           string      `json:"id,omitempty"`
	Identifier   *identifier `json:"identifier,omitempty"`
	Meta         *struct {
		LastUpdated string `json:"lastUpdated,omitempty"`
		VersionID   string `json:"versionId,omitempty"`
	} `json:"meta,omitempty"`
	Actuality    string    `json:"actuality,omitempty"`
	Event        *concept  `json:"event,omitempty"`
	Severity     *concept  `json:"severity,omitempty"`
	Subject      reference `json:"subject"`
	Encounter    reference `json:"encounter"`
	Date         string    `json:"date,omitempty"`
	RecordedDate string    `json:"recordedDate,omitempty"`
}

func (a adverseEvent) head() head {
	h := head{ResourceType: a.ResourceType, ID: a.ID, Meta: a.Meta}
	if a.Identifier != nil {
		h.Identifier = []identifier{*a.Identifier}
	}
	return h
}

type procedure struct {
	head
	Status            string    `json:"status,omitempty"`
	Code              *concept  `json:"code,omitempty"`
	Subject           reference `json:"subject"`
	Encounter         reference `json:"encounter"`
	PerformedDateTime string    `json:"performedDateTime,omitempty"`
	PerformedPeriod   *period   `json:"performedPeriod,omitempty"`
	Performer         []struct {
		Actor reference `json:"actor"`
	} `json:"performer,omitempty"`
}

// decode reads a resource into its form. The error completes "the resource ..." and names
// the member of a wrong JSON type.
func decode(raw []byte, into any) error {
	err := json.Unmarshal(raw, into)
	var wrong *json.UnmarshalTypeError
	if errors.As(err, &wrong) {
		field := strings.TrimPrefix(strings.TrimPrefix(strings.TrimPrefix(wrong.Field, "head."), "measured."), "drugged.")
		if field == "" {
			field = "it"
		}
		return fmt.Errorf("%s has the wrong JSON type: %s", field, wrong.Value)
	}
	return err
}
