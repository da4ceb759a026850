package fhirfeed_test

import (
	"bytes"
	"compress/gzip"
	"strings"
	"testing"
	"time"
)

// said loads a Bundle of the patient, the ward, the stay and the resources, and tells the
// chart of the stay and the reasons of rows that are held.
func said(t *testing.T, resources ...string) (chart, why string) {
	t.Helper()
	d := newDesk(t)
	s := d.load(map[string]string{"b.json": bundled(append([]string{pat1, ward, enc1}, resources...)...)})
	if want := len(resources) + 3; s.Rows != want {
		t.Errorf("%d rows, want one a resource, %d", s.Rows, want)
	}
	return d.chart("E1", now), problems(s)
}

func TestWhatResourcesSay(t *testing.T) {
	medication := func(rest string) string {
		return `{"resourceType":"MedicationRequest","id":"M","intent":"order","subject":{"reference":"Patient/P1"},
			"encounter":{"reference":"Encounter/E1"},"authoredOn":"2026-11-24T09:00:00Z",` + rest + `}`
	}
	given := func(rest string) string {
		return `{"resourceType":"MedicationAdministration","id":"A","subject":{"reference":"Patient/P1"},
			"context":{"reference":"Encounter/E1"},` + rest + `}`
	}
	furosemide := `"medicationCodeableConcept":{"coding":[
		{"system":"http://www.nlm.nih.gov/research/umls/rxnorm","code":"310429","display":"Furosemide 40 MG Oral Tablet"},
		{"system":"http://www.whocc.no/atc","code":"C03CA01"}],"text":"water tablet"}`
	shown := "atc=C03CA01 drug=Furosemide 40 MG Oral Tablet"
	other := func(kind, rest string) string {
		return `{"resourceType":"` + kind + `","id":"X","subject":{"reference":"Patient/P1"},"encounter":{"reference":"Encounter/E1"},` + rest + `}`
	}
	local := func(code string) string { return `"code":{"coding":[{"system":"urn:site","code":"` + code + `"}]}` }
	for name, c := range map[string]struct{ resource, want string }{
		"a panel, diastolic first": {panel("B", "25T07:00:00Z", 142, 78, ""), "vitals Observation/B 25.07:00 diastolic=78 systolic=142"},
		"an old code of a panel, in kPa, with a pulse": {obs("B", "55284-4", "25T07:00:00Z", components(component("8480-6", quantity("20", "kPa")),
			component("8867-4", quantity("70", "/min")))), "vitals Observation/B 25.07:00 heart_rate=70 systolic=150.01239999999999"},
		"standing by its extension, on the left arm": {panel("B", "25T07:00:00Z", 142, 78, standingExtension+
			`,"bodySite":{"coding":[{"system":"http://snomed.info/sct","code":"368208006"}]}`),
			"vitals Observation/B 25.07:00 diastolic=78 limb=left arm position=standing systolic=142"},
		"sitting by a component": {panel("B", "25T07:00:00Z", 142, 78, "") /* replaced below */, ""},
		"no position by another code of SNOMED": {obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("120", "mm[Hg]")),
			component("8361-8", `"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"110483000"}]}`))),
			"vitals Observation/B 25.07:00 systolic=120"},
		"one of two values": {obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("120", "mm[Hg]")),
			component("8462-4", `"dataAbsentReason":{"coding":[{"code":"unknown"}]}`))), "vitals Observation/B 25.07:00 systolic=120"},
		"a unit as it is written": {obs("B", "8480-6", "25T07:00:00Z", `,"valueQuantity":{"value":120.50,"unit":"mm Hg"}`),
			"vitals Observation/B 25.07:00 systolic=120.5"},
		"what belongs to a reading": {obs("B", "85354-9", "25T07:00:00Z", `,"component":[{`+local("DIZZY")+`,"valueBoolean":true},{`+local("REST")+
			`,"valueQuantity":{"value":3,"unit":"min"}},{`+local("STOP")+`,"valueBoolean":true},{`+local("SYS")+`,`+quantity("110", "mm[Hg]")+`}]`),
			"vitals Observation/B 25.07:00 minutes_in_position=3 stopped_early=yes symptoms=dizziness systolic=110"},
		"the standard's position by a code": {obs("B", "8460-8", "25T07:00:00Z", ","+quantity("110", "mm[Hg]")),
			"vitals Observation/B 25.07:00 position=standing systolic=110"},
		"a mean pressure is of no use": {obs("B", "8478-0", "25T07:00:00Z", ","+quantity("90", "mm[Hg]")), ""},

		"declined": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+`,"dataAbsentReason":{"coding":[{"code":"asked-declined"}]},
			"note":[{"text":"tired"},{"text":"later"}]`), "answers Observation/B 25.07:00 answer=declined reason=tired"},
		"declined in one part": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+components(
			component("8480-6", `"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`),
			component("8462-4", `"dataAbsentReason":{"coding":[{"code":"asked-declined"}]}`))), "answers Observation/B 25.07:00 answer=declined"},
		"not possible": {obs("B", "8460-8", "25T07:00:00Z", `,"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`),
			"answers Observation/B 25.07:00 answer=not possible"},
		"lying and not performed": {obs("B", "8461-6", "25T07:00:00Z", `,"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`), ""},
		"standing, and no value for a reason that is no answer": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+
			`,"dataAbsentReason":{"coding":[{"code":"error"}]}`), "vitals Observation/B 25.07:00 position=standing"},
		"an answer of the site": {other("Observation", `"status":"final",`+local("RECHECK")+`,"valueCodeableConcept":{"coding":[{"code":"ELSE"}]},
			"effectiveDateTime":"2026-11-25T07:00:00Z"`), "answers Observation/X 25.07:00 answer=done elsewhere"},

		"a weight in pounds, on a day": {obs("B", "29463-7", "25", ","+quantity("100", "[lb_av]")), "weights Observation/B 25.00:00 weight=45.359237"},
		"a weight in grams":            {obs("B", "3141-9", "25T07:00:00Z", ","+quantity("70500", "g")), "weights Observation/B 25.07:00 weight=70.5"},
		"haemoglobin in g/L":           {obs("B", "718-7", "25T07:00:00Z", ","+quantity("118", "g/L")), "labs Observation/B 25.07:00 loinc=718-7 unit=g/dL value=11.8"},
		"potassium as charted":         {obs("B", "2823-3", "25T07:00:00Z", ","+quantity("4.1", "mmol/L")), "labs Observation/B 25.07:00 loinc=2823-3 unit=mmol/L value=4.1"},
		"a fluid": {strings.Replace(obs("B", "9192-6", "25T07:00:00Z", ","+quantity("1.2", "L")), `"effectiveDateTime":"2026-11-25T07:00:00Z"`,
			`"effectivePeriod":{"start":"2026-11-24T08:00:00Z","end":"2026-11-25T08:00:00Z"}`, 1),
			"fluids Observation/B 25.08:00 direction=out from=08:00 kind=urine to=08:00 volume=1200"},

		"an order of tablets by a bare number": {medication(`"status":"active",` + furosemide + `,"dosageInstruction":[{
			"timing":{"repeat":{"frequency":2,"period":1,"periodUnit":"d","boundsPeriod":{"start":"2026-11-24T18:00:00Z","end":"2026-11-30"}}},
			"route":{"coding":[{"system":"http://snomed.info/sct","code":"26643006"}]},"asNeededBoolean":true,"doseAndRate":[{"doseQuantity":{"value":1}}]}]`),
			"orders MedicationRequest/M 24.18:00 active as_needed=yes " + strings.Replace(shown, " drug", " dose=40 dose_unit=mg drug", 1) +
				" end_at=00:00 route=oral rxnorm=310429 times_per_day=2"},
		"an order by a timing code, every eighth hour": {medication(`"status":"on-hold",` + furosemide + `,"dosageInstruction":[{
			"timing":{"code":{"coding":[{"code":"Q8H"}]}},"doseAndRate":[{"doseQuantity":{"value":20,"unit":"mg","code":"mg"}}]}]`),
			"orders MedicationRequest/M 24.09:00 on-hold atc=C03CA01 dose=20 dose_unit=mg drug=Furosemide 40 MG Oral Tablet rxnorm=310429 times_per_day=3"},
		"an order by hours": {medication(`"status":"active",` + furosemide + `,"dosageInstruction":[{"timing":{"repeat":{"period":6,"periodUnit":"h"}}}]`),
			"orders MedicationRequest/M 24.09:00 active " + shown + " rxnorm=310429 times_per_day=4"},
		"a drug contained": {medication(`"status":"active","medicationReference":{"reference":"#m"},
			"contained":[{"resourceType":"Medication","id":"m","code":{"text":"doxazosin 4 mg"}}]`), "orders MedicationRequest/M 24.09:00 active drug=doxazosin 4 mg"},
		"a drug of the site": {medication(`"status":"active","medicationCodeableConcept":{"coding":[{"system":"urn:site","code":"FURO","display":"F40"}]}`),
			"orders MedicationRequest/M 24.09:00 active atc=C03CA01 drug=F40"},
		"a drug of no concern":       {medication(`"status":"active","medicationCodeableConcept":{"coding":[{"system":"urn:site","code":"WATER"}]}`), ""},
		"a plan is no order":         {strings.Replace(medication(`"status":"active",`+furosemide), `"intent":"order"`, `"intent":"plan"`, 1), ""},
		"an order not to give it":    {medication(`"status":"active","doNotPerform":true,` + furosemide), ""},
		"a draft is no order":        {medication(`"status":"draft",` + furosemide), ""},
		"a dose per mL is not known": {given(`"status":"completed","effectiveDateTime":"2026-11-25T07:00:00Z","medicationCodeableConcept":{"text":"Furosemide 10 MG/ML"},"dosage":{"dose":{"value":2}}`), "doses MedicationAdministration/A 25.07:00 completed drug=Furosemide 10 MG/ML"},
		"a dose in progress": {given(`"status":"in-progress","effectivePeriod":{"start":"2026-11-25T07:00:00Z","end":"2026-11-25T09:00:00Z"},` + furosemide +
			`,"request":{"reference":"MedicationRequest/M"},"dosage":{"dose":{"value":20,"unit":"mg","code":"mg"},"route":{"text":"IV"}}`),
			"doses MedicationAdministration/A 25.07:00 completed atc=C03CA01 dose=20 dose_unit=mg drug=Furosemide 40 MG Oral Tablet order_id=MedicationRequest/M route=IV rxnorm=310429"},
		"a dose not given":   {given(`"status":"not-done","effectiveDateTime":"2026-11-25T07:00:00Z",` + furosemide), "doses MedicationAdministration/A 25.07:00 not-done " + shown + " rxnorm=310429"},
		"a dose put on hold": {given(`"status":"on-hold","effectiveDateTime":"2026-11-25T07:00:00Z",` + furosemide), ""},

		"a condition": {other("Condition", `"code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10-cm","code":"G20","display":"Parkinson"}]}`),
			"conditions Condition/X icd10=G20 text=Parkinson"},
		"a condition in SNOMED alone": {other("Condition", `"code":{"coding":[{"system":"http://snomed.info/sct","code":"49049000"}]}`), ""},
		"a fall of the site":          {other("Condition", local("FALL")+`,"onsetDateTime":"2026-11-25T03:00:00Z","severity":{"text":"severe"}`), "falls Condition/X 25.03:00 injury=major"},
		"a fall as an event":          {other("AdverseEvent", `"actuality":"actual","event":{"coding":[{"system":"urn:site","code":"FALL"}]},"date":"2026-11-25T03:00:00Z"`), "falls AdverseEvent/X 25.03:00"},
		"a precaution":                {other("Flag", `"status":"active",`+local("BA")+`,"period":{"start":"2026-11-24"}`), "precautions Flag/X 24.00:00 precaution=bed alarm"},
		"a restriction that has ended": {other("Flag", `"status":"inactive",`+local("FIST")+`,"period":{"start":"2026-11-24"}`+updated("25T06:00:00")),
			"restrictions Flag/X 24.00:00 ended_at=06:00 limb=left arm reason=fistula"},
		"a flag that nobody knows": {other("Flag", `"status":"active","code":{"text":"has a big dog"}`), ""},
		"a clearance":              {other("Observation", `"status":"final",`+local("CLR")+`,"valueString":"ok","effectiveDateTime":"2026-11-25T07:00:00Z","performer":[{"display":"Dr A"}]`), "clearances Observation/X 25.07:00 by=Dr A"},
		"no clearance":             {other("Observation", `"status":"final",`+local("CLR")+`,"valueString":"NOT","effectiveDateTime":"2026-11-25T07:00:00Z"`), ""},
		"a clearance by a procedure": {other("Procedure", `"status":"completed",`+local("CLR")+`,"performedDateTime":"2026-11-25T07:00:00Z","performer":[{"actor":{"display":"Dr B"}}]`),
			"clearances Procedure/X 25.07:00 by=Dr B"},
		"a procedure not done":         {other("Procedure", `"status":"not-done",`+local("CLR")), ""},
		"a type that is not read":      {`{"resourceType":"QuestionnaireResponse","id":7,"identifier":{"value":"x"}}`, ""},
		"an observation not yet there": {strings.Replace(panel("B", "25T07:00:00Z", 142, 78, ""), `"final"`, `"registered"`, 1), ""},
	} {
		t.Run(name, func(t *testing.T) {
			if name == "sitting by a component" {
				c.resource = obs("B", "35094-2", "25T07:00:00Z", components(component("8480-6", quantity("120", "mm[Hg]")),
					component("8361-8", `"valueCodeableConcept":{"coding":[{"system":"http://snomed.info/sct","code":"33586001"}]}`)))
				c.want = "vitals Observation/B 25.07:00 position=sitting systolic=120"
			}
			chart, why := said(t, c.resource)
			if chart != c.want || why != "" {
				t.Errorf("\n got %s [%s]\nwant %s", chart, why, c.want)
			}
		})
	}
}

