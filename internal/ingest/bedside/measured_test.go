package bedside

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

const measured = `{"id":"m7","taken_by":"monitor","readings":[
	{"taken_at":"2026-11-25T07:00:00Z","position":"lying","systolic":142,"diastolic":78,"symptoms":["nausea","dizziness","nausea"]},
	{"taken_at":"2026-11-25T08:01:00+01:00","position":"Standing","heart_rate":78.5,"stopped_early":true}]}`

func TestAMeasuredSetBecomesFacts(t *testing.T) {
	m, faults := ReadMeasured([]byte(measured), "S1", time.UTC)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	m.At = time.Date(2026, 11, 25, 7, 2, 0, 0, time.UTC)
	var got []string
	for _, v := range m.Versions() {
		b := v.Body.(clinical.Vitals)
		got = append(got, fmt.Sprint(v.SourceID, v.StayID, b.SetID, b.TakenAt.Minute(), b.Position, b.Symptoms, b.StoppedEarly, b.Systolic != nil))
	}
	want := "here-m7-1S1here-m7 0 lying [dizziness nausea] falsetrue; here-m7-2S1here-m7 1 standing [] truefalse"
	norm := func(s string) string { return strings.ReplaceAll(s, " ", "") }
	if norm(strings.Join(got, ";")) != norm(want) {
		t.Errorf("%s\nwant %s", strings.Join(got, "; "), want)
	}
	if msg := m.Message(); msg.ID != "here-m7" || msg.StayID != "S1" || FormOf("here-m7-2") != msg.ID || FormOf("here-m7") != "" {
		t.Errorf("the message %s, the form of its readings %q", msg.ID, FormOf("here-m7-2"))
	}
	if _, err := KeptOf(m.Message()); clinical.CodeOf(err) != clinical.NotFound {
		t.Errorf("the page of a set of the form would show it: %v", err)
	}
}

// What differs only in writing is one content; whatever says something else is another.
func TestMeasuredSetsAreOneContentOrAnother(t *testing.T) {
	sum := func(body, stay string) string {
		t.Helper()
		m, faults := ReadMeasured([]byte(body), stay, time.UTC)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", body, faults)
		}
		return m.Sum()
	}
	first := sum(measured, "S1")
	for old, same := range map[string]string{
		"142": "142.0", "78,": "7.8e1,", `"Standing"`: `" standing "`, `"nausea","dizziness","nausea"`: `"dizziness","nausea"`,
		"07:00:00Z": "07:00:00", `"monitor"`: `" monitor "`, `{"id":"m7",`: `{"id":"m7", `, "08:01:00+01:00": "07:01:00.000Z",
		`"position":"lying"`: `"limb":null,"minutes_in_position":null,"position":"lying"`, `"dizziness"`: `"d\u0069zziness"`,
	} {
		if strings.Count(measured, old) != 1 || sum(strings.Replace(measured, old, same, 1), "S1") != first {
			t.Errorf("%s for %s is another content", same, old)
		}
	}
	for old, other := range map[string]string{
		"142": "142.5", `"monitor"`: `""`, "07:00:00Z": "07:00:01Z", "true": "false", `"nausea","dizziness","nausea"`: "",
		`"lying"`: `"sitting"`, "m7": "m8", `"Standing"`: `null`, "78.5": "0",
	} {
		if sum(strings.Replace(measured, old, other, 1), "S1") == first {
			t.Errorf("%s for %s is one content", other, old)
		}
	}
	if sum(measured, "S2") == first {
		t.Error("of another stay it is one content")
	}
}

// However wrong a body is, what is told of it is bounded, and nothing deep or long takes the program down.
func TestWhatIsToldOfAMeasuredSetIsBounded(t *testing.T) {
	for what, body := range map[string]string{
		"deep":            strings.Repeat("[", 9000) + strings.Repeat("]", 9000),
		"deeper":          strings.Repeat("[", 30000),
		"members":         "{" + strings.Repeat(`"a":1,`, 9000) + `"a":1}`,
		"others":          `{"id":"x","readings":[` + strings.Repeat(`{"x":1},`, 19) + `{"x":1}]}`,
		"words":           `{"id":"x","readings":[{"symptoms":[` + strings.Repeat(`"x",`, 9000) + `"x"]}]}`,
		"objects in them": `{"id":{"id":{}},"taken_by":[],"readings":[[],{"systolic":{},"symptoms":{},"limb":1}]}`,
	} {
		_, faults := ReadMeasured([]byte(body), "S1", time.UTC)
		if len(faults) == 0 || len(faults) > maxFaults {
			t.Errorf("%s: %d faults", what, len(faults))
		}
	}
}

// What is read without a fault can be kept: it has an id, 1 to 20 readings with a time each, words of the lists.
func FuzzReadMeasured(f *testing.F) {
	for _, seed := range []string{measured, "", "{}", "[]", `{"id":"a","readings":[{"taken_at":"2026-11-25T07:00:00Z"}]}`} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		m, faults := ReadMeasured(body, "S1", time.UTC)
		if len(faults) > 0 {
			return
		}
		if !measuredID.MatchString(m.ID) || len(m.Vitals) == 0 || len(m.Vitals) > maxMeasured || m.LastTaken().IsZero() {
			t.Errorf("%q is read as %+v", body, m)
		}
		for _, v := range m.Versions() {
			if b := v.Body.(clinical.Vitals); b.TakenAt.IsZero() || b.SetID != m.SetID() || FormOf(v.SourceID) != m.SetID() {
				t.Errorf("%q has the reading %+v", body, b)
			}
		}
		again, faults := ReadMeasured(body, "S1", time.UTC)
		if len(faults) > 0 || again.Sum() != m.Sum() {
			t.Errorf("%q is read in two ways", body)
		}
	})
}
