package clinical

import (
	"math"
	"strings"
	"testing"
)

// LOINC, seen at hl7.org/fhir/R4/bp.html and in the HL7 vital signs and CPG
// guides: 85354-9, 8480-6, 8462-4, the positional codes, 55284-4, 8361-8, 8867-4,
// 29463-7, 9108-2, 9192-6. 35094-2, 3141-9 and 718-7: from memory, seen since in
// public guides and source.
const loincTable = `
85354-9 pressure_panel -; 55284-4 pressure_panel -; 35094-2 pressure_panel -
8480-6 systolic -; 8461-6 systolic lying; 8459-0 systolic sitting; 8460-8 systolic standing
8462-4 diastolic -; 8455-8 diastolic lying; 8453-3 diastolic sitting; 8454-1 diastolic standing
8867-4 pulse -; 68999-2 pulse lying; 69000-8 pulse sitting; 69001-6 pulse standing
8361-8 body_position -; 29463-7 weight -; 3141-9 weight -
9108-2 fluid_in -; 9192-6 fluid_out -; 718-7 haemoglobin -`

func entries(table string) [][]string {
	var out [][]string
	for _, e := range strings.FieldsFunc(table, func(r rune) bool { return r == ';' || r == '\n' }) {
		out = append(out, strings.Fields(e))
	}
	return out
}

func TestLOINCCodesByMeasureAndPosition(t *testing.T) {
	list := entries(loincTable)
	for _, e := range list {
		want := Observed{Measure(strings.ReplaceAll(e[1], "_", " ")), Position(strings.Trim(e[2], "-"))}
		if got, ok := LOINC(e[0]); !ok || got != want {
			t.Errorf("%s is %+v, known %v, want %+v", e[0], got, ok, want)
		}
	}
	if len(list) != len(loincCodes) {
		t.Errorf("%d codes are checked here, the table has %d", len(list), len(loincCodes))
	}
	// Mean pressure, the orthostatic difference codes, and other urine volumes are
	// not read; nor is a code with another check digit.
	for _, code := range []string{"8478-0", "34538-9", "69408-3", "9187-6", "3167-4", "8480-5", "8480", ""} {
		if got, ok := LOINC(code); ok {
			t.Errorf("%q is read as %+v", code, got)
		}
	}
}

// The last digit of a LOINC code is a check digit, Luhn's (mod 10): common
// knowledge of the standard, from memory. It finds a digit that was miscopied.
func TestTheCheckDigitsOfTheLOINCCodesHold(t *testing.T) {
	for code := range loincCodes {
		body, check, _ := strings.Cut(code, "-")
		sum := 0
		for n := range body {
			d := int(body[len(body)-1-n] - '0')
			if n%2 == 0 {
				if d *= 2; d > 9 {
					d -= 9
				}
			}
			sum += d
		}
		if int(check[0]-'0') != (10-sum%10)%10 {
			t.Errorf("%s: the check digit should be %d", code, (10-sum%10)%10)
		}
	}
}

// Traps 3, 4 and 5 of the check values. 9108-2 and 9192-6: HL7 CPG example and
// build.fhir.org. 8453-3 and 8455-8: two public mappings label 8453-3 "supine".
// 110483000: listed as lying in one public guide; its display elsewhere is
// "Tobacco user".
func TestCodesThatPublicMappingsConfuse(t *testing.T) {
	for code, want := range map[string]Observed{
		"9108-2": {MeasureFluidIn, NoPosition}, "9192-6": {MeasureFluidOut, NoPosition},
		"8453-3": {MeasureDiastolic, Sitting}, "8455-8": {MeasureDiastolic, Lying},
	} {
		if got, _ := LOINC(code); got != want {
			t.Errorf("%s is %+v, want %+v", code, got, want)
		}
	}
	if got := SNOMEDPosition("110483000"); got != NoPosition {
		t.Errorf("110483000, tobacco user, is read as %q", got)
	}
}

// SNOMED CT: 40199007, 33586001, 10904000 seen; prone 1240000 and the parent
// 9851009 say neither lying on the back nor upright. 368208006 left and 368209003
// right upper arm: from memory, seen since in public guides.
func TestPositionsAndLimbsBySNOMEDCode(t *testing.T) {
	for code, want := range map[string]Position{
		"40199007": Lying, "33586001": Sitting, "10904000": Standing, " 10904000 ": Standing,
		"1240000": NoPosition, "9851009": NoPosition, "": NoPosition,
	} {
		if got := SNOMEDPosition(code); got != want {
			t.Errorf("position %q is %q, want %q", code, got, want)
		}
	}
	for code, want := range map[string]string{"368208006": "left arm", "368209003": "right arm", "40983000": "", "": ""} {
		if got := SNOMEDLimb(code); got != want {
			t.Errorf("body site %q is %q, want %q", code, got, want)
		}
	}
}

