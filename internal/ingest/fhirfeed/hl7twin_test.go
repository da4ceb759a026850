package fhirfeed_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
	"plumbline/internal/drill"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// hl7Twin writes facts as HL7 v2 messages, one a version, and keeps the versions that must
// come of them. Left out is what HL7 has no way for: fluids, treatments, limbs, given set ids,
// home drugs, who cannot walk, orders that are completed or said in error, and facts whose time
// a correction changes: their time is in their identity.
type hl7Twin struct {
	messages []string
	same     []clinical.Version
	table    []codes.Entry
	last     map[string]clinical.Version // by kind and source
	dropped  map[string]bool
	numbers  map[string]int
}

func stampTime(t time.Time) string { return t.UTC().Format("20060102150405.000000") + "+0000" }

func (w *hl7Twin) local(e codes.Entry, word string) string {
	e.System, e.Code = "TWIN", strings.TrimSpace(fmt.Sprintf("%s %s %s", e.Kind, e.Value, e.Reason))
	if word != "" && e.Words == nil {
		e.Words = map[string]string{word: codes.Yes}
	}
	if !slices.ContainsFunc(w.table, func(o codes.Entry) bool { return o.Code == e.Code }) {
		w.table = append(w.table, e)
	}
	return e.Code + "^^TWIN"
}

// number is a short number of a source, the same each time.
func (w *hl7Twin) number(source string) int {
	if _, known := w.numbers[source]; !known {
		w.numbers[source] = len(w.numbers) + 1
	}
	return w.numbers[source]
}

// add writes a version as a message; one that HL7 cannot carry is passed over.
func (w *hl7Twin) add(v clinical.Version) {
	key := string(v.Kind) + " " + v.SourceID
	if was, known := w.last[key]; v.Body == nil && known {
		v.Body = was.Body
		v.StayID = was.StayID
	} else if v.Body == nil || w.dropped[key] {
		w.dropped[key] = true
		return
	}
	if was, known := w.last[key]; known && v.Kind != clinical.KindStay && v.Kind != clinical.KindOrder &&
		(!was.Body.OwnTime().Equal(v.Body.OwnTime()) || was.StayID != v.StayID) {
		w.dropped[key] = true
		return
	}
	v.Stated = true
	if v.RecordedAt.IsZero() {
		v.RecordedAt = teststore.Now().Add(-10 * 24 * time.Hour)
	}
	trigger, segments, body := w.segments(&v)
	if body == nil {
		w.dropped[key] = true
		return
	}
	if v.Body = body; v.Removed() {
		v.Body = nil
	}
	w.last[key] = v
	if body != nil && v.Body == nil {
		was := v
		was.Body = body
		w.last[key] = was
	}
	head := fmt.Sprintf(`MSH|^~\&|T|T|P|H|%s||%s|%d|P|2.5.1`, stampTime(v.RecordedAt), trigger, len(w.messages))
	w.messages = append(w.messages, strings.Join(append([]string{head}, segments...), "\r"))
	w.same = append(w.same, v)
}

func visitSegments(stay string) []string {
	return []string{"PID|1||" + "p-" + stay + "^^^H^MR", "PV1|1|I|" + strings.Repeat("|", 16) + stay}
}

// observed is an ORU of values, each of a code, value and unit; it names the fact.
func (w *hl7Twin) observed(v *clinical.Version, values ...[3]string) []string {
	at := v.Body.OwnTime()
	group := "G" + strconv.Itoa(w.number(string(v.Kind)+v.SourceID))
	v.SourceID = group + "/1/" + at.UTC().Format("2006-01-02T15:04:05.999999Z07:00")
	status := "F"
	switch v.Status {
	case clinical.EnteredInError:
		status = "D"
	case clinical.Amended, clinical.Corrected:
		status = "C"
		v.Status = clinical.Corrected
	}
	out := append(visitSegments(v.StayID), "OBR|1||"+group+"|X|||"+stampTime(at))
	for n, o := range values {
		out = append(out, fmt.Sprintf("OBX|%d|NM|%s||%s|%s|||||%s", n+1, o[0], o[1], o[2], status))
	}
	return out
}

func number(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }

