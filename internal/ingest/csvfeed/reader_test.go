package csvfeed

import (
	"bytes"
	"compress/gzip"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/drill"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// now is the moment of loading.
var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func options() feed.Options { return feed.Options{Zone: time.UTC, Now: now} }

// kept is a sink that keeps what it is handed.
type kept struct {
	put     []clinical.Version
	held    []records.Held
	notices []string
}

func (k *kept) Put(v clinical.Version) error     { k.put = append(k.put, v); return nil }
func (k *kept) Seen(records.SeenCode) error      { return nil }
func (k *kept) Beside(records.Part) error        { return nil }
func (k *kept) Hold(h records.Held) error        { k.held = append(k.held, h); return nil }
func (k *kept) Skip(string, clinical.Kind) error { return nil }
func (k *kept) Part(records.Part) error          { return errors.New("CSV has no parts") }
func (k *kept) Notice(text string)               { k.notices = append(k.notices, text) }

func read(t *testing.T, kind clinical.Kind, text string) (*kept, error) {
	t.Helper()
	k := &kept{}
	plain, _, err := feed.Open(strings.NewReader(text))
	if err == nil {
		err = Read(plain, kind, "file.csv", options(), k)
	}
	return k, err
}

// one reads a file of one row and returns its version, or why it was held.
func one(t *testing.T, kind clinical.Kind, header, row string) (clinical.Version, string) {
	t.Helper()
	k, err := read(t, kind, header+"\n"+row+"\n")
	switch {
	case err != nil:
		t.Fatalf("%s: %v", row, err)
	case len(k.put) == 1 && len(k.held) == 0:
		return k.put[0], ""
	case len(k.put) == 0 && len(k.held) == 1:
		return clinical.Version{}, k.held[0].Reason
	}
	t.Fatalf("%s: %d rows put, %d held", row, len(k.put), len(k.held))
	return clinical.Version{}, ""
}

func at(text string) time.Time {
	got, err := time.Parse("2006-01-02T15:04", text)
	if err != nil {
		panic(err)
	}
	return got
}

func ptr[T any](v T) *T { return &v }

func TestEveryColumnOfEachKindIsRead(t *testing.T) {
	kPa, pound, gramPerL := 7.50062, 0.45359237, 0.1 // variables: the program's products are rounded, constants are not
	admitted, later := at("2026-11-24T08:00"), at("2026-11-24T09:30")
	cases := []struct {
		kind        clinical.Kind
		header, row string
		want        clinical.Body
	}{
		{clinical.KindStay, "stay_id,patient_id,unit,admitted_at,bed,discharged_at,name,birth_date,sex,ambulatory",
			"S,P,4W,2026-11-24T08:00,12A,2026-11-30T10:00,Ann Example,1940-05-06,f,NO",
			clinical.Stay{PatientID: "P", Unit: "4W", Bed: "12A", Name: "Ann Example", BirthDate: "1940-05-06", Sex: "f", AdmittedAt: admitted,
				DischargedAt: ptr(at("2026-11-30T10:00")), NotAmbulatory: true}},
		{clinical.KindStay, "stay_id,patient_id,unit,admitted_at,ambulatory", "S,P,4W,2026-11-24T08:00,",
			clinical.Stay{PatientID: "P", Unit: "4W", AdmittedAt: admitted}},
		{clinical.KindVitals, "source_id,stay_id,taken_at,systolic,diastolic,heart_rate,position,limb,minutes_in_position,set_id,symptoms,stopped_early,pressure_unit",
			`v,S,2026-11-24T08:00,142,78.5,70,Lying,LEFT ARM,5,A," Dizziness ;nausea;;dizziness",Yes,mm[hg]`,
			clinical.Vitals{TakenAt: admitted, Systolic: ptr(142.0), Diastolic: ptr(78.5), HeartRate: ptr(70.0), Position: clinical.Lying, Limb: "left arm",
				MinutesInPosition: ptr(5.0), SetID: "A", Symptoms: []string{"dizziness", "nausea"}, StoppedEarly: true}},
		{clinical.KindVitals, "source_id,stay_id,taken_at,systolic,diastolic,pressure_unit", "v,S,2026-11-24T08:00,20,,kpa",
			clinical.Vitals{TakenAt: admitted, Systolic: ptr(20 * kPa), PressureUnit: "kPa"}},
		{clinical.KindVitals, "source_id,stay_id,taken_at", "v,S,2026-11-24T08:00", clinical.Vitals{TakenAt: admitted}},
		{clinical.KindOrder, "source_id,stay_id,drug,start_at,atc,rxnorm,dose,dose_unit,route,times_per_day,end_at,as_needed,new_drug",
			"o,S,Furosemide,2026-11-24T08:00,C03CA01,4603,40,mg,po,2,2026-12-24T08:00,yes,YES",
			clinical.Order{Drug: clinical.Drug{Text: "Furosemide", ATC: "C03CA01", RxNorm: "4603"}, StartAt: admitted, EndAt: ptr(at("2026-12-24T08:00")),
				Dose: ptr(40.0), DoseUnit: "mg", Route: "po", TimesPerDay: ptr(2.0), AsNeeded: true, NewDrug: true}},
		{clinical.KindDose, "source_id,stay_id,drug,given_at,order_id,atc,rxnorm,dose,dose_unit,route",
			"d,S,Furosemide,2026-11-24T08:00,o,C03CA01,4603,1e1,mg,iv",
			clinical.Dose{Drug: clinical.Drug{Text: "Furosemide", ATC: "C03CA01", RxNorm: "4603"}, GivenAt: admitted, OrderID: "o", Dose: ptr(10.0), DoseUnit: "mg", Route: "iv"}},
		{clinical.KindFluid, "source_id,stay_id,from,to,direction,volume,volume_unit,kind",
			"f,S,2026-11-24T08:00,2026-11-24T09:30,OUT,1.5,l,Urine",
			clinical.Fluid{From: admitted, To: later, Direction: "out", VolumeML: 1500, What: "urine"}},
		{clinical.KindFluid, "source_id,stay_id,from,to,direction,volume", "f,S,2026-11-24T08:00,2026-11-24T08:00,in,0",
			clinical.Fluid{From: admitted, To: admitted, Direction: "in"}},
		{clinical.KindWeight, "source_id,stay_id,measured_at,weight,weight_unit", "w,S,2026-11-24T08:00,154,[LB_AV]",
			clinical.Weight{MeasuredAt: admitted, KG: 154 * pound}},
		{clinical.KindLab, "source_id,stay_id,taken_at,loinc,value,unit", "l,S,2026-11-24T08:00,718-7,121,g/L",
			clinical.Lab{TakenAt: admitted, LOINC: "718-7", Value: 121 * gramPerL, Unit: "g/dL"}},
		{clinical.KindLab, "source_id,stay_id,taken_at,loinc,value,unit", "l,S,2026-11-24T08:00,2951-2,-1.5,mmol/L",
			clinical.Lab{TakenAt: admitted, LOINC: "2951-2", Value: -1.5, Unit: "mmol/L"}},
		{clinical.KindCondition, "source_id,stay_id,icd10,text", `c,S,G20,"Parkinson, ""early"""`, clinical.Condition{ICD10: "G20", Text: `Parkinson, "early"`}},
		{clinical.KindPrecaution, "source_id,stay_id,precaution,started_at,ended_at", "p,S,Bed Alarm,2026-11-24T08:00,2026-12-01T00:00",
			clinical.Precaution{Precaution: "bed alarm", StartedAt: admitted, EndedAt: ptr(at("2026-12-01T00:00"))}},
		{clinical.KindFall, "source_id,stay_id,fell_at,injury,assisted", "f,S,2026-11-24T08:00,MAJOR,no",
			clinical.Fall{FellAt: admitted, Injury: "major", Assisted: ptr(false)}},
		{clinical.KindFall, "source_id,stay_id,fell_at,injury,assisted", "f,S,2026-11-24T08:00,,", clinical.Fall{FellAt: admitted}},
		{clinical.KindRestriction, "source_id,stay_id,limb,reason,started_at,ended_at", "r,S,Left Arm,FISTULA,2026-11-24T08:00,2026-12-01T00:00",
			clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: admitted, EndedAt: ptr(at("2026-12-01T00:00"))}},
		{clinical.KindClearance, "source_id,stay_id,cleared_at,by", "c,S,2026-11-24T08:00,the provider", clinical.Clearance{ClearedAt: admitted, By: "the provider"}},
		{clinical.KindAnswer, "source_id,stay_id,answered_at,answer,reason", "a,S,2026-11-24T08:00,Done Elsewhere,in physiotherapy",
			clinical.Answer{AnsweredAt: admitted, Answer: "done elsewhere", Reason: "in physiotherapy"}},
		{clinical.KindTreatment, "source_id,stay_id,given_at,kind", "t,S,2026-11-24T08:00,Fluid Bolus", clinical.Treatment{GivenAt: admitted, What: "fluid bolus"}},
	}
	for _, c := range cases {
		v, reason := one(t, c.kind, c.header, c.row)
		if reason != "" || !reflect.DeepEqual(v.Body, c.want) {
			t.Errorf("%s: %s\n got %+v\nwant %+v", c.kind, reason, v.Body, c.want)
		}
		if v.Kind != c.kind || v.StayID != "S" || v.Feed != "csv" || v.File != "file.csv" || v.Line != 2 || v.Stated {
			t.Errorf("%s: %+v", c.kind, v)
		}
	}
}