// SNOMED CT routes: from memory, seen since (DICOM CID 11, a FHIR guide's code system).
func TestRoutesBySNOMEDCode(t *testing.T) {
	for code, want := range map[string]Route{
		"26643006": Oral, "127492001": Oral, "47625008": Parenteral, "78421000": Parenteral, "34206005": Parenteral,
		"37839007": Sublingual, "45890007": Transdermal,
	} {
		if got, ok := SNOMEDRoute(code); !ok || got != want {
			t.Errorf("route %s is %q, known %v, want %q", code, got, ok, want)
		}
	}
	for _, code := range []string{"37161004", "54485002", ""} { // rectal, ophthalmic
		if got, ok := SNOMEDRoute(code); ok {
			t.Errorf("route %q is read as %q", code, got)
		}
	}
}

// Names of ISO/IEEE 11073-10101: from memory.
func TestMeasuresByDeviceName(t *testing.T) {
	for name, want := range map[string]Measure{
		"MDC_PRESS_BLD_NONINV_SYS": MeasureSystolic, "MDC_PRESS_BLD_NONINV_DIA": MeasureDiastolic,
		"MDC_PULS_RATE_NON_INV": MeasurePulse, "MDC_ECG_HEART_RATE": MeasurePulse,
	} {
		if got, ok := MDC(name); !ok || got != want {
			t.Errorf("%s is %q, known %v", name, got, ok)
		}
	}
	for _, name := range []string{"MDC_PRESS_BLD_NONINV_MEAN", "MDC_PRESS_BLD_ART_SYS", ""} {
		if got, ok := MDC(name); ok {
			t.Errorf("%q is read as %q", name, got)
		}
	}
}

// checkStatuses holds a reader of codes to a table of "code status"; "skip" makes no fact.
func checkStatuses(t *testing.T, what, table string, size int, read func(string) (Status, bool), unknown ...string) {
	t.Helper()
	list := entries(table)
	if len(list) != size {
		t.Errorf("%s: %d codes are checked, the standard has %d", what, len(list), size)
	}
	for _, e := range list {
		want := Status(e[1])
		if e[1] == "skip" {
			want = NoFact
		}
		if got, known := read(e[0]); !known || got != want {
			t.Errorf("%s %s is %q, known %v, want %q", what, e[0], got, known, want)
		}
	}
	for _, code := range unknown {
		if got, known := read(code); known {
			t.Errorf("%s %q is read as %q", what, code, got)
		}
	}
}

// FHIR R4. Observation: count seen, list seen in part. The two others seen.
func TestStatusesOfFHIRResources(t *testing.T) {
	checkStatuses(t, "Observation.status", `final final; amended amended; corrected corrected; preliminary final
		entered-in-error entered-in-error; registered skip; cancelled skip; unknown skip`, 8,
		ObservationStatus, "", "Final", "appended", "active")
	checkStatuses(t, "MedicationRequest.status", `active active; on-hold on-hold; cancelled cancelled; completed completed
		stopped stopped; entered-in-error entered-in-error; draft skip; unknown skip`, 8,
		MedicationRequestStatus, "", "ended", "final") // ended is of R5
	checkStatuses(t, "MedicationAdministration.status", `completed completed; in-progress completed; stopped completed
		not-done not-done; entered-in-error entered-in-error; on-hold skip; unknown skip`, 7,
		MedicationAdministrationStatus, "", "active", "final")
}

// HL7 v2 table 0085, seen in a parser of v2.7 (twelve codes; A, B and V are
// later). That D, W, X, N, I and O are kept out of calculations, and C replaces,
// is reasoning.
func TestStatusesOfHL7Results(t *testing.T) {
	checkStatuses(t, "OBX-11", `F final; C corrected; P final; R final; S final; U final
		D entered-in-error; W entered-in-error; I skip; N skip; O skip; X skip`, 12,
		OBXStatus, "", "f", "A", "B", "V", "Z")
}

// HL7 v2 tables 0322 (seen at hl7.org) and 0206: only CP and PA are doses given.
func TestStatusesOfHL7Administrations(t *testing.T) {
	for _, c := range []struct {
		completion, action string
		want               Status
		known              bool
	}{
		{"CP", "A", Completed, true}, {"PA", "A", Completed, true}, {"", "", Completed, true}, {"CP", "U", Completed, true},
		{"RE", "A", NotDone, true}, {"NA", "", NotDone, true},
		{"CP", "D", EnteredInError, true}, {"RE", "D", EnteredInError, true}, {"??", "D", EnteredInError, true},
		{"??", "A", NoFact, false}, {"cp", "", NoFact, false},
	} {
		if got, known := RXAStatus(c.completion, c.action); got != c.want || known != c.known {
			t.Errorf("RXA-20 %q, RXA-21 %q: %q, known %v", c.completion, c.action, got, known)
		}
	}
}