func (w *hl7Twin) segments(v *clinical.Version) (trigger string, segments []string, body clinical.Body) {
	switch b := v.Body.(type) {
	case clinical.Stay:
		return w.stay(*v, b)
	case clinical.Vitals:
		return w.vitals(v, b)
	case clinical.Weight:
		return "ORU^R01", w.observed(v, [3]string{"29463-7^^LN", number(b.KG), "kg"}), b
	case clinical.Lab:
		return "ORU^R01", w.observed(v, [3]string{b.LOINC + "^^LN", number(b.Value), b.Unit}), b
	case clinical.Fall:
		b.Assisted = nil
		return "ORU^R01", w.observed(v, [3]string{w.local(codes.Entry{Kind: codes.Fall, Value: b.Injury}, "Y"), "Y", ""}), b
	case clinical.Clearance:
		out := w.observed(v, [3]string{w.local(codes.Entry{Kind: codes.Clearance}, "Y"), "Y", ""})
		out[len(out)-1] += strings.Repeat("|", 5) + "1^" + b.By
		return "ORU^R01", out, b
	case clinical.Answer:
		out := w.observed(v, [3]string{w.local(codes.Entry{Kind: codes.Answer, Value: b.Answer}, "Y"), "Y", ""})
		return "ORU^R01", append(out, "NTE|1||"+b.Reason), b
	case clinical.Order:
		return w.order(v, b)
	case clinical.Dose:
		return w.dose(v, b)
	case clinical.Precaution:
		return w.span(v, codes.Entry{Kind: codes.Precaution, Value: b.Precaution}, b.EndedAt), nil, nil
	case clinical.Restriction:
		return w.span(v, codes.Entry{Kind: codes.Restriction, Value: b.Limb, Reason: b.Reason}, b.EndedAt), nil, nil
	case clinical.Condition:
		if v.Removed() || w.last["conditions "+v.SourceID].Kind != "" || w.twice(v.StayID+"/DG1/"+b.ICD10) {
			return "", nil, nil
		}
		was, known := w.last["stays "+v.StayID]
		if !known {
			return "", nil, nil
		}
		v.SourceID = v.StayID + "/DG1/" + b.ICD10
		pid := "PID|1||" + was.Body.(clinical.Stay).PatientID + "^^^H^MR"
		return "ADT^A08", append([]string{pid}, visitSegments(v.StayID)[1], fmt.Sprintf("DG1|1||%s^%s^I10", b.ICD10, b.Text)), b
	}
	return "", nil, nil
}

// twice tells whether a name was used before.
func (w *hl7Twin) twice(name string) bool {
	_, known := w.numbers["name "+name]
	w.number("name " + name)
	return known
}

// span writes that a precaution or a restriction begins, and, in a message of its own, that it ends.
// One that is changed, or comes twice, has no twin.
func (w *hl7Twin) span(v *clinical.Version, e codes.Entry, end *time.Time) string {
	key := string(v.Kind) + " " + v.SourceID
	if v.Removed() || v.Body.OwnTime().IsZero() || w.last[key].Kind != "" || w.twice(v.StayID+string(e.Kind)+e.Value) {
		return ""
	}
	e.Words = map[string]string{"on": codes.Begins, "off": codes.Ends}
	send := func(at time.Time, word string) string {
		one := *v
		one.Body = clinical.Weight{MeasuredAt: at} // for the time alone
		one.SourceID += word
		segments := w.observed(&one, [3]string{w.local(e, ""), word, ""})
		head := fmt.Sprintf(`MSH|^~\&|T|T|P|H|%s||ORU^R01|%d|P|2.5.1`, stampTime(v.RecordedAt), len(w.messages))
		w.messages = append(w.messages, strings.Join(append([]string{head}, segments...), "\r"))
		return one.SourceID
	}
	kept := *v
	kept.SourceID = send(v.Body.OwnTime(), "on")
	if end != nil {
		if end.After(v.RecordedAt) {
			w.messages = w.messages[:len(w.messages)-1]
			return "" // HL7 says no ends ahead
		}
		send(*end, "off")
	}
	kept.Status = clinical.Final
	w.last[key], w.same = kept, append(w.same, kept)
	return ""
}

func (w *hl7Twin) stay(v clinical.Version, b clinical.Stay) (string, []string, clinical.Body) {
	b.NotAmbulatory = false
	event := "A08"
	if _, known := w.last["stays "+v.SourceID]; !known {
		event = "A01"
	}
	if v.Removed() {
		event = "A11"
	}
	until := `""`
	if b.DischargedAt != nil {
		until = stampTime(*b.DischargedAt)
	}
	sexes := map[string]string{"male": "M", "female": "F", "other": "O", "unknown": "U"}
	family, given, _ := strings.Cut(b.Name, ", ")
	if b.Sex == "" {
		b.Sex = "unknown"
	}
	birth := strings.ReplaceAll(b.BirthDate, "-", "")
	if birth == "" {
		birth = `""`
	}
	return "ADT^" + event, []string{
		"EVN|" + event + "|" + stampTime(v.RecordedAt),
		fmt.Sprintf("PID|1||%s^^^H^MR||%s^%s||%s|%s", b.PatientID, family, given, birth, sexes[b.Sex]),
		"PV1|1|I|" + b.Unit + "^^" + b.Bed + strings.Repeat("|", 16) + v.SourceID + strings.Repeat("|", 25) + stampTime(b.AdmittedAt) + "|" + until,
	}, b
}

