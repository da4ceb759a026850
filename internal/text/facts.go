package text

import (
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Fact says what a fact says, without its own time; "" of no body.
func (c Catalogue) Fact(body clinical.Body) string { return strings.TrimSpace(c.fact(body)) }

func (c Catalogue) fact(body clinical.Body) string {
	switch b := body.(type) {
	case clinical.Stay:
		return sayStay(c, b)
	case clinical.Vitals:
		return sayVitals(c, b)
	case clinical.Order:
		return sayOrder(c, b)
	case clinical.Dose:
		return sayDose(c, b)
	case clinical.Fluid:
		return sayFluid(c, b)
	case clinical.Weight:
		return sayMass(c, b)
	case clinical.Lab:
		return sayLab(c, b)
	case clinical.Condition:
		return sayCondition(c, b)
	case clinical.Precaution:
		return sayPrecaution(c, b)
	case clinical.Fall:
		return sayFall(c, b)
	case clinical.Restriction:
		return sayRestriction(c, b)
	case clinical.Clearance:
		return sayClearance(c, b)
	case clinical.Answer:
		return sayAnswer(c, b)
	case clinical.Treatment:
		return sayTreatment(c, b)
	}
	return ""
}

// Assisted says whether somebody helped a falling patient to the floor.
func Assisted(v *bool) string { return sayAssisted(Catalogue{}, v) }

// Doubts say what V-PLAUSIBLE has taken out of a reading, one each.
func Doubts(all []trends.Doubt) []string {
	var out []string
	for _, d := range all {
		if d.Diastolic != nil {
			out = append(out, Say("facts.not-above", Figure(d.Value), Figure(*d.Diastolic)))
			continue
		}
		out = append(out, Say("facts.outside", doubted(d.Of), Figure(d.Value), Figure(d.Low), Figure(d.High)))
	}
	return out
}

func doubted(of trends.Value) string {
	switch of {
	case trends.OfSystolic:
		return Say("facts.systolic")
	case trends.OfDiastolic:
		return Say("facts.diastolic")
	}
	return Say("facts.pulse")
}
