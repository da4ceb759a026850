package csvfeed

import (
	"slices"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

// bodies reads what a fact of each kind says.
var bodies = map[clinical.Kind]func(*row) clinical.Body{
	clinical.KindStay:        stay,
	clinical.KindVitals:      vitals,
	clinical.KindOrder:       order,
	clinical.KindDose:        dose,
	clinical.KindFluid:       fluid,
	clinical.KindWeight:      weight,
	clinical.KindLab:         lab,
	clinical.KindCondition:   condition,
	clinical.KindPrecaution:  precaution,
	clinical.KindFall:        fall,
	clinical.KindRestriction: restriction,
	clinical.KindClearance:   clearance,
	clinical.KindAnswer:      answer,
	clinical.KindTreatment:   treatment,
}

func stay(r *row) clinical.Body {
	b := clinical.Stay{
		PatientID: r.need("patient_id"), Unit: r.needName("unit"), AdmittedAt: r.needTime("admitted_at"),
		Bed: r.cell("bed"), DischargedAt: r.time("discharged_at"), Name: r.cell("name"), Sex: r.cell("sex"),
		NotAmbulatory: r.word("ambulatory", []string{"yes", "no"}) == "no",
	}
	if s := r.cell("birth_date"); s != "" {
		date, ok := feed.ParseDate(s)
		if !ok {
			r.wrong("birth_date is not a date of the form 1950-01-31: %q", s)
		}
		b.BirthDate = date
	}
	return b
}

func vitals(r *row) clinical.Body {
	factor := r.unit("pressure_unit", clinical.MeasureSystolic, "mm[Hg]", "kPa")
	b := clinical.Vitals{
		TakenAt:  r.needTime("taken_at"),
		Systolic: scaled(r.number("systolic"), factor), Diastolic: scaled(r.number("diastolic"), factor),
		HeartRate: r.number("heart_rate"),
		Position:  clinical.Position(r.word("position", []string{"lying", "sitting", "standing"})),
		Limb:      r.word("limb", clinical.Limbs), MinutesInPosition: r.amount("minutes_in_position"),
		SetID: r.cell("set_id"), StoppedEarly: r.yes("stopped_early"),
	}
	if factor != 1 {
		b.PressureUnit = "kPa"
	}
	for _, s := range strings.Split(r.cell("symptoms"), ";") {
		b.Symptoms = appendSymptom(r, b.Symptoms, strings.TrimSpace(s))
	}
	return b
}

func appendSymptom(r *row, list []string, s string) []string {
	if s == "" {
		return list
	}
	n := slices.IndexFunc(clinical.Symptoms, func(w string) bool { return strings.EqualFold(w, s) })
	if n < 0 {
		r.wrong("symptoms has a word that is none of %s: %q", strings.Join(clinical.Symptoms, ", "), s)
		return list
	}
	if slices.Contains(list, clinical.Symptoms[n]) {
		return list
	}
	return append(list, clinical.Symptoms[n])
}

func drug(r *row) clinical.Drug {
	return clinical.Drug{Text: r.need("drug"), ATC: r.cell("atc"), RxNorm: r.cell("rxnorm")}
}

func order(r *row) clinical.Body {
	return clinical.Order{
		Drug: drug(r), StartAt: r.needTime("start_at"), EndAt: r.time("end_at"),
		Dose: r.amount("dose"), DoseUnit: r.cell("dose_unit"), Route: r.cell("route"),
		TimesPerDay: r.amount("times_per_day"), AsNeeded: r.yes("as_needed"), NewDrug: r.yes("new_drug"),
	}
}

func dose(r *row) clinical.Body {
	return clinical.Dose{
		Drug: drug(r), GivenAt: r.needTime("given_at"), OrderID: r.cell("order_id"),
		Dose: r.amount("dose"), DoseUnit: r.cell("dose_unit"), Route: r.cell("route"),
	}
}

func fluid(r *row) clinical.Body {
	b := clinical.Fluid{
		From: r.needTime("from"), To: r.needTime("to"), Direction: r.needWord("direction", []string{"in", "out"}),
		VolumeML: r.needAmount("volume") * r.unit("volume_unit", clinical.MeasureFluidIn, "mL", "L"),
		What:     r.word("kind", clinical.FluidKinds),
	}
	if b.From.After(b.To) {
		r.wrong("from lies after to")
	}
	return b
}

func weight(r *row) clinical.Body {
	b := clinical.Weight{
		MeasuredAt: r.needTime("measured_at"),
		KG:         r.needAmount("weight") * r.unit("weight_unit", clinical.MeasureWeight, "kg", "[lb_av]"),
	}
	if b.KG == 0 {
		r.wrong("weight is zero")
	}
	return b
}

func lab(r *row) clinical.Body {
	b := clinical.Lab{TakenAt: r.needTime("taken_at"), LOINC: r.need("loinc"), Unit: r.cell("unit")}
	if r.need("value") != "" {
		if v := r.number("value"); v != nil {
			b.Value = *v
		}
	}
	if b.LOINC == clinical.Haemoglobin {
		b.Value *= r.unit("unit", clinical.MeasureHaemoglobin, "g/dL", "g/L")
		b.Unit = "g/dL"
	}
	return b
}

func condition(r *row) clinical.Body {
	return clinical.Condition{ICD10: r.need("icd10"), Text: r.cell("text")}
}

func precaution(r *row) clinical.Body {
	return clinical.Precaution{
		Precaution: r.needWord("precaution", clinical.Precautions),
		StartedAt:  r.needTime("started_at"), EndedAt: r.time("ended_at"),
	}
}

func fall(r *row) clinical.Body {
	b := clinical.Fall{FellAt: r.needTime("fell_at"), Injury: r.word("injury", clinical.Injuries)}
	if r.cell("assisted") != "" {
		assisted := r.yes("assisted")
		b.Assisted = &assisted
	}
	return b
}

func restriction(r *row) clinical.Body {
	b := clinical.Restriction{
		Limb: r.needWord("limb", clinical.Limbs), Reason: r.needWord("reason", clinical.RestrictionReasons),
		EndedAt: r.time("ended_at"),
	}
	if t := r.time("started_at"); t != nil {
		b.StartedAt = *t
	}
	return b
}

func clearance(r *row) clinical.Body {
	return clinical.Clearance{ClearedAt: r.needTime("cleared_at"), By: r.cell("by")}
}

func answer(r *row) clinical.Body {
	return clinical.Answer{
		AnsweredAt: r.needTime("answered_at"), Answer: r.needWord("answer", clinical.Answers), Reason: r.cell("reason"),
	}
}

func treatment(r *row) clinical.Body {
	return clinical.Treatment{GivenAt: r.needTime("given_at"), What: r.word("kind", clinical.TreatmentKinds)}
}