func (w *hl7Twin) vitals(v *clinical.Version, b clinical.Vitals) (string, []string, clinical.Body) {
	b.SetID, b.PressureUnit, b.Limb = "", "", ""
	var list [][3]string
	for _, x := range []struct {
		code string
		f    *float64
		unit string
	}{{"8480-6^^LN", b.Systolic, "mm[Hg]"}, {"8462-4^^LN", b.Diastolic, "mm[Hg]"}, {"8867-4^^LN", b.HeartRate, "/min"}} {
		if x.f != nil {
			list = append(list, [3]string{x.code, number(*x.f), x.unit})
		}
	}
	if len(list) == 0 {
		return "", nil, nil // what has no figure joins another reading of its group
	}
	positions := map[clinical.Position]string{clinical.Lying: "40199007", clinical.Sitting: "33586001", clinical.Standing: "10904000"}
	if p := positions[b.Position]; p != "" {
		list = append(list, [3]string{"8361-8^^LN", p + "^^SCT", ""})
	}
	if b.MinutesInPosition != nil {
		list = append(list, [3]string{w.local(codes.Entry{Kind: codes.Minutes}, ""), number(*b.MinutesInPosition), "min"})
	}
	for _, s := range b.Symptoms {
		list = append(list, [3]string{w.local(codes.Entry{Kind: codes.Symptom, Value: s}, "Y"), "Y", ""})
	}
	if b.StoppedEarly {
		list = append(list, [3]string{w.local(codes.Entry{Kind: codes.Stopped}, "Y"), "Y", ""})
	}
	if was, known := w.last["vitals "+v.SourceID]; known && !v.Removed() {
		old := was.Body.(clinical.Vitals)
		if (old.Systolic == nil) != (b.Systolic == nil) || (old.Diastolic == nil) != (b.Diastolic == nil) || (old.HeartRate == nil) != (b.HeartRate == nil) ||
			len(old.Symptoms) != len(b.Symptoms) || old.StoppedEarly != b.StoppedEarly || (old.MinutesInPosition == nil) != (b.MinutesInPosition == nil) || (old.Position == "") != (b.Position == "") {
			return "", nil, nil // OBX-1 would number the values anew
		}
	}
	return "ORU^R01", w.observed(v, list...), b
}

func drugField(d clinical.Drug) string {
	switch {
	case d.ATC != "":
		return d.ATC + "^" + d.Text + "^ATC"
	case d.RxNorm != "":
		return d.RxNorm + "^" + d.Text + "^RXNORM"
	}
	return "^" + d.Text
}

func (w *hl7Twin) order(v *clinical.Version, b clinical.Order) (string, []string, clinical.Body) {
	control := map[clinical.Status]string{
		clinical.Active: "XO", clinical.OnHold: "HD", clinical.Stopped: "DC", clinical.Cancelled: "CA",
	}[v.Status]
	if control == "" || b.ATC != "" && b.RxNorm != "" || b.TimesPerDay == nil || b.Dose == nil || strings.Contains(b.Text, "^") {
		return "", nil, nil
	}
	pattern := ""
	for word, n := range map[string]float64{"QD": 1, "BID": 2, "TID": 3, "QID": 4} {
		if n == *b.TimesPerDay {
			pattern = word
		}
	}
	if pattern == "" {
		return "", nil, nil
	}
	if b.AsNeeded {
		pattern = "PRN " + pattern
	}
	b.NewDrug, b.EndUnknown = false, false
	until := `""`
	if b.EndAt != nil {
		until = stampTime(*b.EndAt)
	}
	return "RDE^O11", append(visitSegments(v.StayID), "ORC|"+control+"|"+v.SourceID,
		fmt.Sprintf("TQ1|1||%s||||%s|%s", pattern, stampTime(b.StartAt), until),
		fmt.Sprintf("RXE||%s|%s||%s", drugField(b.Drug), number(*b.Dose), b.DoseUnit), "RXR|"+string(b.Route)), b
}