func TestWhatCannotBeUsedIsHeldWithItsReason(t *testing.T) {
	for name, c := range map[string]struct{ resource, why string }{
		"no unit":             {obs("B", "8480-6", "25T07:00:00Z", `,"valueQuantity":{"value":120}`), "Observation/B: no unit"},
		"no unit of a weight": {obs("B", "29463-7", "25T07:00:00Z", `,"valueQuantity":{"value":70}`), "no unit"},
		"another unit":        {obs("B", "8480-6", "25T07:00:00Z", ","+quantity("120", "cm[H2O]")), "the unit of the systolic is not known"},
		"a day alone":         {panel("B", "25", 120, 70, ""), "no time of day"},
		"a volume of a day": {strings.Replace(obs("B", "9108-2", "25T07:00:00Z", ","+quantity("1", "L")), `"effectiveDateTime":"2026-11-25T07:00:00Z"`,
			`"effectivePeriod":{"start":"2026-11-24","end":"2026-11-25"}`, 1), "no time of day"},
		"a volume at a moment":    {obs("B", "9108-2", "25T07:00:00Z", ","+quantity("1", "L")), "it has no effectivePeriod"},
		"a number that is a text": {obs("B", "8480-6", "25T07:00:00Z", `,"valueQuantity":{"value":"120","code":"mm[Hg]"}`), "has the wrong JSON type: string"},
		"less than a number":      {obs("B", "718-7", "25T07:00:00Z", `,"valueQuantity":{"value":7,"comparator":"<","code":"g/dL"}`), "is not one number: <7"},
		"a text for a pressure":   {obs("B", "8480-6", "25T07:00:00Z", `,"valueString":"120/80"`), "the value of the systolic is no quantity"},
		"one code, two values": {obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("142", "mm[Hg]")),
			component("8480-6", quantity("108", "mm[Hg]")))), "contradictory: the systolic is given as 142 and as 108"},
		"a component and the extension": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+components(component("8480-6", quantity("142", "mm[Hg]")),
			component("8361-8", lyingConcept))), "contradictory: its position is given as standing and as lying"},
		"a code and the extension": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+components(component("8461-6", quantity("142", "mm[Hg]")))),
			"contradictory: its position is given as standing and as lying"},
		"two positions of the whole": {obs("B", "8460-8", "25T07:00:00Z", ","+quantity("110", "mm[Hg]")+components(component("8361-8", lyingConcept))),
			"contradictory: its position is given as standing and as lying"},
		"a value of the whole, and of its position": {obs("B", "85354-9", "25T07:00:00Z", standingExtension+components(component("8460-8", quantity("108", "mm[Hg]")),
			component("8480-6", quantity("142", "mm[Hg]")))), "contradictory: the systolic is given as 108 and as 142"},
		"two times in a position": {obs("B", "85354-9", "25T07:00:00Z", `,"component":[{"code":{"coding":[{"system":"urn:site","code":"REST"}]},"valueInteger":3},
			{"code":{"coding":[{"system":"urn:site","code":"REST"}]},"valueInteger":5}]`), "contradictory: the time in position is given as 3 and as 5"},
		"a status that does not exist":  {strings.Replace(panel("B", "25T07:00:00Z", 142, 78, ""), `"final"`, `"done"`, 1), `status is no status of an observation: "done"`},
		"no identity":                   {strings.Replace(panel("B", "25T07:00:00Z", 142, 78, ""), `"id":"B",`, ``, 1), "it has neither an id nor an identifier"},
		"a word that the table lacks":   {`{"resourceType":"Observation","id":"X","status":"final","subject":{"reference":"Patient/P1"},"code":{"coding":[{"system":"urn:site","code":"CLR"}]},"valueString":"perhaps","effectiveDateTime":"2026-11-25T07:00:00Z"}`, `no word for the value "perhaps"`},
		"ahead of the clock":            {panel("B", "25T12:06:00Z", 142, 78, ""), "lies more than 5 minutes after"},
		"a status of the wrong type":    {`{"resourceType":"Encounter","id":"E2","status":7}`, "status has the wrong JSON type: number"},
		"an encounter without a start":  {`{"resourceType":"Encounter","id":"E2","status":"finished","class":{"code":"IMP"},"subject":{"reference":"Patient/P1"}}`, "period.start is missing"},
		"an order without a start":      {`{"resourceType":"MedicationRequest","id":"M","status":"active","intent":"order","subject":{"reference":"Patient/P1"},"medicationCodeableConcept":{"text":"x"}}`, "the start (boundsPeriod.start, authoredOn) is missing"},
		"a dose on a day":               {`{"resourceType":"MedicationAdministration","id":"A","status":"completed","subject":{"reference":"Patient/P1"},"medicationCodeableConcept":{"text":"x"},"effectiveDateTime":"2026-11-25"}`, "no time of day"},
		"a patient that nobody knows":   {`{"resourceType":"Condition","id":"C","code":{"coding":[{"system":"http://hl7.org/fhir/sid/icd-10","code":"I10"}]},"subject":{"reference":"urn:uuid:1"}}`, "waiting: no stay of its patient covers its time yet"}, // it may come in a later load
		"a resource that is a resource": {`{"resourceType":5}`, "resourceType has the wrong JSON type"},
	} {
		t.Run(name, func(t *testing.T) {
			if chart, why := said(t, c.resource); chart != "" || !strings.Contains(why, c.why) {
				t.Errorf("%s [%s], want %s", chart, why, c.why)
			}
		})
	}
}