func TestColumnsComeInAnyOrderAndCase(t *testing.T) {
	v, reason := one(t, clinical.KindWeight, " Weight ,STAY_ID,measured_at,Source_ID", " 70 , S ,2026-11-24T08:00 , w ")
	if reason != "" || v.SourceID != "w" || v.StayID != "S" || v.Body.(clinical.Weight).KG != 70 {
		t.Errorf("%s, %+v", reason, v)
	}
}

func TestAFactIsRecordedWhenTheRowSaysOrAtItsOwnTime(t *testing.T) {
	const order = "source_id,stay_id,drug,start_at,end_at,status,recorded_at"
	cases := []struct {
		kind             clinical.Kind
		header, row      string
		recorded, status string
		stated           bool
	}{
		{clinical.KindWeight, "source_id,stay_id,measured_at,weight,recorded_at", "w,S,2026-11-24T08:00,70,2026-11-24T09:00", "2026-11-24T09:00", "final", true},
		{clinical.KindWeight, "source_id,stay_id,measured_at,weight,recorded_at,status", "w,S,2026-11-24T08:00,70, ,AMENDED", "2026-11-24T08:00", "amended", false},
		{clinical.KindFluid, "source_id,stay_id,from,to,direction,volume", "f,S,2026-11-24T08:00,2026-11-24T09:00,in,1", "2026-11-24T09:00", "final", false},
		{clinical.KindStay, "stay_id,patient_id,unit,admitted_at,discharged_at", "S,P,4W,2026-11-24T08:00,2026-11-25T08:00", "2026-11-24T08:00", "final", false},
		{clinical.KindDose, "source_id,stay_id,drug,given_at,status", "d,S,x,2026-11-24T08:00,Not-Done", "2026-11-24T08:00", "not-done", false},
		{clinical.KindDose, "source_id,stay_id,drug,given_at", "d,S,x,2026-11-24T08:00", "2026-11-24T08:00", "completed", false},
		{clinical.KindPrecaution, "source_id,stay_id,precaution,started_at", "p,S,sitter,2026-11-24T08:00", "2026-11-24T08:00", "final", false},
		{clinical.KindRestriction, "source_id,stay_id,limb,reason,started_at", "r,S,left arm,other,2026-12-24T08:00", "2026-12-24T08:00", "final", false},
		{clinical.KindRestriction, "source_id,stay_id,limb,reason,recorded_at", "r,S,left arm,other,2026-11-24T08:00", "2026-11-24T08:00", "final", true},
		{clinical.KindClearance, "source_id,stay_id,cleared_at", "c,S,2026-11-24T08:00", "2026-11-24T08:00", "final", false},
		{clinical.KindAnswer, "source_id,stay_id,answered_at,answer", "a,S,2026-11-24T08:00,declined", "2026-11-24T08:00", "final", false},
		{clinical.KindAnswer, "source_id,answered_at,status", "a,2026-11-24T08:00,entered-in-error", "2026-11-24T08:00", "entered-in-error", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,,", "2026-11-24T08:00", "active", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,corrected,", "2026-11-24T08:00", "corrected", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,stopped,", "2026-11-30T08:00", "stopped", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,on-hold,", "2026-11-30T08:00", "on-hold", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,completed,", "2026-11-30T08:00", "completed", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,2026-11-30T08:00,cancelled,", "2026-11-30T08:00", "cancelled", false},
		{clinical.KindOrder, order, "o,S,x,2026-11-24T08:00,,stopped,2026-11-24T20:00", "2026-11-24T20:00", "stopped", true},
		{clinical.KindDose, "source_id,recorded_at,status", "d,2026-11-24T08:00,entered-in-error", "2026-11-24T08:00", "entered-in-error", true},
		{clinical.KindStay, "stay_id,recorded_at,status", "S,2026-11-24T08:00,Entered-In-Error", "2026-11-24T08:00", "entered-in-error", true},
		{clinical.KindWeight, "source_id,measured_at,weight,status", "w,2026-11-24T08:00,not a number,entered-in-error", "2026-11-24T08:00", "entered-in-error", false},
	}
	for _, c := range cases {
		v, reason := one(t, c.kind, c.header, c.row)
		if reason != "" || !v.RecordedAt.Equal(at(c.recorded)) || string(v.Status) != c.status || v.Stated != c.stated {
			t.Errorf("%s: %s, recorded %s (stated %v), %s", c.row, reason, v.RecordedAt, v.Stated, v.Status)
		}
	}
	// A condition without recorded_at is known from admission.
	if v, _ := one(t, clinical.KindCondition, "source_id,stay_id,icd10", "c,S,G20"); !v.RecordedAt.IsZero() || v.Stated {
		t.Errorf("a condition: %+v", v)
	}
	// A retraction carries nothing but its identity.
	if v, _ := one(t, clinical.KindDose, "source_id,recorded_at,status", "d,2026-11-24T08:00,entered-in-error"); v.Body != nil || v.StayID != "" || !v.Removed() {
		t.Errorf("a retraction: %+v", v)
	}
}

