package clinical

import (
	"slices"
	"strings"
)

// The codes of open standards that the readers of FHIR R4 and HL7 v2 share.
// A code outside these tables says nothing here: it is never guessed from its
// text. What only one site uses belongs in that site's own table.

// Measure is what a coded observation measures.
type Measure string

// The measures that become facts, or parts of one.
const (
	MeasurePanel       Measure = "pressure panel" // systolic and diastolic in its components
	MeasureSystolic    Measure = "systolic"
	MeasureDiastolic   Measure = "diastolic"
	MeasurePulse       Measure = "pulse"
	MeasurePosition    Measure = "body position"
	MeasureWeight      Measure = "weight"
	MeasureFluidIn     Measure = "fluid in"
	MeasureFluidOut    Measure = "fluid out"
	MeasureHaemoglobin Measure = "haemoglobin"
)

// Observed is what a code says of an observation. Position is NoPosition where
// the code carries none: it may then be charted beside the value.
type Observed struct {
	Measure  Measure
	Position Position
}

// loincCodes: mind 8453-3, diastolic sitting, and 8455-8, diastolic lying, which
// public mappings confuse; and 9108-2, fluid intake, and 9192-6, urine output.
// Left out on purpose: 8478-0, mean pressure, of which no rule makes use.
var loincCodes = map[string]Observed{
	"85354-9":   {MeasurePanel, NoPosition},
	"55284-4":   {MeasurePanel, NoPosition}, // discouraged, still sent
	"35094-2":   {MeasurePanel, NoPosition}, // older still
	"8480-6":    {MeasureSystolic, NoPosition},
	"8461-6":    {MeasureSystolic, Lying},
	"8459-0":    {MeasureSystolic, Sitting},
	"8460-8":    {MeasureSystolic, Standing},
	"8462-4":    {MeasureDiastolic, NoPosition},
	"8455-8":    {MeasureDiastolic, Lying},
	"8453-3":    {MeasureDiastolic, Sitting},
	"8454-1":    {MeasureDiastolic, Standing},
	"8867-4":    {MeasurePulse, NoPosition},
	"68999-2":   {MeasurePulse, Lying},
	"69000-8":   {MeasurePulse, Sitting},
	"69001-6":   {MeasurePulse, Standing},
	"8361-8":    {MeasurePosition, NoPosition},
	"29463-7":   {MeasureWeight, NoPosition},
	"3141-9":    {MeasureWeight, NoPosition}, // measured
	"9108-2":    {MeasureFluidIn, NoPosition},
	"9192-6":    {MeasureFluidOut, NoPosition},
	Haemoglobin: {MeasureHaemoglobin, NoPosition},
}

// LOINC tells what a LOINC code measures, and in which position. ok is false for
// a code of no use here.
func LOINC(code string) (o Observed, ok bool) {
	o, ok = loincCodes[strings.TrimSpace(code)]
	return o, ok
}

var mdcNames = map[string]Measure{
	"MDC_PRESS_BLD_NONINV_SYS": MeasureSystolic,
	"MDC_PRESS_BLD_NONINV_DIA": MeasureDiastolic,
	"MDC_PULS_RATE_NON_INV":    MeasurePulse,
	"MDC_ECG_HEART_RATE":       MeasurePulse,
}

// MDC tells what a device's name of ISO/IEEE 11073-10101 measures.
func MDC(name string) (m Measure, ok bool) {
	m, ok = mdcNames[strings.TrimSpace(name)]
	return m, ok
}

// Conversions to the units of the domain. A pound is 0.45359237 kg exactly
// (international pound of 1959); 1 kPa is 7.50062 mmHg, rounded at the fifth decimal.
const (
	MMHgPerKPa = 7.50062
	KGPerPound = 0.45359237
)