const declined = `"dataAbsentReason":{"coding":[{"code":"asked-declined"}]}`

// twoPositions is a panel with the pressures lying and standing, and one component more.
func twoPositions(more string) string {
	list := []string{component("8460-8", quantity("108", "mm[Hg]")), component("8461-6", quantity("142", "mm[Hg]")),
		component("8455-8", quantity("78", "mm[Hg]")), component("8454-1", quantity("66", "mm[Hg]"))}
	if more != "" {
		list = append(list, more)
	}
	return obs("B", "85354-9", "25T07:00:00Z", components(list...))
}

// A position comes by the words of the code that is charted, or by an entry of the value's own code.
func TestAPositionOfTheSite(t *testing.T) {
	site := func(code string) string { return `{"coding":[{"system":"urn:site","code":"` + code + `"}]}` }
	for name, c := range map[string]struct{ more, want, why string }{
		"a code":               {`{"code":` + site("POS") + `,"valueCodeableConcept":` + site("U") + `}`, " position=sitting", ""},
		"a text":               {`{"code":` + site("POS") + `,"valueString":"s"}`, " position=standing", ""},
		"by the standard":      {`{"code":` + site("POS") + `,` + lyingConcept + `}`, " position=lying", ""},
		"no word":              {`{"code":` + site("POS") + `,"valueString":"hung"}`, "", `hung" of the code "POS"`},
		"the value's own code": {component("8361-8", `"valueCodeableConcept":`+site("BED")), " position=lying", ""},
		"a word of another":    {component("8361-8", `"valueCodeableConcept":`+site("U")), "", ""},
	} {
		chart, why := said(t, obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("142", "mm[Hg]")), c.more)))
		want := "vitals Observation/B 25.07:00" + c.want + " systolic=142"
		if c.why != "" {
			want = ""
		}
		if chart != want || !strings.Contains(why, c.why) {
			t.Errorf("%s: %s [%s]", name, chart, why)
		}
	}
	extended := strings.Replace(standingExtension, `"code":"10904000"`, `"code":"10904001"},{"system":"urn:site","code":"BED"`, 1)
	if chart, why := said(t, panel("B", "25T07:00:00Z", 142, 78, extended)); !strings.Contains(chart, "position=lying") {
		t.Errorf("in the extension: %s [%s]", chart, why)
	}
}