// HL7 v2 table 0119 (CA and DC seen at hl7.org, the rest from memory).
func TestActionsOfHL7Orders(t *testing.T) {
	checkStatuses(t, "ORC-1", `NW active; XO active; RE active; RL active; HD on-hold
		DC stopped; OD stopped; CA cancelled; OC cancelled`, 9,
		ORCStatus, "", "OK", "RF", "UA", "nw")
}

// HL7 GTSAbbreviation and v2 table 0335: from memory. Every n hours is 24 / n a day.
func TestTimesADayByTimingCode(t *testing.T) {
	for code, want := range map[string]float64{
		"QD": 1, "BID": 2, "TID": 3, "QID": 4, "Q4H": 24.0 / 4, "Q6H": 24.0 / 6, "Q8H": 24.0 / 8, "AM": 1, "PM": 1, "bid": 2,
	} {
		if got, ok := TimesPerDay(code); !ok || got != want {
			t.Errorf("%s is %v a day, known %v, want %v", code, got, ok, want)
		}
	}
	for _, code := range []string{"QOD", "PRN", "Q", ""} {
		if got, ok := TimesPerDay(code); ok {
			t.Errorf("%q is %v a day", code, got)
		}
	}
}

// UCUM min, s and h, and the names of ISO/IEEE 11073; both from memory.
func TestUnitsOfTimeInMinutes(t *testing.T) {
	for unit, want := range map[string]float64{
		"min": 1, " MIN ": 1, "minutes": 1, "MDC_DIM_MIN": 1, "s": 1.0 / 60, "MDC_DIM_SEC": 1.0 / 60, "h": 60, "MDC_DIM_HR": 60,
	} {
		if got, ok := MinutesFactor(unit); !ok || got != want {
			t.Errorf("%q: %v, known %v", unit, got, ok)
		}
	}
	for _, unit := range []string{"", "d", "m", "mm[Hg]"} {
		if got, ok := MinutesFactor(unit); ok {
			t.Errorf("%q: %v", unit, got)
		}
	}
}

// UCUM: mm[Hg] and /min seen at hl7.org/fhir/R4/bp.html; the others, the spellings
// in use beside them and the 11073 names from memory.
func TestUnitsAreConvertedToThoseOfTheDomain(t *testing.T) {
	for _, c := range []struct {
		measure Measure
		units   string
		want    float64
	}{
		{MeasureSystolic, "mm[Hg]|mmHg|mm Hg|MDC_DIM_MMHG|MMHG| mmHg ", 1},
		{MeasureDiastolic, "kPa|KPA|MDC_DIM_KILO_PASCAL", 7.50062},
		{MeasurePulse, "/min|{beats}/min|beats/min|beats/minute|bpm|MDC_DIM_BEAT_PER_MIN", 1},
		{MeasureWeight, "kg|KG", 1}, {MeasureWeight, "g", 0.001}, {MeasureWeight, "[lb_av]|lb|lbs", 0.45359237},
		{MeasureFluidIn, "mL|ml", 1}, {MeasureFluidOut, "L|l", 1000},
		{MeasureHaemoglobin, "g/dL|g/dl", 1}, {MeasureHaemoglobin, "g/L", 0.1},
	} {
		for _, unit := range strings.Split(c.units, "|") {
			if got, ok := UnitFactor(c.measure, unit); !ok || got != c.want {
				t.Errorf("%s in %q: factor %v, known %v, want %v", c.measure, unit, got, ok, c.want)
			}
		}
	}
	// A quantity without a unit is not guessed, nor is a unit of another measure.
	for _, c := range []struct {
		measure Measure
		unit    string
	}{
		{MeasureSystolic, ""}, {MeasureSystolic, "psi"}, {MeasureSystolic, "/min"}, {MeasurePulse, ""}, {MeasurePulse, "mm[Hg]"},
		{MeasureWeight, ""}, {MeasureWeight, "[oz_av]"}, {MeasureFluidIn, "kg"}, {MeasureHaemoglobin, "mmol/L"},
		{MeasurePanel, "mm[Hg]"}, {MeasurePosition, "kg"},
	} {
		if got, ok := UnitFactor(c.measure, c.unit); ok {
			t.Errorf("%s in %q: factor %v", c.measure, c.unit, got)
		}
	}
	// 1 mmHg is 133.322 Pa (conventional mercury, 13595.1 kg/m3 x 9.80665 m/s2 x 1 mm; from memory).
	if got := 1000 / (13595.1 * 9.80665 * 0.001); math.Abs(got-MMHgPerKPa) > 0.000005 {
		t.Errorf("1 kPa is %.7f mmHg, and %v to five decimals is wrong", got, MMHgPerKPa)
	}
}
