package ingest_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/ingest/hl7feed"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

var loadedAt = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// both is a loader of FHIR and HL7 v2 with one table of codes.
func both(t *testing.T, st *store.Store, table []codes.Entry) *ingest.Loader {
	t.Helper()
	f := fhirfeed.Defaults()
	f.Codes = codes.New(table)
	return &ingest.Loader{
		Store: st, Zone: time.UTC, Clock: func() time.Time { return loadedAt },
		Readers:   []feed.Reader{fhirfeed.New(f), hl7feed.Reader{Settings: hl7feed.Settings{StayClasses: f.StayClasses, Codes: f.Codes}}},
		Plausible: func(clinical.Vitals) []string { return nil },
	}
}

func loadText(t *testing.T, l *ingest.Loader, name, text string) ingest.Summary {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := l.Load(t.Context(), []string{path}, "test")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// valueIn loads one value by a format and says what became of it.
func valueIn(t *testing.T, format, code, value, unit string) (got float64, why string) {
	t.Helper()
	st := teststore.Empty(t)
	l := both(t, st, []codes.Entry{{System: "S", Code: "REST", Kind: codes.Minutes}})
	system, hl7System := "http://loinc.org", "LN"
	if code == "REST" {
		system, hl7System = "S", "S"
	}
	var s ingest.Summary
	if format == "FHIR" {
		q := fmt.Sprintf(`{"value":%s}`, value)
		if unit != "" {
			q = fmt.Sprintf(`{"value":%s,"unit":%q}`, value, unit)
		}
		at := `"effectiveDateTime":"2026-11-25T07:00:00Z"`
		if code == "9108-2" {
			at = `"effectivePeriod":{"start":"2026-11-25T06:00:00Z","end":"2026-11-25T07:00:00Z"}`
		}
		beside := ""
		if code == "REST" { // says something of a reading alone
			beside = strings.ReplaceAll(`{"resourceType":"Observation","id":"P","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8867-4"}]},
				"subject":{"reference":"Patient/P"},"encounter":{"reference":"Encounter/V"},"effectiveDateTime":"2026-11-25T07:00:00Z","valueQuantity":{"value":70,"unit":"/min"}}`, "\n", "") + "\n"
		}
		s = loadText(t, l, "a.ndjson", beside+fmt.Sprintf(`{"resourceType":"Observation","id":"O","status":"final","code":{"coding":[{"system":%q,"code":%q}]},`+
			`"subject":{"reference":"Patient/P"},"encounter":{"reference":"Encounter/V"},%s,"valueQuantity":%s}`, system, code, at, q))
	} else {
		beside := ""
		if code == "REST" {
			beside = "OBX|2|NM|8867-4^^LN||70|/min|||||F\r"
		}
		s = loadText(t, l, "a.hl7", `MSH|^~\&|A|B|C|D|20261125080000||ORU^R01|1|P|2.5`+"\rPID|1||P^^^H^MR\rPV1|1|I|"+strings.Repeat("|", 16)+
			"V\rOBR|1||G|X|||20261125070000\r"+beside+fmt.Sprintf("OBX|1|NM|%s^^%s||%s|%s|||||F\r", code, hl7System, value, unit))
	}
	for _, p := range s.Problems {
		if !strings.HasPrefix(p.Reason, "waiting") {
			return 0, p.Reason
		}
	}
	versions, err := st.Versions(t.Context(), []string{"V"})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range versions["V"] {
		switch b := v.Body.(type) {
		case clinical.Vitals:
			for _, f := range []*float64{b.MinutesInPosition, b.Systolic, b.Diastolic, b.HeartRate} {
				if f != nil {
					return *f, ""
				}
			}
		case clinical.Weight:
			return b.KG, ""
		case clinical.Lab:
			return b.Value, ""
		case clinical.Fluid:
			return b.VolumeML, ""
		}
	}
	return 0, "nothing came of it"
}

// Every unit that the mapping of FHIR and HL7 v2 names, in both; a number without one is held.
func TestUnitsInBothFormats(t *testing.T) {
	for _, c := range []struct {
		code, value string
		units       map[string]float64
	}{
		{"8480-6", "20", map[string]float64{"mm[Hg]": 20, "mmHg": 20, "mm Hg": 20, "kPa": 150.0124, "MDC_DIM_MMHG": 20, "MDC_DIM_KILO_PASCAL": 150.0124}},
		{"8462-4", "10", map[string]float64{"mm[Hg]": 10, "kPa": 75.0062}},
		{"8867-4", "70", map[string]float64{"/min": 70, "{beats}/min": 70, "beats/min": 70, "beats/minute": 70, "bpm": 70, "MDC_DIM_BEAT_PER_MIN": 70}},
		{"29463-7", "150", map[string]float64{"kg": 150, "g": 0.15, "[lb_av]": 68.0388555, "lb": 68.0388555, "lbs": 68.0388555}},
		{"718-7", "118", map[string]float64{"g/dL": 118, "g/L": 11.8}},
		{"9108-2", "2", map[string]float64{"mL": 2, "L": 2000}},
		{"REST", "3", map[string]float64{"min": 3, "s": 0.05, "h": 180}},
	} {
		for _, format := range []string{"FHIR", "HL7"} {
			if format == "HL7" && c.code == "9108-2" {
				continue // an OBX has no span of time
			}
			for unit, want := range c.units {
				if got, why := valueIn(t, format, c.code, c.value, unit); math.Abs(got-want) > 1e-6 || why != "" {
					t.Errorf("%s: %s %s of %s is %v [%s], want %v", format, c.value, unit, c.code, got, why, want)
				}
			}
			if _, why := valueIn(t, format, c.code, c.value, ""); !strings.HasPrefix(why, "no unit") {
				t.Errorf("%s: %s without a unit: %q", format, c.code, why)
			}
			if _, why := valueIn(t, format, c.code, c.value, "furlong"); !strings.Contains(why, "not known") {
				t.Errorf("%s: %s in furlongs: %q", format, c.code, why)
			}
		}
	}
}