func TestPartsMakeOneReading(t *testing.T) {
	one := func(id, loinc, value, unit, rest string) string {
		return obs(id, loinc, "25T07:00:00Z", ","+quantity(value, unit)+rest)
	}
	for name, c := range map[string]struct {
		resources []string
		want      string
	}{
		"systolic, diastolic, pulse": {[]string{one("P", "8867-4", "70", "/min", ""), one("D", "8462-4", "78", "mm[Hg]", ""), one("S", "8480-6", "142", "mm[Hg]", "")},
			"vitals Observation/S 25.07:00 diastolic=78 heart_rate=70 systolic=142"},
		"a pulse joins a panel":        {[]string{one("P", "8867-4", "70", "/min", ""), panel("Z", "25T07:00:00Z", 142, 78, "")}, "vitals Observation/Z 25.07:00 diastolic=78 heart_rate=70 systolic=142"},
		"a panel beside its own parts": {[]string{one("S", "8480-6", "142", "mm[Hg]", ""), panel("Z", "25T07:00:00Z", 142, 78, ""), one("D", "8462-4", "78", "mm[Hg]", "")}, "vitals Observation/Z 25.07:00 diastolic=78 systolic=142"},
		"two positions at one moment": {[]string{one("S1", "8461-6", "142", "mm[Hg]", ""), one("S2", "8460-8", "110", "mm[Hg]", ""), one("D2", "8454-1", "70", "mm[Hg]", ""), one("P2", "69001-6", "90", "/min", "")},
			"vitals Observation/S1 25.07:00 position=lying systolic=142\nvitals Observation/S2 25.07:00 diastolic=70 heart_rate=90 position=standing systolic=110"},
		"two panels are two readings": {[]string{panel("A", "25T07:00:00Z", 142, 78, ""), panel("B", "25T07:00:00Z", 120, 70, "")},
			"vitals Observation/A 25.07:00 diastolic=78 systolic=142\nvitals Observation/B 25.07:00 diastolic=70 systolic=120"},
		"two positions in one panel": {[]string{twoPositions("")},
			"vitals Observation/B 25.07:00 diastolic=78 position=lying systolic=142\n" +
				"vitals Observation/B/standing 25.07:00 diastolic=66 position=standing systolic=108"},
		"what a panel of two positions says of neither": {[]string{twoPositions(component("8867-4", quantity("70", "/min")))},
			"vitals Observation/B 25.07:00 diastolic=78 position=lying systolic=142\n" +
				"vitals Observation/B/no position 25.07:00 heart_rate=70\n" +
				"vitals Observation/B/standing 25.07:00 diastolic=66 position=standing systolic=108"},
		"a panel and another value in standing": {[]string{obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("142", "mm[Hg]")),
			component("8462-4", quantity("78", "mm[Hg]")), component("8460-8", quantity("108", "mm[Hg]"))))},
			"vitals Observation/B 25.07:00 position=standing systolic=108\nvitals Observation/B/no position 25.07:00 diastolic=78 systolic=142"},
		"a panel with a part of a position": {[]string{obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", quantity("142", "mm[Hg]")),
			component("8454-1", quantity("78", "mm[Hg]")), component("8480-6", quantity("142", "mm[Hg]"))))},
			"vitals Observation/B 25.07:00 diastolic=78 position=standing systolic=142"},
		"lying, and standing declined, in one panel": {[]string{obs("B", "85354-9", "25T07:00:00Z", components(component("8461-6", quantity("142", "mm[Hg]")),
			component("8455-8", quantity("78", "mm[Hg]")), component("8460-8", declined), component("8454-1", declined)))},
			"answers Observation/B/standing 25.07:00 answer=declined\nvitals Observation/B 25.07:00 diastolic=78 position=lying systolic=142"},
		"a place for standing that is empty": {[]string{obs("B", "85354-9", "25T07:00:00Z", components(component("8461-6", quantity("142", "mm[Hg]")),
			component("8460-8", `"dataAbsentReason":{"coding":[{"code":"unknown"}]}`)))},
			"vitals Observation/B 25.07:00 position=lying systolic=142"},
		"who stood in a panel did not decline after": {[]string{twoPositions(""), obs("T", "8460-8", "25T07:03:00Z", ","+declined)},
			"vitals Observation/B 25.07:00 diastolic=78 position=lying systolic=142\n" +
				"vitals Observation/B/standing 25.07:00 diastolic=66 position=standing systolic=108"},
		"the diastolic of another time": {[]string{one("S", "8480-6", "142", "mm[Hg]", ""), obs("D", "8462-4", "25T07:01:00Z", ","+quantity("78", "mm[Hg]"))},
			"vitals Observation/D 25.07:01 diastolic=78\nvitals Observation/S 25.07:00 systolic=142"},
		"single parts declined": {[]string{obs("S", "8460-8", "25T07:00:00Z", `,"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`), obs("D", "8454-1", "25T07:00:00Z", `,"dataAbsentReason":{"coding":[{"code":"asked-declined"}]}`)},
			"answers Observation/S 25.07:00 answer=declined"},
		"who fainted at one minute did not decline": {[]string{obs("S", "8460-8", "25T07:01:00Z", ","+quantity("80", "mm[Hg]")), obs("T", "8460-8", "25T07:03:00Z", `,"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`)},
			"vitals Observation/S 25.07:01 position=standing systolic=80"},
		"after a quarter of an hour it is an answer again": {[]string{obs("S", "8460-8", "25T07:00:00Z", ","+quantity("80", "mm[Hg]")), obs("T", "8460-8", "25T07:15:00Z", `,"dataAbsentReason":{"coding":[{"code":"not-performed"}]}`)},
			"answers Observation/T 25.07:15 answer=not possible\nvitals Observation/S 25.07:00 position=standing systolic=80"},
	} {
		t.Run(name, func(t *testing.T) {
			forward, why := said(t, c.resources...)
			var turned []string
			for _, r := range c.resources {
				turned = append([]string{r}, turned...)
			}
			backward, _ := said(t, turned...)
			if forward != c.want || backward != c.want || why != "" {
				t.Errorf("\n got %s\n and %s\nwant %s\n%s", forward, backward, c.want, why)
			}
			// A load for each: what comes later joins what is there.
			d := newDesk(t)
			d.load(map[string]string{"a.json": bundled(pat1, ward, enc1)})
			for n, r := range c.resources {
				d.load(map[string]string{"r" + string(rune('0'+n)) + ".json": r})
			}
			var kept []string
			for l := range strings.SplitSeq(d.chart("E1", now), "\n") {
				if !strings.HasPrefix(l, "removed") { // it was a reading of its own until the others came
					kept = append(kept, l)
				}
			}
			if got := strings.Join(kept, "\n"); got != c.want {
				t.Errorf("one by one:\n got %s\nwant %s", got, c.want)
			}
		})
	}
}