var (
	pressureUnits = map[string]float64{
		"mm[hg]": 1, "mmhg": 1, "mm hg": 1, "mdc_dim_mmhg": 1,
		"kpa": MMHgPerKPa, "mdc_dim_kilo_pascal": MMHgPerKPa,
	}
	rateUnits = map[string]float64{
		"/min": 1, "{beats}/min": 1, "beats/min": 1, "beats/minute": 1, "bpm": 1, "mdc_dim_beat_per_min": 1,
	}
	weightUnits = map[string]float64{
		"kg": 1, "mdc_dim_kilo_g": 1, "g": 0.001, "mdc_dim_x_g": 0.001,
		"[lb_av]": KGPerPound, "lb": KGPerPound, "lbs": KGPerPound, "mdc_dim_lb": KGPerPound,
	}
	volumeUnits = map[string]float64{"ml": 1, "mdc_dim_milli_l": 1, "l": 1000, "mdc_dim_x_l": 1000}
	haemUnits   = map[string]float64{"g/dl": 1, "g/l": 0.1}

	unitsOf = map[Measure]map[string]float64{
		MeasureSystolic: pressureUnits, MeasureDiastolic: pressureUnits, MeasurePulse: rateUnits,
		MeasureWeight: weightUnits, MeasureFluidIn: volumeUnits, MeasureFluidOut: volumeUnits,
		MeasureHaemoglobin: haemUnits,
	}
)

// UnitFactor is the factor from a unit to the domain's own for a measure: mmHg,
// beats/min, kg, mL, g/dL. Units are UCUM, the spellings in use beside it and the
// names of ISO/IEEE 11073, in any case. ok is false for another unit or none:
// the value must not be used then. The mass of a dose is read by AmountMG.
func UnitFactor(m Measure, unit string) (factor float64, ok bool) {
	factor, ok = unitsOf[m][strings.ToLower(strings.TrimSpace(unit))]
	return factor, ok
}

// MinutesFactor is the factor from a unit of time to minutes. ok is false for another unit
// or none.
func MinutesFactor(unit string) (factor float64, ok bool) {
	switch strings.ToLower(strings.TrimSpace(unit)) {
	case "min", "minute", "minutes", "mdc_dim_min":
		return 1, true
	case "s", "mdc_dim_sec":
		return 1.0 / 60, true
	case "h", "mdc_dim_hr":
		return 60, true
	}
	return 0, false
}

// SNOMEDPosition is the body position of a SNOMED CT code; any other code is a
// position not charted. 110483000, listed as lying in a public guide, is "Tobacco user".
func SNOMEDPosition(code string) Position {
	switch strings.TrimSpace(code) {
	case "40199007":
		return Lying
	case "33586001":
		return Sitting
	case "10904000":
		return Standing
	}
	return NoPosition
}

// SNOMEDLimb is the limb of a SNOMED CT body site, one of Limbs; "" where the
// code does not say: the limb is then not charted. Upper arm, arm, upper limb (the value
// sets of body sites for pressures of mCODE 0.9 and HSPC); radial artery and wrist.
func SNOMEDLimb(code string) string {
	switch strings.TrimSpace(code) {
	case "368208006", "72098002", "80768000", "368504007", "5951000":
		return "left arm"
	case "368209003", "59126009", "6921000", "368503001", "9736006":
		return "right arm"
	}
	return ""
}

// ShownLabs are the LOINC codes of laboratory values that no rule uses and that are shown as
// charted: potassium, sodium, creatinine (by mass, by substance), and three ways to estimate
// filtration (CKD-EPI 2021, CKD-EPI 2009, and the older one by MDRD).
var ShownLabs = []string{"2823-3", "2951-2", "2160-0", "14682-9", "98979-8", "62238-1", "33914-3"}

// ShownLab reports whether a LOINC code is of a laboratory value that is kept and shown as
// charted, in whatever unit, and used by no rule.
func ShownLab(code string) bool { return slices.Contains(ShownLabs, strings.TrimSpace(code)) }

var snomedRoutes = map[string]Route{
	"26643006": Oral, "127492001": Oral, // by mouth; by nasogastric tube
	"47625008": Parenteral, "78421000": Parenteral, "34206005": Parenteral, // intravenous, intramuscular, subcutaneous
	"37839007": Sublingual,
	"45890007": Transdermal,
}

// SNOMEDRoute is the route of a SNOMED CT code; where ok is false, what the
// source wrote beside the code is read by RouteOf.
func SNOMEDRoute(code string) (r Route, ok bool) {
	r, ok = snomedRoutes[strings.TrimSpace(code)]
	return r, ok
}

