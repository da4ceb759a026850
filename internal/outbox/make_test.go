package outbox_test

import (
	"bytes"
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/outbox"
	"plumbline/internal/records"
)

const installation = "0b9f4a52-6d1e-4c7a-9a55-3e1c2d4f5a60"

var (
	seven = time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	zone  = time.FixedZone("", 3600)
)

func figure(v float64) *float64 { return &v }

func here(kind clinical.Kind, id string, body clinical.Body) clinical.Version {
	return clinical.Version{
		Kind: kind, SourceID: id, StayID: "V1", RecordedAt: seven.Add(5 * time.Minute), Stated: true, Status: clinical.Final,
		Body: body, Feed: clinical.BedsideFeed, File: clinical.BedsideFeed,
	}
}

const setID = "5f0c6f1e-2b1d-4a77-8e8b-0d3e9a1c7b42"

// theSet is a set of two readings, the second with symptoms.
func theSet() []clinical.Version {
	base := clinical.Vitals{
		TakenAt: seven, Systolic: figure(142), Diastolic: figure(78), HeartRate: figure(70), Position: clinical.Lying,
		Limb: "left arm", MinutesInPosition: figure(5), SetID: setID,
	}
	first := clinical.Vitals{
		TakenAt: seven.Add(time.Minute), Systolic: figure(108), Diastolic: figure(66), HeartRate: figure(78),
		Position: clinical.Standing, Limb: "left arm", MinutesInPosition: figure(1), SetID: setID,
		Symptoms: []string{"dizziness"}, StoppedEarly: true,
	}
	return []clinical.Version{
		here(clinical.KindVitals, "bedside-"+setID+"-base", base), here(clinical.KindVitals, "bedside-"+setID+"-first", first),
	}
}

func table(t *testing.T) *codes.Table {
	t.Helper()
	entries, err := codes.Read([]byte(`
codes:
- {system: L, code: CLR, kind: clearance, words: {cleared: yes, revoked: no}}
- {system: L, code: WHY, kind: answer, words: {refused: declined}}
- {system: L, code: NOLA, kind: restriction, value: left arm, words: {on: begins, off: ends}}
- {system: L, code: NORA, kind: restriction, value: right arm}
- {system: L, code: DIZ, kind: symptom, value: dizziness, words: {present: yes}}
`))
	if err != nil {
		t.Fatal(err)
	}
	return codes.New(entries)
}

func sending(versions int, facts ...clinical.Version) records.Sending {
	s := records.Sending{
		Installation: installation, StayID: "V1", Stay: clinical.Stay{PatientID: "P1", Unit: "4W"},
		Versions: map[string]int{}, Earlier: map[string]clinical.Body{},
	}
	for _, f := range facts {
		s.Versions[records.VersionKey(f.Kind, f.SourceID)] = versions
	}
	return s
}

// queued are the items that are made of facts for a way.
func queued(t *testing.T, m outbox.Maker, channel string, s records.Sending, facts ...clinical.Version) (out []outbox.Item) {
	t.Helper()
	m.Channels = []string{channel}
	for _, o := range m.Queue("nurse-1", seven.Add(5*time.Minute), facts, s) {
		item, err := outbox.Read(o)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, item)
	}
	return out
}

func found(string, clinical.Stay, []clinical.Version) string { return "142/78 to 108/66, positive" }

var hl7 = outbox.HL7{Application: "PLUMBLINE", Facility: "WEST", Zone: zone}

func message(i outbox.Item) string {
	return strings.TrimSuffix(strings.ReplaceAll(string(hl7.Message(i)), "\r", "\n"), "\n")
}