func TestCorrectionsAndRetractions(t *testing.T) {
	at := func(h, m int) time.Time { return time.Date(2026, 11, 25, h, m, 0, 0, time.UTC) }
	status := func(r, s string) string { return strings.Replace(r, `"final"`, `"`+s+`"`, 1) }
	systolic := obs("S", "8480-6", "25T07:00:00Z", ","+quantity("142", "mm[Hg]")+updated("25T07:05:00"))
	diastolic := obs("D", "8462-4", "25T07:00:00Z", ","+quantity("78", "mm[Hg]")+updated("25T07:06:00"))
	corrected := status(obs("D", "8462-4", "25T07:00:00Z", ","+quantity("70", "mm[Hg]")+updated("25T08:00:00")), "corrected")
	gone := `{"resourceType":"Observation","id":"S","status":"entered-in-error","code":{"coding":[{"system":"http://loinc.org","code":"8480-6"}]}` + updated("25T09:00:00") + `}`
	want := map[time.Time]string{
		at(7, 5): "vitals Observation/S 25.07:00 systolic=142",
		at(7, 6): "vitals Observation/S 25.07:00 diastolic=78 systolic=142",
		at(8, 0): "vitals Observation/S 25.07:00 corrected diastolic=70 systolic=142",
		at(9, 0): "removed vitals Observation/S\nvitals Observation/D 25.07:00 corrected diastolic=70",
	}
	check := func(d desk, how string) {
		t.Helper()
		for moment, line := range want {
			got := d.chart("E1", moment)
			if how != "together" && !moment.Equal(at(9, 0)) { // D was a reading of its own until S came
				got = strings.TrimPrefix(got, "removed vitals Observation/D\n")
			}
			if got != line {
				t.Errorf("%s, at %s:\n got %s\nwant %s", how, moment.Format("15:04"), got, line)
			}
		}
	}
	all := []string{systolic, diastolic, corrected, gone}
	d := newDesk(t)
	d.load(map[string]string{"all.json": bundled(append([]string{pat1, ward, enc1}, all...)...)})
	check(d, "together")
	for _, order := range [][]int{{0, 1, 2, 3}, {3, 2, 1, 0}, {2, 0, 3, 1}} {
		d := newDesk(t)
		d.load(map[string]string{"a.json": bundled(pat1, ward, enc1)})
		for _, n := range order {
			d.load(map[string]string{"p" + string(rune('0'+n)) + ".json": all[n]})
		}
		check(d, "one by one")
	}
}

