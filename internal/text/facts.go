package text

import (
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
)

// FactKinds are the kinds of facts as people read them, one of each.
var FactKinds = map[clinical.Kind]string{
	clinical.KindStay: "stay", clinical.KindVitals: "reading", clinical.KindOrder: "order", clinical.KindDose: "dose",
	clinical.KindFluid: "fluid", clinical.KindWeight: "weight", clinical.KindLab: "laboratory value",
	clinical.KindCondition: "coded condition", clinical.KindPrecaution: "precaution", clinical.KindFall: "fall",
	clinical.KindRestriction: "limb restriction", clinical.KindClearance: "clearance to stand",
	clinical.KindAnswer: "answer to a recheck", clinical.KindTreatment: "treatment",
}

// LaterWords say what a version that was charted later did.
var LaterWords = map[string]string{
	alerts.LaterNew: "charted", alerts.LaterChanged: "changed", alerts.LaterTakenBack: "taken back", alerts.LaterMoved: "given to another stay",
}

// Fact says what a fact says, without its own time.
func (c Catalogue) Fact(body clinical.Body) string {
	switch b := body.(type) {
	case clinical.Stay:
		return join("unit "+b.Unit, named("bed ", b.Bed), "admitted "+c.Time(b.AdmittedAt), c.ended("discharge ", b.DischargedAt),
			when(b.NotAmbulatory, "not ambulatory"))
	case clinical.Vitals:
		return c.reading(b)
	case clinical.Order:
		return join(strings.TrimSpace(b.Text+" "+amount(b.Dose, b.DoseUnit)), b.Route, times(b.TimesPerDay), when(b.AsNeeded, "as needed"),
			"from "+c.Time(b.StartAt), c.ended("until ", b.EndAt))
	case clinical.Dose:
		return join(strings.TrimSpace(b.Text+" "+amount(b.Dose, b.DoseUnit)), b.Route)
	case clinical.Fluid:
		return join(b.Direction+" "+Figure(b.VolumeML)+" mL", strings.ReplaceAll(b.What, "_", " "), "from "+c.Time(b.From))
	case clinical.Weight:
		return Figure(b.KG) + " kg"
	case clinical.Lab:
		return strings.TrimSpace("LOINC " + b.LOINC + ": " + Figure(b.Value) + " " + b.Unit)
	case clinical.Condition:
		return strings.TrimSpace(b.ICD10 + " " + b.Text)
	case clinical.Precaution:
		return join(b.Precaution, c.ended("ended ", b.EndedAt))
	case clinical.Fall:
		return join(Injury(b.Injury), Assisted(b.Assisted))
	case clinical.Restriction:
		return join("do not measure the "+b.Limb, b.Reason, c.ended("ended ", b.EndedAt))
	case clinical.Clearance:
		return join("may stand", named("said by ", b.By))
	case clinical.Answer:
		return join(b.Answer, b.Reason)
	case clinical.Treatment:
		if b.What == "" {
			return "kind not charted"
		}
		return b.What
	}
	return ""
}

func (c Catalogue) reading(b clinical.Vitals) string {
	position := string(b.Position)
	if position == "" {
		position = "position not charted"
	}
	pressure := Pressure(b.Systolic, b.Diastolic)
	if b.Systolic == nil && b.Diastolic == nil {
		pressure = "no pressure"
	}
	rate := ""
	if b.HeartRate != nil {
		rate = "pulse " + Figure(*b.HeartRate)
	}
	minutes := ""
	if b.MinutesInPosition != nil {
		minutes = Figure(*b.MinutesInPosition) + " min in it"
	}
	return join(position+" "+pressure, rate, b.Limb, minutes, List(b.Symptoms), when(b.StoppedEarly, "stopped early"))
}

// Assisted says whether somebody helped a falling patient to the floor.
func Assisted(v *bool) string {
	switch {
	case v == nil:
		return "not charted whether assisted"
	case *v:
		return "assisted to the floor"
	}
	return "not assisted"
}

func amount(v *float64, unit string) string {
	if v == nil {
		return ""
	}
	return strings.TrimSpace(exact(*v) + " " + unit)
}

func times(v *float64) string {
	if v == nil {
		return ""
	}
	return Figure(*v) + " a day"
}

func named(name, word string) string {
	if word == "" {
		return ""
	}
	return name + word
}

func (c Catalogue) ended(word string, t *time.Time) string {
	if t == nil {
		return ""
	}
	return word + c.Time(*t)
}

func when(holds bool, word string) string {
	if holds {
		return word
	}
	return ""
}

// join puts commas between what is there.
func join(words ...string) string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return strings.Join(out, ", ")
}
