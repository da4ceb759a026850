package feed

import "plumbline/internal/clinical"

// Bodies holds the body of one fact, of whichever kind, in a form that JSON can write: the
// parts of readers carry it.
type Bodies struct {
	Order       *clinical.Order       `json:",omitempty"`
	Dose        *clinical.Dose        `json:",omitempty"`
	Fluid       *clinical.Fluid       `json:",omitempty"`
	Weight      *clinical.Weight      `json:",omitempty"`
	Lab         *clinical.Lab         `json:",omitempty"`
	Condition   *clinical.Condition   `json:",omitempty"`
	Precaution  *clinical.Precaution  `json:",omitempty"`
	Fall        *clinical.Fall        `json:",omitempty"`
	Restriction *clinical.Restriction `json:",omitempty"`
	Clearance   *clinical.Clearance   `json:",omitempty"`
	Answer      *clinical.Answer      `json:",omitempty"`
}

// Body is the body; nil where there is none.
func (b Bodies) Body() clinical.Body {
	switch {
	case b.Order != nil:
		return *b.Order
	case b.Dose != nil:
		return *b.Dose
	case b.Fluid != nil:
		return *b.Fluid
	case b.Weight != nil:
		return *b.Weight
	case b.Lab != nil:
		return *b.Lab
	case b.Condition != nil:
		return *b.Condition
	case b.Precaution != nil:
		return *b.Precaution
	case b.Fall != nil:
		return *b.Fall
	case b.Restriction != nil:
		return *b.Restriction
	case b.Clearance != nil:
		return *b.Clearance
	case b.Answer != nil:
		return *b.Answer
	}
	return nil
}

// BodiesOf holds a body. Stays and readings are composed of more than one part, and have
// no place here.
func BodiesOf(body clinical.Body) (b Bodies) {
	switch body := body.(type) {
	case clinical.Order:
		b.Order = &body
	case clinical.Dose:
		b.Dose = &body
	case clinical.Fluid:
		b.Fluid = &body
	case clinical.Weight:
		b.Weight = &body
	case clinical.Lab:
		b.Lab = &body
	case clinical.Condition:
		b.Condition = &body
	case clinical.Precaution:
		b.Precaution = &body
	case clinical.Fall:
		b.Fall = &body
	case clinical.Restriction:
		b.Restriction = &body
	case clinical.Clearance:
		b.Clearance = &body
	case clinical.Answer:
		b.Answer = &body
	}
	return b
}