func TestALaterVersionThatIsNoFactRemovesIt(t *testing.T) {
	status := func(r, s string) string { return strings.Replace(r, `"final"`, `"`+s+`"`, 1) }
	clearance := func(value, at string) string {
		return `{"resourceType":"Observation","id":"C","status":"final","subject":{"reference":"Patient/P1"},"encounter":{"reference":"Encounter/E1"},
			"code":{"coding":[{"system":"urn:site","code":"CLR"}]},"valueString":"` + value + `","effectiveDateTime":"2026-11-25T07:00:00Z"` + updated(at) + `}`
	}
	for name, c := range map[string]struct{ first, then, want string }{
		"a weight cancelled": {obs("B", "29463-7", "25T07:00:00Z", ","+quantity("70", "kg")+updated("25T07:05:00")),
			status(obs("B", "29463-7", "25T07:00:00Z", updated("25T08:00:00")), "cancelled"), "removed weights Observation/B"},
		"a pressure cancelled": {panel("B", "25T07:00:00Z", 120, 70, updated("25T07:05:00")),
			status(panel("B", "25T07:00:00Z", 120, 70, updated("25T08:00:00")), "cancelled"), "removed vitals Observation/B"},
		"a pressure without a value is an answer now": {panel("B", "25T07:00:00Z", 120, 70, standingExtension+updated("25T07:05:00")),
			obs("B", "85354-9", "25T07:00:00Z", standingExtension+`,"dataAbsentReason":{"coding":[{"code":"asked-declined"}]}`+updated("25T08:00:00")),
			"answers Observation/B 25.07:00 answer=declined\nremoved vitals Observation/B"},
		"a clearance that is none":      {clearance("OK", "25T07:05:00"), clearance("NOT", "25T08:00:00"), "removed clearances Observation/C"},
		"a clearance that nobody knows": {clearance("OK", "25T07:05:00"), clearance("perhaps", "25T08:00:00"), "removed clearances Observation/C"},
		"of two positions one is left": {strings.Replace(twoPositions(""), `"status"`, updated("25T07:05:00")[1:]+`,"status"`, 1),
			obs("B", "85354-9", "25T07:00:00Z", components(component("8460-8", quantity("100", "mm[Hg]")))+updated("25T08:00:00")),
			"removed vitals Observation/B/standing\nvitals Observation/B 25.07:00 position=standing systolic=100"},
		"two positions cancelled": {strings.Replace(twoPositions(""), `"status"`, updated("25T07:05:00")[1:]+`,"status"`, 1),
			status(panel("B", "25T07:00:00Z", 120, 70, updated("25T08:00:00")), "cancelled"),
			"removed vitals Observation/B\nremoved vitals Observation/B/standing"},
		"two positions, at another time": {strings.Replace(twoPositions(""), `"status"`, updated("25T07:05:00")[1:]+`,"status"`, 1),
			strings.Replace(strings.Replace(twoPositions(""), `"status"`, updated("25T08:00:00")[1:]+`,"status"`, 1), "25T07:00:00Z", "25T07:01:00Z", 1),
			"vitals Observation/B 25.07:01 diastolic=78 position=lying systolic=142\n" +
				"vitals Observation/B/standing 25.07:01 diastolic=66 position=standing systolic=108"},
		"a correction that is unusable":  {panel("B", "25T07:00:00Z", 120, 70, updated("25T07:05:00")), obs("B", "85354-9", "25T07:00:00Z", components(component("8480-6", `"valueQuantity":{"value":99}`))+updated("25T08:00:00")), "vitals Observation/B 25.07:00 diastolic=70 systolic=120"},
		"a clearance taken back by code": {clearance("OK", "25T07:05:00"), `{"resourceType":"Observation","id":"C","status":"entered-in-error"` + updated("25T08:00:00") + `}`, "removed clearances Observation/C"},
	} {
		t.Run(name, func(t *testing.T) {
			for how, files := range map[string][]map[string]string{
				"in one file":         {{"a.json": bundled(pat1, ward, enc1, c.first, c.then)}},
				"turned":              {{"a.json": bundled(c.then, c.first, pat1, ward, enc1)}},
				"in two loads":        {{"a.json": bundled(pat1, ward, enc1, c.first)}, {"b.json": c.then}},
				"the later one first": {{"a.json": bundled(pat1, ward, enc1), "c.json": c.then}, {"b.json": c.first}},
			} {
				d := newDesk(t)
				for _, f := range files {
					d.load(f)
				}
				if got := d.chart("E1", now); got != c.want {
					t.Errorf("%s:\n got %s\nwant %s", how, got, c.want)
				}
			}
		})
	}
}