var timings = map[string]float64{"QD": 1, "BID": 2, "TID": 3, "QID": 4, "Q4H": 6, "Q6H": 4, "Q8H": 3, "AM": 1, "PM": 1}

// TimesPerDay is how often a day a timing code asks for: HL7 GTSAbbreviation, and
// the same words of HL7 v2 table 0335.
func TimesPerDay(code string) (times float64, ok bool) {
	times, ok = timings[strings.ToUpper(strings.TrimSpace(code))]
	return times, ok
}

// NoFact is the status of what is understood and makes no fact, so that the
// reader skips it. A code that a table does not know comes with known false
// instead, and is not to be guessed.
const NoFact Status = ""

func statusIn(table map[string]Status, code string) (s Status, known bool) {
	s, known = table[strings.TrimSpace(code)]
	return s, known
}

// A preliminary result counts until a later version replaces it.
var observationStatuses = map[string]Status{
	"final": Final, "amended": Amended, "corrected": Corrected, "preliminary": Final,
	"entered-in-error": EnteredInError,
	"registered":       NoFact, "cancelled": NoFact, "unknown": NoFact,
}

// ObservationStatus reads Observation.status (FHIR R4, eight codes).
func ObservationStatus(code string) (s Status, known bool) {
	return statusIn(observationStatuses, code)
}

var requestStatuses = map[string]Status{
	"active": Active, "on-hold": OnHold, "cancelled": Cancelled, "completed": Completed, "stopped": Stopped,
	"entered-in-error": EnteredInError,
	"draft":            NoFact, "unknown": NoFact,
}

// MedicationRequestStatus reads MedicationRequest.status (FHIR R4, eight codes;
// "ended" is of R5 and unknown here).
func MedicationRequestStatus(code string) (s Status, known bool) {
	return statusIn(requestStatuses, code)
}

// What has begun counts as given at the start of its period, with the dose stated.
var administrationStatuses = map[string]Status{
	"completed": Completed, "in-progress": Completed, "stopped": Completed,
	"not-done": NotDone, "entered-in-error": EnteredInError,
	"on-hold": NoFact, "unknown": NoFact,
}

// MedicationAdministrationStatus reads MedicationAdministration.status (FHIR R4,
// seven codes).
func MedicationAdministrationStatus(code string) (s Status, known bool) {
	return statusIn(administrationStatuses, code)
}

// C replaces; D deletes, and W was wrong altogether (another patient, say).
// I, N, O and X carry no result.
var resultStatuses = map[string]Status{
	"F": Final, "C": Corrected, "P": Final, "R": Final, "S": Final, "U": Final,
	"D": EnteredInError, "W": EnteredInError,
	"I": NoFact, "N": NoFact, "O": NoFact, "X": NoFact,
}

// OBXStatus reads OBX-11, observation result status (HL7 v2 table 0085). An empty
// field is not known.
func OBXStatus(code string) (s Status, known bool) { return statusIn(resultStatuses, code) }

var completionStatuses = map[string]Status{
	"CP": Completed, "PA": Completed, "": Completed, "RE": NotDone, "NA": NotDone,
}

// RXAStatus reads RXA-20, completion status (HL7 v2 table 0322; empty is
// complete), and RXA-21, action code (tables 0206 and 0323): D takes the dose back
// whatever its completion was, the other actions leave it.
func RXAStatus(completion, action string) (s Status, known bool) {
	if strings.TrimSpace(action) == "D" {
		return EnteredInError, true
	}
	return statusIn(completionStatuses, completion)
}

var orderControls = map[string]Status{
	"NW": Active, "XO": Active, "RE": Active, "RL": Active, // new, changed, sent with results, released from hold
	"HD": OnHold,
	"DC": Stopped, "OD": Stopped,
	"CA": Cancelled, "OC": Cancelled,
}

// ORCStatus reads ORC-1, order control (HL7 v2 table 0119). Where known is false
// the message asks for, or answers, something that changes no order here.
func ORCStatus(control string) (s Status, known bool) { return statusIn(orderControls, control) }
