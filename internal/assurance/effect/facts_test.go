package effect

import (
	"fmt"
	"time"

	"plumbline/internal/clinical"
)

// noon is the moment for which every scenario is answered. Hours are counted
// back from it.
var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func ago(hours float64) time.Time { return noon.Add(-clinical.Hours(hours)) }

func ptr[T any](v T) *T { return &v }

// fact is a version of a fact of stay S that was known at its own time.
func fact(id string, status clinical.Status, b clinical.Body) clinical.Version {
	recorded := b.OwnTime()
	if recorded.IsZero() { // a condition
		recorded = ago(1000)
	}
	return clinical.Version{
		Kind: b.FactKind(), SourceID: id, StayID: "S", RecordedAt: recorded, Stated: b.OwnTime().IsZero(), Status: status, File: "a.csv", Body: b,
	}
}

// stay is admitted so many hours ago, of a patient born in a year: one of 2026
// minus 65 or earlier is at risk by age.
func stay(hours float64, born int) clinical.Version {
	return fact("S", clinical.Final, clinical.Stay{
		PatientID: "P", Unit: "4W", Bed: "1", BirthDate: fmt.Sprintf("%d-01-01", born), AdmittedAt: ago(hours),
	})
}

// young is no patient at risk, in hospital for ten days.
func young() clinical.Version { return stay(240, 1990) }

type facts = []clinical.Version

func join2(lists ...facts) facts {
	var out facts
	for _, l := range lists {
		out = append(out, l...)
	}
	return out
}

type change func(lying, standing *clinical.Vitals)

// set is a lying and a standing reading of a systolic pressure each, the second
// three minutes after standing up, in quality complete but for the reading at 1 min.
func set(hours, lying, standing float64, changes ...change) facts {
	l := clinical.Vitals{
		TakenAt: ago(hours), Systolic: &lying, Diastolic: ptr(70.0), HeartRate: ptr(60.0), Position: clinical.Lying,
		Limb: "left arm", MinutesInPosition: ptr(5.0),
	}
	s := clinical.Vitals{
		TakenAt: l.TakenAt.Add(3 * time.Minute), Systolic: &standing, Diastolic: ptr(70.0), HeartRate: ptr(64.0), Position: clinical.Standing,
		Limb: "left arm", MinutesInPosition: ptr(3.0),
	}
	for _, c := range changes {
		c(&l, &s)
	}
	id := fmt.Sprintf("set %v h ago", hours)
	return facts{fact(id+", lying", clinical.Final, l), fact(id+", standing", clinical.Final, s)}
}

func minutes(m float64) change {
	return func(_, s *clinical.Vitals) { s.MinutesInPosition = &m }
}

func later(m float64) change {
	return func(l, s *clinical.Vitals) { s.TakenAt = l.TakenAt.Add(clinical.Minutes(m)) }
}

func diastolic(lying, standing float64) change {
	return func(l, s *clinical.Vitals) { l.Diastolic, s.Diastolic = &lying, &standing }
}

func noDiastolic(l, s *clinical.Vitals) { l.Diastolic, s.Diastolic = nil, nil }

func pulse(lying, standing float64) change {
	return func(l, s *clinical.Vitals) { l.HeartRate, s.HeartRate = &lying, &standing }
}

func dizzy(_, s *clinical.Vitals)   { s.Symptoms = []string{"dizziness"} }
func stopped(_, s *clinical.Vitals) { s.Symptoms, s.StoppedEarly = []string{"dizziness"}, true }

// noRest makes a set without a drop inconclusive.
func noRest(l, _ *clinical.Vitals) { l.MinutesInPosition = ptr(2.0) }

// order is a daily dose in mg by mouth; to is 0 for an order without an end.
func order(drug string, mg, from, to float64) clinical.Version {
	o := clinical.Order{Drug: clinical.Drug{Text: drug}, StartAt: ago(from), Dose: &mg, DoseUnit: "mg", Route: "po", TimesPerDay: ptr(1.0)}
	if to != 0 {
		o.EndAt = ptr(ago(to))
	}
	return fact(fmt.Sprintf("order of %s %v h ago", drug, from), clinical.Active, o)
}

func dose(drug string, mg, hours float64) clinical.Version {
	return fact(fmt.Sprintf("dose of %s %v h ago", drug, hours), clinical.Completed,
		clinical.Dose{Drug: clinical.Drug{Text: drug}, GivenAt: ago(hours), Dose: &mg, DoseUnit: "mg", Route: "po"})
}

// balance is intake and output charted over one time.
func balance(from, to, in, out float64) facts {
	return facts{fluid("in", "oral", from, to, in), fluid("out", "urine", from, to, out)}
}

func fluid(direction, what string, from, to, ml float64) clinical.Version {
	f := clinical.Fluid{From: ago(from), To: ago(to), Direction: direction, VolumeML: ml, What: what}
	v := fact(fmt.Sprintf("%s %v h ago", what, from), clinical.Final, f)
	v.RecordedAt = f.To
	return v
}

func weight(hours, kg float64) clinical.Version {
	return fact(fmt.Sprintf("weight %v h ago", hours), clinical.Final, clinical.Weight{MeasuredAt: ago(hours), KG: kg})
}

func haemoglobin(hours, gdl float64) clinical.Version {
	return fact(fmt.Sprintf("haemoglobin %v h ago", hours), clinical.Final,
		clinical.Lab{TakenAt: ago(hours), LOINC: clinical.Haemoglobin, Value: gdl, Unit: "g/dL"})
}

func fall(hours float64) clinical.Version {
	return fact(fmt.Sprintf("fall %v h ago", hours), clinical.Final, clinical.Fall{FellAt: ago(hours), Injury: "none"})
}

func answered(word string, hours float64) clinical.Version {
	return fact(fmt.Sprintf("%s %v h ago", word, hours), clinical.Final, clinical.Answer{AnsweredAt: ago(hours), Answer: word})
}

func treatment(hours float64) clinical.Version {
	return fact(fmt.Sprintf("treatment %v h ago", hours), clinical.Final, clinical.Treatment{GivenAt: ago(hours), What: "fluid bolus"})
}

func inPlace(word string) clinical.Version {
	return fact(word, clinical.Final, clinical.Precaution{Precaution: word, StartedAt: ago(200)})
}

func wholeBundle() facts {
	var out facts
	for _, word := range clinical.DefaultPolicy().Precautions.Bundle {
		out = append(out, inPlace(word))
	}
	return out
}