func TestARowThatCannotBeUsedIsHeldWithOneReason(t *testing.T) {
	const (
		stays        = "stay_id,patient_id,unit,admitted_at,discharged_at,birth_date,ambulatory,recorded_at,status"
		readings     = "source_id,stay_id,taken_at,systolic,heart_rate,position,limb,minutes_in_position,symptoms,stopped_early,pressure_unit,recorded_at,status"
		orders       = "source_id,stay_id,drug,start_at,dose,times_per_day,end_at,as_needed,new_drug,status,recorded_at"
		doses        = "source_id,stay_id,drug,given_at,dose,status"
		fluids       = "source_id,stay_id,from,to,direction,volume,volume_unit,kind"
		weights      = "source_id,stay_id,measured_at,weight,weight_unit,recorded_at,status"
		labs         = "source_id,stay_id,taken_at,loinc,value,unit"
		conditions   = "source_id,stay_id,icd10"
		precautions  = "source_id,stay_id,precaution,started_at,ended_at"
		falls        = "source_id,stay_id,fell_at,injury,assisted"
		treatments   = "source_id,stay_id,given_at,kind"
		restrictions = "source_id,stay_id,limb,reason,started_at,ended_at,recorded_at"
		answers      = "source_id,stay_id,answered_at,answer"
	)
	cases := []struct {
		kind                clinical.Kind
		header, row, reason string // the start of the reason
	}{
		{clinical.KindStay, stays, ",P,4W,2026-11-24T08:00,,,,,", "stay_id is missing"},
		{clinical.KindStay, stays, "S, ,4W,2026-11-24T08:00,,,,,", "patient_id is missing"},
		{clinical.KindStay, stays, "S,P,,2026-11-24T08:00,,,,,", "unit is missing"},
		{clinical.KindStay, stays, "S,P,4W,,,,,,", "admitted_at is missing"},
		{clinical.KindStay, stays, "S,P,4W,yesterday,,,,,", "admitted_at is not a time"},
		{clinical.KindStay, stays, "S,P,4W,2026-11-24T08:00,soon,,,,", "discharged_at is not a time"},
		{clinical.KindStay, stays, "S,P,4W,2026-11-24T08:00,,1940,,,", "birth_date is not a date"},
		{clinical.KindStay, stays, "S,P,4W,2026-11-24T08:00,,,maybe,,", "ambulatory is none of yes, no"},
		{clinical.KindStay, stays, "S,P,4W,2026-11-24T08:00,,,,now,", "recorded_at is not a time"},
		{clinical.KindStay, stays, "S,P,4W,2026-11-24T08:00,,,,,gone", "status is none of final, amended, corrected, entered-in-error"},
		{clinical.KindStay, stays, "S,,,,,,,,entered-in-error", "recorded_at is missing"},
		{clinical.KindVitals, readings, ",S,2026-11-24T08:00,,,,,,,,,,", "source_id is missing"},
		{clinical.KindVitals, readings, "v,,2026-11-24T08:00,,,,,,,,,,", "stay_id is missing"},
		{clinical.KindVitals, readings, "v,S,,,,,,,,,,,", "taken_at is missing"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,12O,,,,,,,,,", `systolic is not a number: "12O"`},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,\"120,5\",,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,0x78,,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,1_20,,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,NaN,,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,Inf,,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,1e999,,,,,,,,,", "systolic is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,fast,,,,,,,,", "heart_rate is not a number"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,upside down,,,,,,,", "position is none of lying, sitting, standing"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,arm,,,,,,", "limb is none of left arm"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,,-1,,,,,", "minutes_in_position is negative"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,,,nausea;woozy,,,,", "symptoms has a word that is none of"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,,,,y,,,", "stopped_early is none of yes, no"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,,,,,psi,,", "pressure_unit is none of mm[Hg], kPa"},
		{clinical.KindVitals, readings, "v,S,2026-11-24T08:00,,,,,,,,,,active", "status is none of final"},
		{clinical.KindOrder, orders, "o,S,,2026-11-24T08:00,,,,,,,", "drug is missing"},
		{clinical.KindOrder, orders, "o,S,x,,,,,,,,", "start_at is missing"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,-40,,,,,,", "dose is negative"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,twice,,,,,", "times_per_day is not a number"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,never,,,,", "end_at is not a time"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,1,,,", "as_needed is none of yes, no"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,true,,", "new_drug is none of yes, no"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,,final,", "status is none of active, corrected, on-hold"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,,on-hold,", "recorded_at is missing: an order that is on-hold needs it, or end_at"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,,stopped,", "recorded_at is missing"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,,completed,", "recorded_at is missing"},
		{clinical.KindOrder, orders, "o,S,x,2026-11-24T08:00,,,,,,cancelled,", "recorded_at is missing"},
		{clinical.KindDose, doses, "d,S,,2026-11-24T08:00,,", "drug is missing"},
		{clinical.KindDose, doses, "d,S,x,,,", "given_at is missing"},
		{clinical.KindDose, doses, "d,S,x,2026-11-24T08:00,,final", "status is none of completed, not-done, entered-in-error"},
		{clinical.KindFluid, fluids, "f,S,,2026-11-24T08:00,in,1,,", "from is missing"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,,in,1,,", "to is missing"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T09:00,2026-11-24T08:00,in,1,,", "from lies after to"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,,1,,", "direction is missing"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,up,1,,", "direction is none of in, out"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,in,,,", "volume is missing"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,in,-1,,", "volume is negative"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,in,1,oz,", "volume_unit is none of mL, L"},
		{clinical.KindFluid, fluids, "f,S,2026-11-24T08:00,2026-11-24T08:00,in,1,,soup", "kind is none of oral"},
		{clinical.KindWeight, weights, "w,S,2026-11-24T08:00,,,,", "weight is missing"},
		{clinical.KindWeight, weights, "w,S,2026-11-24T08:00,0,,,", "weight is zero"},
		{clinical.KindWeight, weights, "w,S,2026-11-24T08:00,70,st,,", "weight_unit is none of kg, [lb_av]"},
		{clinical.KindWeight, weights, "w,S,,70,,,", "measured_at is missing"},
		{clinical.KindWeight, weights, "w,,,,,,entered-in-error", "recorded_at is missing: a row entered in error needs it"},
		{clinical.KindWeight, weights, "w,,,,,later,entered-in-error", "recorded_at is not a time"},
		{clinical.KindLab, labs, "l,S,2026-11-24T08:00,,1,", "loinc is missing"},
		{clinical.KindLab, labs, "l,S,2026-11-24T08:00,718-7,,", "value is missing"},
		{clinical.KindLab, labs, "l,S,2026-11-24T08:00,718-7,>12,", "value is not a number"},
		{clinical.KindLab, labs, "l,S,2026-11-24T08:00,718-7,12,mmol/L", "unit is none of g/dL, g/L"},
		{clinical.KindCondition, conditions, "c,S,", "icd10 is missing"},
		{clinical.KindPrecaution, precautions, "p,S,,2026-11-24T08:00,", "precaution is missing"},
		{clinical.KindPrecaution, precautions, "p,S,pillow,2026-11-24T08:00,", "precaution is none of assisted rising"},
		{clinical.KindPrecaution, precautions, "p,S,sitter,,", "started_at is missing"},
		{clinical.KindFall, falls, "f,S,,none,", "fell_at is missing"},
		{clinical.KindFall, falls, "f,S,2026-11-24T08:00,severe,", "injury is none of none, minor, moderate, major, death"},
		{clinical.KindFall, falls, "f,S,2026-11-24T08:00,,perhaps", "assisted is none of yes, no"},
		{clinical.KindRestriction, restrictions, "r,S,,fistula,2026-11-24T08:00,,", "limb is missing"},
		{clinical.KindRestriction, restrictions, "r,S,arm,fistula,2026-11-24T08:00,,", "limb is none of left arm, right arm, left leg, right leg"},
		{clinical.KindRestriction, restrictions, "r,S,left arm,,2026-11-24T08:00,,", "reason is missing"},
		{clinical.KindRestriction, restrictions, "r,S,left arm,cast,2026-11-24T08:00,,", "reason is none of fistula, lymph nodes removed, infusion, injury, other"},
		{clinical.KindRestriction, restrictions, "r,S,left arm,fistula,,,", "started_at and recorded_at are missing"},
		{clinical.KindRestriction, restrictions, "r,S,left arm,fistula,today,,", "started_at is not a time"},
		{clinical.KindRestriction, restrictions, "r,S,left arm,fistula,2026-11-24T08:00,never,", "ended_at is not a time"},
		{clinical.KindClearance, "source_id,stay_id,cleared_at", "c,S,", "cleared_at is missing"},
		{clinical.KindAnswer, answers, "a,S,,declined", "answered_at is missing"},
		{clinical.KindAnswer, answers, "a,S,2026-11-24T08:00,", "answer is missing"},
		{clinical.KindAnswer, answers, "a,S,2026-11-24T08:00,no", "answer is none of declined, not possible, done elsewhere"},
		{clinical.KindTreatment, treatments, "t,S,,other", "given_at is missing"},
		{clinical.KindTreatment, treatments, "t,S,2026-11-24T08:00,prayer", "kind is none of fluid bolus"},
	}
	for _, c := range cases {
		_, reason := one(t, c.kind, c.header, c.row)
		if reason == "" || !strings.HasPrefix(reason, c.reason) {
			t.Errorf("%s %s: %q, want %q", c.kind, c.row, reason, c.reason)
		}
	}
}

func TestAColumnThatIsNotThereIsMissingInEachRow(t *testing.T) {
	k, err := read(t, clinical.KindWeight, "source_id,stay_id,weight\nw,S,70\nx,S,71\n")
	if err != nil || len(k.held) != 2 || k.held[1].Reason != "measured_at is missing" || k.held[1].Line != 3 || k.held[1].SourceID != "x" {
		t.Errorf("%v, %+v", err, k.held)
	}
}

// What is said to have happened may lie five minutes after the earlier of its
// recording and the moment of loading; plans may lie ahead.
func TestWhatHasHappenedCannotLieAhead(t *testing.T) {
	cases := []struct {
		kind   clinical.Kind
		header string
		row    string // %s is the time that happened
		column string
	}{
		{clinical.KindStay, "stay_id,patient_id,unit,admitted_at", "S,P,4W,%s", "admitted_at"},
		{clinical.KindVitals, "source_id,stay_id,taken_at", "v,S,%s", "taken_at"},
		{clinical.KindDose, "source_id,stay_id,drug,given_at", "d,S,x,%s", "given_at"},
		{clinical.KindFluid, "source_id,stay_id,from,to,direction,volume", "f,S,2026-11-24T08:00,%s,in,1", "to"},
		{clinical.KindWeight, "source_id,stay_id,measured_at,weight", "w,S,%s,70", "measured_at"},
		{clinical.KindLab, "source_id,stay_id,taken_at,loinc,value", "l,S,%s,718-7,12", "taken_at"},
		{clinical.KindPrecaution, "source_id,stay_id,precaution,started_at", "p,S,sitter,%s", "started_at"},
		{clinical.KindFall, "source_id,stay_id,fell_at", "f,S,%s", "fell_at"},
		{clinical.KindClearance, "source_id,stay_id,cleared_at", "c,S,%s", "cleared_at"},
		{clinical.KindAnswer, "source_id,stay_id,answer,answered_at", "a,S,declined,%s", "answered_at"},
		{clinical.KindTreatment, "source_id,stay_id,given_at", "t,S,%s", "given_at"},
	}
	for _, c := range cases {
		for _, moment := range []struct {
			recorded, at string
			held         bool
		}{
			{"", "2026-11-25T12:05:00", false}, {"", "2026-11-25T12:05:01", true}, // after the moment of loading
			{"2026-11-24T10:00", "2026-11-24T10:05:00", false}, {"2026-11-24T10:00", "2026-11-24T10:05:01", true},
			{"2026-11-26T10:00", "2026-11-25T12:05:00", false}, {"2026-11-26T10:00", "2026-11-25T12:05:01", true},
		} {
			row := fmt.Sprintf(c.row, moment.at) + "," + moment.recorded
			_, reason := one(t, c.kind, c.header+",recorded_at", row)
			if (reason != "") != moment.held || moment.held && !strings.HasPrefix(reason, c.column+" 2026-11-2") {
				t.Errorf("%s %s: %q", c.kind, row, reason)
			}
		}
	}
	_, reason := one(t, clinical.KindFluid, "source_id,stay_id,from,to,direction,volume,recorded_at", "f,S,2026-11-24T09:00,2026-11-24T09:00,in,1,2026-11-24T08:00")
	if !strings.HasPrefix(reason, "from 2026-11-24T09:00:00Z lies more than 5 minutes after") {
		t.Errorf("from: %q", reason)
	}
	for _, plan := range []struct {
		kind        clinical.Kind
		header, row string
	}{
		{clinical.KindOrder, "source_id,stay_id,drug,start_at,end_at,recorded_at", "o,S,x,2026-12-24T08:00,2026-12-25T08:00,2026-11-24T08:00"},
		{clinical.KindStay, "stay_id,patient_id,unit,admitted_at,discharged_at", "S,P,4W,2026-11-24T08:00,2026-12-24T08:00"},
		{clinical.KindPrecaution, "source_id,stay_id,precaution,started_at,ended_at", "p,S,sitter,2026-11-24T08:00,2026-12-24T08:00"},
		{clinical.KindRestriction, "source_id,stay_id,limb,reason,started_at,ended_at,recorded_at", "r,S,left arm,infusion,2026-12-24T08:00,2026-12-25T08:00,2026-11-24T08:00"},
	} {
		if _, reason := one(t, plan.kind, plan.header, plan.row); reason != "" {
			t.Errorf("a plan: %s", reason)
		}
	}
}

func TestHeldRowsAreNamedByTheirPhysicalLine(t *testing.T) {
	k, err := read(t, clinical.KindCondition, strings.Join([]string{
		"source_id,stay_id,icd10,text", // 1
		`a,S,G20,"two`,                 // 2
		`lines"`,                       // 3
		`b,S,,"of`,                     // 4: held
		``,                             // 5
		`three lines"`,                 // 6
		``,                             // 7
		`c,S,"G20"x,`,                  // 8: quotes
		`d,S,G2"0,`,                    // 9: quotes
		`e,S,G20,text,more`,            // 10: too many
		`f,S`,                          // 11: too few
		`g,S,G20,`,                     // 12
		`h,S,"G20` + "\n" + `x"y,`,     // 13, 14: quotes
		`i,S,G21,`,                     // 15
	}, "\n")+"\n")
	if err != nil {
		t.Fatal(err)
	}
	var put, held []string
	for _, v := range k.put {
		put = append(put, fmt.Sprintf("%s@%d", v.SourceID, v.Line))
	}
	for _, h := range k.held {
		reason, _, _ := strings.Cut(h.Reason, ":")
		held = append(held, fmt.Sprintf("%d %s", h.Line, reason))
		if h.Feed != "csv" || h.File != "file.csv" || h.Kind != clinical.KindCondition {
			t.Errorf("%+v", h)
		}
	}
	if got := strings.Join(put, " "); got != "a@2 g@12 i@15" {
		t.Errorf("put %s", got)
	}
	want := []string{"4 icd10 is missing", "8 quotes are out of order", "9 quotes are out of order", "10 5 columns where the header has 4",
		"11 2 columns where the header has 4", "13 quotes are out of order"}
	if !reflect.DeepEqual(held, want) {
		t.Errorf("held %q", held)
	}
	if h := k.held[5]; len(h.Context) != 0 || string(h.Original) != "h,S,\"G20\nx\"y," {
		t.Errorf("a row that could not be split is not kept as it stood: %q", h.Original)
	}
	if h := k.held[0]; h.SourceID != "b" || string(h.Context) != "source_id,stay_id,icd10,text" || string(h.Original) != "b,S,,\"of\n\nthree lines\"" {
		t.Errorf("a row held: %+v", h)
	}
}

const weights = "source_id,stay_id,measured_at,weight\n"

const weightRow = "w,S,2026-11-24T08:00,70\n"

func zipped(t *testing.T, text string) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := z.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestFilesThatAreReadable(t *testing.T) {
	cases := []struct {
		name, text    string
		rows, notices int
	}{
		{"plain", weights + weightRow, 1, 0},
		{"no last line end", weights + strings.TrimSpace(weightRow), 1, 1},
		{"header only", weights, 0, 0},
		{"header only, no line end", strings.TrimSpace(weights), 0, 0},
		{"byte order mark", "\ufeff" + weights + weightRow, 1, 0},
		{"CRLF", strings.ReplaceAll(weights+weightRow, "\n", "\r\n"), 1, 0},
		{"very many blank lines", weights + strings.Repeat("\n", 3<<20) + weightRow, 1, 0},
		{"blank lines", "\n" + weights + "\n\n" + weightRow + "\r\n" + weightRow, 2, 0},
		{"gzip", zipped(t, weights+weightRow), 1, 0},
		{"gzip with a byte order mark", zipped(t, "\ufeff"+weights+weightRow), 1, 0},
		{"two gzip members", zipped(t, weights) + zipped(t, weightRow), 1, 0},
		{"quoted names", "\"source_id\",\"stay_id\",measured_at,weight\n" + weightRow, 1, 0},
		{"quoted at the end", "source_id,stay_id,measured_at,weight\nw,S,2026-11-24T08:00,\"70\"", 1, 1},
	}
	for _, c := range cases {
		k, err := read(t, clinical.KindWeight, c.text)
		if err != nil || len(k.put) != c.rows || len(k.held) != 0 || len(k.notices) != c.notices {
			t.Errorf("%s: %v, %d put, %+v, %v", c.name, err, len(k.put), k.held, k.notices)
		}
	}
}

func TestFilesThatAreNotReadable(t *testing.T) {
	long := strings.Repeat("x", maxRecord)
	whole := zipped(t, weights+strings.Repeat(weightRow, 100))
	cases := []struct{ name, text, want string }{
		{"empty", "", "is empty"},
		{"only a byte order mark", "\ufeff", "is empty"},
		{"only line ends", "\n\r\n\n", "is empty"},
		{"empty gzip", zipped(t, ""), "is empty"},
		{"not UTF-8", weights + "w\xe9,S,2026-11-24T08:00,70\n", "is not UTF-8"},
		{"not UTF-8 in the header", "source_id,st\xffy_id\n", "is not UTF-8"},
		{"UTF-16", "\xff\xfes\x00o\x00", "is not UTF-8"},
		{"NUL", weights + "w,S\x00,2026-11-24T08:00,70\n", "holds NUL bytes"},
		{"ends within a character", weights + weightRow + "w\xc3", "is not UTF-8"},
		{"ends within a quote", weights + weightRow + "w,S,\"2026-11", "is cut off: the quote opened at line 3"},
		{"ends within a quote, after a line end", weights + weightRow + "w,S,\"2026-11\nx,S\n", "is cut off: the quote opened at line 3"},
		{"ends within a row", weights + weightRow + "w,S,2026-11", "is cut off in line 3"},
		{"a record without end", weights + "w,\"" + long + "\n" + long + "\",2026-11-24T08:00,70\n", "has a record longer than 1048576 bytes"},
		{"a header without end", long + long, "has a record longer than"},
		{"cut off gzip", whole[:len(whole)-12], "is cut off or damaged"},
		{"damaged gzip", "\x1f\x8bxx", "is not readable as gzip"},
		{"the same column twice", "source_id,stay_id,weight,Weight\n", "names the column weight twice"},
		{"no identity", "stay_id,measured_at,weight\nS,2026-11-24T08:00,70\n", "has no column source_id"},
		{"semicolons", "source_id;stay_id;measured_at;weight\n", "has no column source_id"},
		{"CR alone", "source_id,stay_id,measured_at,weight\rw,S,2026-11-24T08:00,70\r", "has line ends of CR alone"},
		{"quotes out of order in the header", "source_id,st\"ay_id\n", "has no readable line of column names"},
	}
	for _, c := range cases {
		if _, err := read(t, clinical.KindWeight, c.text); err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
	if _, err := read(t, clinical.KindStay, "source_id,patient_id\n"); err == nil || !strings.HasPrefix(err.Error(), "has no column stay_id") {
		t.Errorf("stays without stay_id: %v", err)
	}
	broken := io.MultiReader(strings.NewReader(weights+weightRow), iotest.ErrReader(io.ErrClosedPipe))
	err := Read(broken, clinical.KindWeight, "w.csv", options(), &kept{})
	if err == nil || !strings.HasPrefix(err.Error(), "is cut off or damaged") || !errors.Is(err, io.ErrClosedPipe) {
		t.Errorf("a reader that fails: %v", err)
	}
}

func TestACharacterMaySpanTheReadBuffers(t *testing.T) {
	drill.Long(t)
	for _, char := range []string{"é", "한", "🙂"} {
		for _, wrap := range []func(io.Reader) io.Reader{
			func(r io.Reader) io.Reader { return r }, iotest.HalfReader, iotest.DataErrReader, iotest.OneByteReader,
		} {
			for shift := range 4 { // rows are 20 to 23 bytes and a character: each buffer's end falls elsewhere
				row := "c,S,G20," + strings.Repeat("x", 12+shift) + char + "\n"
				text := "source_id,stay_id,icd10,text\n" + strings.Repeat(row, 9000)
				k := &kept{}
				if err := Read(wrap(strings.NewReader(text)), clinical.KindCondition, "c.csv", options(), k); err != nil {
					t.Fatalf("%s, shifted by %d: %v", char, shift, err)
				}
				if len(k.put) != 9000 || k.put[8999].Line != 9001 || k.put[5000].Body.(clinical.Condition).Text != strings.Repeat("x", 12+shift)+char {
					t.Fatalf("%s, shifted by %d: %d rows", char, shift, len(k.put))
				}
			}
		}
	}
	// A character at the very end of a line longer than the reader's buffer.
	for n := 4080; n < 4100; n++ {
		text := "source_id,stay_id,icd10,text\nc,S,G20," + strings.Repeat("x", n) + "🙂" + strings.Repeat("y", 5000) + "\n"
		if k, err := read(t, clinical.KindCondition, text); err != nil || len(k.put) != 1 {
			t.Errorf("a long line with a character at %d: %v", n, err)
		}
	}
	// A byte that is no character, wherever a buffer ends.
	for _, n := range []int{4094, 4095, 4096, 65535, 65536} {
		row := "c,S,G20,x\n"
		text := "source_id,stay_id,icd10,text\n"
		for len(text)+len(row) < n-8 {
			text += row
		}
		text += "c,S,G20," + strings.Repeat("y", n-len(text)-8) + "\xe9x\n" + row
		if _, err := read(t, clinical.KindCondition, text); !errors.Is(err, errNotUTF8) {
			t.Errorf("a stray byte at %d: %v", n, err)
		}
	}
}

// A last row with a quote out of order is one bad row, not a file cut off.
func TestABadQuoteInTheLastRowHoldsThatRowAlone(t *testing.T) {
	for _, last := range []string{`b,S,"G20"x"`, `b,S,"G20"x`, `b,S,G2"0`} {
		for _, end := range []string{"\n", ""} {
			k, err := read(t, clinical.KindCondition, "source_id,stay_id,icd10\na,S,G20\n"+last+end)
			if err != nil || len(k.put) != 1 || len(k.held) != 1 || k.held[0].Line != 3 {
				t.Errorf("%q: %v, %d put, %+v", last, err, len(k.put), k.held)
			}
		}
	}
}

func TestALongFileOfShortRecordsIsNoLongRecord(t *testing.T) {
	drill.Long(t)
	k, err := read(t, clinical.KindWeight, weights+strings.Repeat(weightRow, 3*maxRecord/len(weightRow)))
	if err != nil || len(k.held) != 0 || len(k.put) != 3*maxRecord/len(weightRow) {
		t.Errorf("%v, %d rows", err, len(k.put))
	}
}

func TestColumnsThatNobodyKnowsAreNamedOnceAFile(t *testing.T) {
	k, err := read(t, clinical.KindWeight, "source_id,Mood,stay_id,measured_at,weight,,bed\nw,fine,S,2026-11-24T08:00,70,,1\nx,ill,S,2026-11-24T08:00,70,,1\n")
	if err != nil || len(k.put) != 2 || len(k.notices) != 1 || k.notices[0] != "columns not known and not read: mood, bed" {
		t.Errorf("%v, %d put, %q", err, len(k.put), k.notices)
	}
}

func TestTheKindOfAFileIsTheStartOfItsName(t *testing.T) {
	for name, want := range map[string]clinical.Kind{
		"vitals.csv": clinical.KindVitals, "vitals-2026-11-25.csv": clinical.KindVitals, "Stays_4W.csv.gz": clinical.KindStay,
		"orders": clinical.KindOrder, "treatments.csv": clinical.KindTreatment,
	} {
		if kind, ok := KindOf(name); !ok || kind != want {
			t.Errorf("%s: %q %v", name, kind, ok)
		}
	}
	for _, name := range []string{"vital.csv", "my-vitals.csv", ".csv", "", "vitals 2.csv"} {
		if kind, ok := KindOf(name); ok {
			t.Errorf("%s is of kind %s", name, kind)
		}
	}
}

// failing is a sink that cannot keep rows.
type failing struct{ kept }

var errFull = errors.New("the store is full")

func (failing) Put(clinical.Version) error { return errFull }
func (failing) Hold(records.Held) error    { return errFull }

func TestASinkThatFailsEndsTheReading(t *testing.T) {
	for _, text := range []string{
		weights + weightRow, weights + "w,S,,70\n", weights + "w,S\n", weights + "w,S\n" + weightRow,
		weights + "w,S,2026-11-24T08:00,70,1\n", weights + "w,S,\"x\"y,70\n" + weightRow,
	} {
		if err := Read(strings.NewReader(text), clinical.KindWeight, "w.csv", options(), &failing{}); !errors.Is(err, errFull) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// rowsOf counts the rows of a text by the standard reader: a record or a record
// out of order each.
func rowsOf(text string) int {
	c := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\ufeff")))
	c.FieldsPerRecord = -1
	rows := -1 // the header
	for {
		_, err := c.Read()
		if errors.Is(err, io.EOF) {
			return rows
		}
		rows++
	}
}

// Read never panics, and puts or holds each row of a file that it can read.
func FuzzEveryRowIsPutOrHeld(f *testing.F) {
	header := "source_id,stay_id,measured_at,weight\n"
	for _, seed := range []string{
		"", weights, weights + weightRow, "\ufeff" + weights + "\r\n" + weightRow, weights + "w,S\nw,S\nw,S,,,\n",
		weights + "w,S,\"a\nb\",70\n" + weightRow, weights + "w,\"S\"x,1,2\n" + weightRow, weights + "a\"b,S,1,2\n\"\n" + weightRow,
		weights + "w,S,2026-11-24T08:00,-1\r\n\r\n" + weightRow, weights + "w,S,\"", "source_id\n1\n\n2\n3", "source_id,,\na,b,c\n   \n",
		weights + "\xff", weights + "\x00", "\x1f\x8b", header + strings.Repeat("é", 5000) + "\n",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		k := &kept{}
		if err := Read(strings.NewReader(text), clinical.KindWeight, "w.csv", options(), k); err != nil {
			return
		}
		if strings.HasPrefix(text, "\x1f\x8b") {
			return // packed
		}
		if got, want := len(k.put)+len(k.held), rowsOf(text); got != want {
			t.Errorf("%d put and %d held of %d rows", len(k.put), len(k.held), want)
		}
		for _, h := range k.held {
			if h.Reason == "" || h.Line < 2 || h.File != "w.csv" {
				t.Errorf("held without a reason or a line: %+v", h)
			}
		}
		for _, v := range k.put {
			if v.SourceID == "" || v.Line < 2 || v.Body == nil && !v.Removed() {
				t.Errorf("put without identity: %+v", v)
			}
		}
	})
}

// A held row is told by its cells, however they were quoted; and it reads again to what
// its file says now.
func TestAHeldRowReadAgain(t *testing.T) {
	names := Encode([]string{"source_id", "stay_id", "measured_at", "weight"})
	held := func(context []byte, original string) records.Held {
		return records.Held{
			Feed: Feed, File: "w.csv", Line: 4, Kind: clinical.KindWeight, Reason: "old", Context: context, Original: []byte(original),
		}
	}
	asSent, quoted := held(names, `w,S,2026-11-24T08:00,70`), held(Encode([]string{"source_id", "stay_id", "measured_at", "weight"}), `"w","S","2026-11-24T08:00","70"`)
	if a, b := (Reader{}).Key(asSent), (Reader{}).Key(quoted); a != b {
		t.Errorf("one row, quoted in two ways: %s and %s", a, b)
	}
	for _, c := range []struct {
		held   records.Held
		reason string // "" where it reads
	}{
		{asSent, ""},
		{quoted, ""},
		{held(names, `w,S,2026-11-24T08:00,heavy`), `weight is not a number: "heavy"`},
		{held(names, `w,S,2026-11-24T08:00`), "old"}, // too few columns: nothing is read by its place
		{held(names, `w,S,"2026-11-24T08:00"x,70`), "old"},
		{held(nil, `w,S,2026-11-24T08:00,70`), "old"},
		{held(nil, ``), "old"},
	} {
		k := &kept{}
		if err := (Reader{}).Again(c.held, options(), k); err != nil {
			t.Fatal(err)
		}
		switch {
		case c.reason == "" && (len(k.put) != 1 || len(k.held) != 0 || k.put[0].Line != 4 || k.put[0].File != "w.csv" || k.put[0].Feed != Feed):
			t.Errorf("%s: %+v", c.held.Original, k)
		case c.reason != "" && (len(k.put) != 0 || len(k.held) != 1 || k.held[0].Reason != c.reason):
			t.Errorf("%s: %+v, want it held for: %s", c.held.Original, k, c.reason)
		}
		if a, b := (Reader{}).Key(c.held), (Reader{}).Key(asSent); (a == b) != (c.reason == "") {
			t.Errorf("the keys of %s and %s are %s and %s", c.held.Original, asSent.Original, a, b)
		}
	}
}

func TestCellsSurviveTheirRecord(t *testing.T) {
	for _, cells := range [][]string{{"a", "b"}, {"", "b"}, {"a,b", `"`, "two\nlines", " space ", "\r", "é"}, {`\.`, ""}} {
		_, got := Cells(records.Held{Context: Encode([]string{"x", "y"}), Original: Encode(cells)})
		if !reflect.DeepEqual(got, cells) {
			t.Errorf("%q came back as %q", cells, got)
		}
	}
}

// The loader knows a file of this format by its name alone: one of another format that bears
// the name of a kind is left to its own reader.
func TestFilesOfThisFormatAreKnownByTheirNames(t *testing.T) {
	c := Reader{}
	if c.Feed() != Feed {
		t.Errorf("the feed is called %q", c.Feed())
	}
	for name, want := range map[string]bool{
		"weights.csv": true, "WEIGHTS-2026.CSV.gz": true, "weights.json": false, "weights.hl7.gz": false, "notes.csv": false,
	} {
		if got := c.Sniff(name, nil); got != want {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	var k kept
	if err := c.Read(strings.NewReader("x\n"), "notes.csv", options(), &k); err == nil || !strings.Contains(err.Error(), "what it is about") {
		t.Errorf("a file of no kind: %v", err)
	}
	text := "source_id,stay_id,measured_at,weight\nw1,S1,2026-11-01T08:00:00Z,70\n"
	if err := c.Read(strings.NewReader(text), "weights.csv", options(), &k); err != nil || len(k.put) != 1 || k.put[0].Kind != clinical.KindWeight {
		t.Errorf("a file of weights gives %+v, %v", k, err)
	}
}