func indented(t *testing.T, text []byte) string {
	t.Helper()
	var b bytes.Buffer
	if err := json.Indent(&b, text, "", " "); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The examples of the document are what the program makes.
func TestTheExamplesOfTheDocumentAreMade(t *testing.T) {
	doc, err := os.ReadFile("../../docs/outward.md")
	if err != nil {
		t.Fatal(err)
	}
	facts := theSet()
	maker := outbox.Maker{Codes: table(t), Finding: found}
	both := queued(t, maker, outbox.MLLP, sending(1, facts...), facts...)[0]
	one := queued(t, maker, outbox.FHIR, sending(1, facts[:1]...), facts[:1]...)[0]
	for _, example := range []string{message(both), indented(t, outbox.FHIRMaker{Zone: zone}.Bundle(one))} {
		if !strings.Contains(string(doc), example+"\n") {
			t.Errorf("docs/outward.md lacks this:\n%s", example)
		}
	}
}

// The order of the fields is that of HL7 v2.5.1, chapters 2 to 4 and 7, from memory.
func TestAMessageOfHL7SaysWhatWasTaken(t *testing.T) {
	facts := theSet()
	maker := outbox.Maker{Codes: table(t), Finding: found}
	one := queued(t, maker, outbox.MLLP, sending(1, facts...), facts...)[0]
	for _, line := range []string{
		"PID|1||P1^^^^MR",
		"PV1|1|U" + strings.Repeat("|", 17) + "V1^^^^VN",
		"OBX|2|NM|8462-4^Diastolic blood pressure^LN||78|mm[Hg]^^UCUM|||||F|||20261125080000+0100||nurse-1",
		"OBX|4|CWE|8361-8^Body position with respect to gravity^LN||40199007^Supine body position^SCT||||||F|||20261125080000+0100||nurse-1",
		"OBX|5|ST|DIZ^^L||present||||||F|||20261125080100+0100||nurse-1",
		"NTE|2|L|Symptoms: dizziness.",
		"NTE|3|L|Stopped early.",
		"NTE|5|L|Set: 142/78 to 108/66, positive",
	} {
		if !strings.Contains("\n"+message(one)+"\n", "\n"+line+"\n") {
			t.Errorf("the message lacks %s\n%s", line, message(one))
		}
	}
	if n := strings.Count(message(one), "\nOBR|"); n != 2 {
		t.Errorf("%d OBR, want one a reading", n)
	}
	if again := queued(t, maker, outbox.MLLP, sending(1, facts...), facts...)[0]; message(one) != message(again) {
		t.Error("another attempt is another message")
	}
	two := queued(t, maker, outbox.MLLP, sending(2, facts...), facts...)[0]
	if outbox.ControlID(one) == outbox.ControlID(two) || len(outbox.ControlID(one)) != 20 {
		t.Errorf("control ids %s and %s", outbox.ControlID(one), outbox.ControlID(two))
	}
	if !strings.Contains(message(two), "mm[Hg]^^UCUM|||||C|||") || strings.Contains(message(two), "|||||F|||") {
		t.Errorf("a correction:\n%s", message(two))
	}
	gone := facts[0]
	gone.Status, gone.Body = clinical.EnteredInError, nil
	s := sending(2, gone)
	s.Earlier[records.VersionKey(gone.Kind, gone.SourceID)] = facts[0].Body
	back := queued(t, maker, outbox.MLLP, s, gone)[0]
	if !strings.Contains(message(back), "||142|mm[Hg]^^UCUM|||||W|||") || strings.Contains(message(back), "Minutes") {
		t.Errorf("a retraction:\n%s", message(back))
	}
}

func TestTextsAreNoSeparators(t *testing.T) {
	why := here(clinical.KindAnswer, "bedside-x-answers-1", clinical.Answer{
		AnsweredAt: seven, Answer: "declined", Reason: "a|b^c&d~e\\f\ng\x1c\rMSH|",
	})
	got := message(queued(t, outbox.Maker{Codes: table(t)}, outbox.MLLP, sending(1, why), why)[0])
	if want := `NTE|1|L|a\F\b\S\c\T\d\R\e\E\f\.br\g\.br\MSH\F\`; !strings.Contains(got, want) || strings.Contains(got, "\x1c") {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// What has no code of the site's goes nowhere.
func TestWhatHasNoCodeIsKeptHere(t *testing.T) {
	ended := seven
	facts := []clinical.Version{
		here(clinical.KindClearance, "c", clinical.Clearance{ClearedAt: seven, By: "Dr Example"}),
		here(clinical.KindAnswer, "a", clinical.Answer{AnsweredAt: seven, Answer: "declined"}),
		here(clinical.KindAnswer, "n", clinical.Answer{AnsweredAt: seven, Answer: "not possible"}),
		here(clinical.KindRestriction, "r", clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: seven}),
		here(clinical.KindRestriction, "e", clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: seven, EndedAt: &ended}),
		here(clinical.KindRestriction, "w", clinical.Restriction{Limb: "right arm", Reason: "fistula", StartedAt: seven}),
		here(clinical.KindPrecaution, "p", clinical.Precaution{Precaution: "sitter", StartedAt: seven}),
	}
	things := func(m outbox.Maker, channel string) string {
		var out []string
		for _, i := range queued(t, m, channel, sending(1, facts...), facts...) {
			out = append(out, i.Thing+" "+i.Code.Code+" "+i.Code.Says)
		}
		return strings.Join(out, ", ")
	}
	known := outbox.Maker{Codes: table(t)}
	for _, c := range []struct {
		what    string
		maker   outbox.Maker
		channel string
		want    string
	}{
		{"by HL7", known, outbox.MLLP, "c CLR cleared, a WHY refused, r NOLA on, e NOLA off"},
		{"by FHIR, where a Flag needs no word", known, outbox.FHIR, "c CLR cleared, a WHY refused, r NOLA on, e NOLA off, w NORA "},
		{"without a table", outbox.Maker{Codes: codes.New()}, outbox.MLLP, ""},
		{"of another unit", outbox.Maker{Codes: table(t), Units: []string{"7E"}}, outbox.MLLP, ""},
	} {
		if got := things(c.maker, c.channel); got != c.want {
			t.Errorf("%s: %q, want %q", c.what, got, c.want)
		}
	}
	got := message(queued(t, known, outbox.MLLP, sending(1, facts[0]), facts[0])[0])
	if want := "OBX|1|ST|CLR^^L||cleared||||||F|||20261125080000+0100||^Dr Example"; !strings.Contains(got, want) {
		t.Errorf("%s\nwant %s", got, want)
	}
}

// The shape of the transaction is that of FHIR R4 (http.html#transaction), from memory.
func TestATransactionOfFHIRSaysWhatWasTaken(t *testing.T) {
	facts := theSet()
	low := facts[1].Body.(clinical.Vitals)
	low.Diastolic, low.HeartRate, low.Limb = nil, nil, "left leg"
	facts[1].Body = low
	maker := outbox.Maker{Codes: table(t), Finding: found}
	type entry struct {
		FullURL  string `json:"fullUrl"`
		Request  map[string]string
		Resource struct {
			Status     string
			Identifier []records.Identifier
			Component  []struct {
				DataAbsentReason *struct{ Coding []struct{ Code string } }
			}
			BodySite  any
			Note      []struct{ Text string }
			HasMember []struct{ Reference string }
			Value     string `json:"valueString"`
		}
	}
	read := func(i outbox.Item) (out []entry) {
		var b struct{ Entry []entry }
		if err := json.Unmarshal(outbox.FHIRMaker{Zone: zone}.Bundle(i), &b); err != nil {
			t.Fatal(err)
		}
		return b.Entry
	}
	one := read(queued(t, maker, outbox.FHIR, sending(1, facts...), facts...)[0])
	if len(one) != 4 { // two readings, one pulse, the set
		t.Fatalf("%d entries", len(one))
	}
	system := "urn:uuid:" + installation
	for n, id := range []string{"bedside-" + setID + "-base", "bedside-" + setID + "-base/pulse", "bedside-" + setID + "-first", setID + "/set"} {
		e := one[n]
		if e.Resource.Identifier[0] != (records.Identifier{System: system, Value: id}) ||
			e.Request["method"] != "POST" || e.Request["ifNoneExist"] != "identifier="+system+"|"+id || e.Resource.Status != "final" {
			t.Errorf("entry %d: %+v", n, e)
		}
	}
	upright, set := one[2].Resource, one[3].Resource
	if a := upright.Component[1].DataAbsentReason; a == nil || a.Coding[0].Code != "unknown" {
		t.Errorf("the missing diastolic: %+v", upright.Component)
	}
	notes := []string{}
	for _, n := range upright.Note {
		notes = append(notes, n.Text)
	}
	if upright.BodySite != nil || !slices.Contains(notes, "Measured at the left leg.") || !slices.Contains(notes, "Stopped early.") {
		t.Errorf("a leg has no code: %v, %q", upright.BodySite, notes)
	}
	if len(set.HasMember) != 3 || set.HasMember[0].Reference != one[0].FullURL || set.Value != "142/78 to 108/66, positive" {
		t.Errorf("the set: %+v", set)
	}
	two := read(queued(t, maker, outbox.FHIR, sending(2, facts...), facts...)[0])
	if len(two) != 3 || two[0].Request["method"] != "PUT" || two[0].Resource.Status != "corrected" ||
		two[0].Request["url"] != "Observation?identifier="+system+"|bedside-"+setID+"-base" {
		t.Errorf("a correction: %+v", two[0])
	}
	for n := range facts {
		facts[n].Status = clinical.EnteredInError
	}
	back := read(queued(t, maker, outbox.FHIR, sending(2, facts...), facts...)[0])
	for _, e := range back {
		if e.Resource.Status != "entered-in-error" || e.Request["method"] != "PUT" {
			t.Errorf("a retraction: %+v", e)
		}
	}
	if last := back[len(back)-1].Resource.Identifier[0].Value; last != setID+"/set" {
		t.Errorf("the set is not taken back: %s", last)
	}
}