func (w *hl7Twin) dose(v *clinical.Version, b clinical.Dose) (string, []string, clinical.Body) {
	if b.ATC != "" && b.RxNorm != "" {
		return "", nil, nil
	}
	n := w.number("dose " + v.SourceID)
	order := b.OrderID
	if order == "" {
		order, b.OrderID = "none", "none"
	}
	v.SourceID = fmt.Sprintf("%s/%d/%s", order, n, b.GivenAt.UTC().Format("2006-01-02T15:04:05.999999Z07:00"))
	done, action := "CP", "A"
	switch v.Status {
	case clinical.NotDone:
		done = "NA"
	case clinical.EnteredInError:
		action = "D"
	}
	amount := "999"
	if b.Dose != nil {
		amount = number(*b.Dose)
	}
	return "RAS^O17", append(visitSegments(v.StayID), "ORC|RE|"+order,
		fmt.Sprintf("RXA|0|%d|%s||%s|%s|%s|||||||||||||%s|%s", n, stampTime(b.GivenAt), drugField(b.Drug), amount, b.DoseUnit, done, action), "RXR|"+string(b.Route)), b
}

// The demo unit as CSV brings it and as HL7 v2 messages, in one file and one by one in any order over many
// deliveries, is assessed alike.
func TestTheDemoUnitIsTheSameInHL7(t *testing.T) {
	drill.Long(t)
	w := &hl7Twin{last: map[string]clinical.Version{}, dropped: map[string]bool{}, numbers: map[string]int{}}
	all := demoVersions(t)
	slices.SortStableFunc(all, func(a, b clinical.Version) int { return a.RecordedAt.Compare(b.RecordedAt) })
	for _, v := range all {
		w.add(v)
	}
	counts := map[clinical.Kind]int{}
	for _, v := range w.same {
		counts[v.Kind]++
	}
	for _, kind := range []clinical.Kind{
		clinical.KindStay, clinical.KindVitals, clinical.KindOrder, clinical.KindDose, clinical.KindWeight, clinical.KindLab,
		clinical.KindFall, clinical.KindAnswer, clinical.KindPrecaution, clinical.KindCondition, clinical.KindRestriction,
	} {
		if counts[kind] == 0 {
			t.Errorf("no %s could be written: %v", kind, counts)
		}
	}
	plain := teststore.Empty(t)
	mark := records.Mark{Name: "/x/all.hl7"}
	_, err := plain.Take(t.Context(), records.Delivery{How: "test", At: teststore.Now(), File: &mark}, func(b records.Batch) error {
		for n, v := range w.same {
			v.File, v.Line, v.Feed = "all.hl7", n+1, hl7feed.Feed
			if err := b.Put(v); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	reader := hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: []string{"IMP"}, Codes: codes.New(w.table)}}
	loaded := func(t *testing.T, st *store.Store, deliveries [][]string) *store.Store {
		d := deskOn(t, st)
		d.Clock = teststore.Now
		d.Readers = []feed.Reader{reader}
		for n, messages := range deliveries {
			path := filepath.Join(d.dir, fmt.Sprintf("%04d.hl7", n))
			if err := os.WriteFile(path, []byte(strings.Join(messages, "\r")+"\r"), 0o600); err != nil {
				t.Fatal(err)
			}
			if s := d.loadPaths(path); s.Held > 0 || s.Unreadable > 0 {
				t.Fatalf("%s; %.2000s", ends(s), problems(s))
			}
		}
		return st
	}
	compare := func(t *testing.T, how string, st *store.Store) {
		t.Helper()
		for _, unit := range []string{"4W", "7E"} {
			for _, before := range []time.Duration{0, 8 * time.Hour, 30 * time.Hour, 4 * 24 * time.Hour} {
				moment := teststore.Now().Add(-before)
				if diff := cmp.Diff(listOf(t, plain, unit, moment), listOf(t, st, unit, moment)); diff != "" {
					t.Errorf("%s: %s, %s before (-CSV +HL7):\n%.3000s", how, unit, before, diff)
				}
			}
		}
	}
	eachEngine(t, func(t *testing.T, empty func() *store.Store) {
		compare(t, "one file", loaded(t, empty(), [][]string{w.messages}))
		random := rand.New(rand.NewPCG(15, 15)) //nolint:gosec // a shuffle
		messages := slices.Clone(w.messages)
		random.Shuffle(len(messages), func(a, b int) { messages[a], messages[b] = messages[b], messages[a] })
		compare(t, "shuffled", loaded(t, empty(), slices.Collect(slices.Chunk(messages, 60))))
	})
}