func TestFilesOfEveryForm(t *testing.T) {
	lines := strings.NewReplacer("\n", " ", "\t", " ")
	ndjson := lines.Replace(pat1) + "\n\n" + lines.Replace(ward) + "\r\n" + lines.Replace(enc1) + "\n" + lines.Replace(panel("B", "25T07:00:00Z", 120, 70, ""))
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	_, _ = z.Write([]byte(ndjson))
	_ = z.Close()
	inner := bundled(bundled(pat1, ward), enc1, bundled(bundled(panel("B", "25T07:00:00Z", 120, 70, ""))))
	want := "vitals Observation/B 25.07:00 diastolic=70 systolic=120"
	for name, text := range map[string]string{
		"one.json":    bundled(pat1, ward, enc1, panel("B", "25T07:00:00Z", 120, 70, "")),
		"mark.json":   "\xef\xbb\xbf" + bundled(pat1, ward, enc1, panel("B", "25T07:00:00Z", 120, 70, "")),
		"lines.dat":   ndjson, // by what is in it, whatever its name
		"zipped":      zipped.String(),
		"nested.json": inner,
		"turned.json": `{"entry":[{"resource":` + pat1 + `},{"resource":` + ward + `},{"resource":` + enc1 + `},{"resource":` +
			panel("B", "25T07:00:00Z", 120, 70, "") + `}],"type":"batch","resourceType":"Bundle"}`,
	} {
		d := newDesk(t)
		s := d.load(map[string]string{name: text})
		if got := d.chart("E1", now); got != want || s.Rows != 4 || s.Accepted != 2 {
			t.Errorf("%s: %s, %s [%s]", name, got, ends(s), problems(s))
		}
		if got := d.stay("E1", now); got != "P1 on 4W Tanoueva, Ana M 1945-02-13 female" {
			t.Errorf("%s: %s", name, got)
		}
		if s = d.loadPaths(d.dir); s.Unchanged != 2 || s.Skipped != 2 {
			t.Errorf("%s again: %s", name, ends(s))
		}
	}
}

