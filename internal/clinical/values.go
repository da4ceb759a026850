package clinical

import "time"

func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func number(f *float64) any {
	if f == nil {
		return nil
	}
	return *f
}

func moment(t *time.Time) any {
	if t == nil {
		return nil
	}
	return t.UTC()
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// Values implements Body.
func (b Stay) Values() map[string]any {
	return map[string]any{
		"patient_id": b.PatientID, "unit": b.Unit, "bed": text(b.Bed), "name": text(b.Name),
		"birth_date": text(b.BirthDate), "sex": text(b.Sex),
		"discharged_at": moment(b.DischargedAt), "ambulatory": yesNo(!b.NotAmbulatory),
	}
}

// Values implements Body. Pressures are mmHg whatever the feed's unit was.
func (b Vitals) Values() map[string]any {
	symptoms := b.Symptoms
	if symptoms == nil {
		symptoms = []string{}
	}
	return map[string]any{
		"systolic": number(b.Systolic), "diastolic": number(b.Diastolic), "heart_rate": number(b.HeartRate),
		"position": text(string(b.Position)), "limb": text(b.Limb),
		"minutes_in_position": number(b.MinutesInPosition), "set_id": text(b.SetID),
		"symptoms": symptoms, "stopped_early": yesNo(b.StoppedEarly), "pressure_unit": "mm[Hg]",
	}
}

func (d Drug) values() map[string]any {
	return map[string]any{"drug": d.Text, "atc": text(d.ATC), "rxnorm": text(d.RxNorm)}
}

// Values implements Body. Doses stay in the unit in which they were ordered:
// a tablet has no other before its drug is known.
func (b Order) Values() map[string]any {
	v := b.Drug.values()
	v["dose"], v["dose_unit"], v["route"] = number(b.Dose), text(b.DoseUnit), text(b.Route)
	v["times_per_day"], v["end_at"] = number(b.TimesPerDay), moment(b.EndAt)
	v["as_needed"], v["new_drug"] = yesNo(b.AsNeeded), yesNo(b.NewDrug)
	return v
}

// Values implements Body.
func (b Dose) Values() map[string]any {
	v := b.Drug.values()
	v["dose"], v["dose_unit"], v["route"] = number(b.Dose), text(b.DoseUnit), text(b.Route)
	v["order_id"] = text(b.OrderID)
	return v
}

// Values implements Body.
func (b Fluid) Values() map[string]any {
	return map[string]any{
		"from": b.From.UTC(), "to": b.To.UTC(), "direction": b.Direction,
		"volume": b.VolumeML, "volume_unit": "mL", "kind": text(b.What),
	}
}

// Values implements Body.
func (b Weight) Values() map[string]any {
	return map[string]any{"weight": b.KG, "weight_unit": "kg"}
}

// Values implements Body.
func (b Lab) Values() map[string]any {
	return map[string]any{"loinc": b.LOINC, "value": b.Value, "unit": text(b.Unit)}
}

// Values implements Body.
func (b Condition) Values() map[string]any {
	return map[string]any{"icd10": b.ICD10, "text": text(b.Text)}
}

// Values implements Body.
func (b Precaution) Values() map[string]any {
	return map[string]any{"precaution": b.Precaution, "ended_at": moment(b.EndedAt)}
}

// Values implements Body.
func (b Fall) Values() map[string]any {
	var assisted any
	if b.Assisted != nil {
		assisted = yesNo(*b.Assisted)
	}
	return map[string]any{"injury": text(b.Injury), "assisted": assisted}
}

// Values implements Body.
func (b Restriction) Values() map[string]any {
	return map[string]any{"limb": b.Limb, "reason": b.Reason, "ended_at": moment(b.EndedAt)}
}

// Values implements Body.
func (b Clearance) Values() map[string]any { return map[string]any{"by": text(b.By)} }

// Values implements Body.
func (b Answer) Values() map[string]any {
	return map[string]any{"answer": b.Answer, "reason": text(b.Reason)}
}

// Values implements Body.
func (b Treatment) Values() map[string]any { return map[string]any{"kind": text(b.What)} }