// One entry that is wrong costs itself alone, and a Bundle without a list of entries is named.
func TestEntriesOfTheWrongType(t *testing.T) {
	good := panel("B", "25T07:00:00Z", 120, 70, "")
	for name, c := range map[string]struct{ entry, why string }{
		"null":                    {`[null,{"resource":` + good + `}]`, "it has no resourceType"},
		"a number":                {`[1,{"resource":` + good + `}]`, "it has the wrong JSON type: number"},
		"an empty resource":       {`[{"resource":{}},{"resource":` + good + `}]`, "it has no resourceType"},
		"a resource that is text": {`[{"resource":"x"},{"resource":` + good + `}]`, "it has the wrong JSON type: string"},
		"an address that is none": {`[{"fullUrl":5,"resource":` + ward + `},{"resource":` + good + `}]`, "fullUrl has the wrong JSON type: number"},
		"an object":               {`{"resource":` + good + `}`, "entry has the wrong JSON type: object"},
		"a text":                  {`"abc"`, "entry has the wrong JSON type: string"},
	} {
		for how, text := range map[string]string{
			"as a stream": `{"resourceType":"Bundle","entry":` + c.entry + `}`,
			"as a whole":  `{"entry":` + c.entry + `,"resourceType":"Bundle"}`,
			"in a Bundle": bundled(`{"resourceType":"Bundle","entry":` + c.entry + `}`),
		} {
			d := newDesk(t)
			d.load(map[string]string{"a.json": bundled(pat1, ward, enc1)})
			s := d.load(map[string]string{"b.json": text})
			read := strings.HasPrefix(c.entry, "[")
			if s.Unreadable != 0 || s.Held != 1 || !strings.Contains(problems(s), c.why) || read != (s.Accepted == 1) {
				t.Errorf("%s, %s: %s [%s], want %s", name, how, ends(s), problems(s), c.why)
			}
			if s, err := d.Retry(t.Context()); err != nil || s.Held != 1 || !strings.Contains(problems(s), c.why) {
				t.Errorf("%s, %s, read again: %v %s [%s]", name, how, err, ends(s), problems(s))
			}
		}
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	for name, c := range map[string]struct{ text, why string }{
		"xml":                  {"<?xml version=\"1.0\"?><Patient/>", "is XML in line 1"},
		"empty":                {"", "is empty"},
		"blank":                {" \n\n", "is empty"},
		"no resource":          {`{"reference":"Patient/1"}`, "is JSON, but no FHIR"},
		"a list":               {`[{"resourceType":"Patient"}]`, "is no FHIR in line 1"},
		"cut off":              {`{"resourceType":"Bundle","entry":[` + "\n" + `{"resource":{"resourceType":"Patient","id":"A"`, "is cut off: what begins in line 2 does not end"},
		"a broken line":        {`{"resourceType":"Patient","id":"A"}` + "\n" + `{"resourceType":"Patient","id":A}`, "does not parse as JSON in line 2"},
		"a broken entry":       {"{\"resourceType\":\"Bundle\",\n\"entry\":[{\"resource\":\n{\"resourceType\":\"Patient\",\"id\":}}]}", "does not parse as JSON in line 3"},
		"not UTF-8":            {"{\"resourceType\":\"Patient\",\"id\":\"\xff\"}", "is not UTF-8 text"},
		"deep":                 {`{"resourceType":"Patient","x":` + strings.Repeat("[", 200) + strings.Repeat("]", 200) + `}`, "nests deeper than 100"},
		"too large":            {`{"resourceType":"Patient","x":"` + strings.Repeat("x", 17<<20) + `"}`, "has a resource of more than 16777216 bytes"},
		"words after a Bundle": {`{"resourceType":"Bundle","entry":[]} nonsense`, "is no FHIR in line 1"},
	} {
		d := newDesk(t)
		s := d.load(map[string]string{"f.json": c.text})
		if s.Unreadable != 1 || s.Rows != 0 || !strings.Contains(problems(s), c.why) {
			t.Errorf("%s: %s [%s], want %s", name, ends(s), problems(s), c.why)
		}
	}
}
