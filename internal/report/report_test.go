package report_test

import (
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

var noon = time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)

func ptr[T any](v T) *T { return &v }

func version(id string, status clinical.Status, b clinical.Body) clinical.Version {
	recorded := b.OwnTime()
	if recorded.IsZero() {
		recorded = noon.Add(-20 * time.Hour)
	}
	return clinical.Version{Kind: b.FactKind(), SourceID: id, StayID: "S", RecordedAt: recorded, Stated: true, Status: status, Body: b}
}

func stay() clinical.Version {
	return version("S", clinical.Final, clinical.Stay{PatientID: "P", Unit: "4W", Bed: "12A", BirthDate: "1946-01-01", AdmittedAt: noon.Add(-100 * time.Hour)})
}

func patient(t *testing.T, vs ...clinical.Version) map[string]any {
	t.Helper()
	p := clinical.DefaultPolicy()
	chart := clinical.ChartAt("S", append([]clinical.Version{stay()}, vs...), noon)
	list := []alerts.Assessment{alerts.Assess(trends.DigestOf(chart, p, time.UTC), p, time.UTC, noon)}
	alerts.Rank(list)
	b, err := json.Marshal(report.ListOf("4W", "hash", p.Unit, list, text.Catalogue{Zone: time.UTC, At: noon}))
	if err != nil {
		t.Fatal(err)
	}
	var out struct {
		Unit, Policy string
		AsOf         time.Time `json:"as_of"`
		Patients     []map[string]any
	}
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	if out.Unit != "4W" || out.Policy != "hash" || !out.AsOf.Equal(noon) || len(out.Patients) != 1 {
		t.Fatalf("the list: %s", b)
	}
	return out.Patients[0]
}

func keys(v any) string {
	return strings.Join(slices.Sorted(maps.Keys(v.(map[string]any))), " ")
}

// The names are fixed by the contract, section 3.
func TestAPatientHasTheNamesOfTheContract(t *testing.T) {
	reading := func(id string, minute int, p clinical.Position, systolic float64) clinical.Version {
		return version(id, clinical.Final, clinical.Vitals{TakenAt: noon.Add(time.Duration(minute)*time.Minute - 3*time.Hour), Position: p, Systolic: &systolic})
	}
	p := patient(t, reading("a", 0, clinical.Lying, 140), reading("b", 3, clinical.Standing, 110),
		version("o", clinical.Active, clinical.Order{Drug: clinical.Drug{Text: "doxazosin"}, StartAt: noon.Add(-50 * time.Hour), Dose: ptr(4.0), DoseUnit: "mg", TimesPerDay: ptr(1.0)}),
		version("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "doxazosin"}, GivenAt: noon.Add(-5 * time.Hour), Dose: ptr(4.0), DoseUnit: "mg"}),
		version("c", clinical.Final, clinical.Condition{ICD10: "G20"}))
	for path, want := range map[string]string{
		"":               "bed dose_review exposures latest_set name patient_id precautions rank reasons recheck restrictions serial stay_id tier",
		"recheck":        "answer due_at missing rule state",
		"precautions":    "in_place missing needed",
		"dose_review":    "flags needed",
		"latest_set":     "baseline criteria diastolic_drop facts finding kind lying_pressure pulse_response pulse_response_ratio pulse_rise pulse_rise_percent quality quality_notes set_id started_at stopped_early sustained symptoms systolic_drop timing upright",
		"serial":         "around_changes around_doses clear_minutes cleared interpretable last_positive_at negatives_in_a_row p positive sets slope_high slope_low slope_per_day trend",
		"exposures":      "bp_lowering_load changes contributors fluid_hours_charted last_doses last_given load_by_group load_from load_left_out net_fluid_ml unrecognised_drugs weight_change_kg",
		"reasons.0":      "facts rule text",
		"dose_review.0":  "drugs facts rule text",
		"changes.0":      "at change drug from_daily_dose to_daily_dose unit",
		"last_doses.0":   "drug given_at hours_before_latest_set",
		"last_given.0":   "as_needed dose dose_unit drug given_at group hours line_only not_done_since ordered",
		"around_doses.0": "drug p positive_after positive_otherwise sets_after sets_otherwise",
		"contributors.0": "evidence facts kind",
		"around.0":       "at change drug note p p_smallest sets_after sets_before shift shift_high shift_low",
		"baseline":       "diastolic heart_rate limb minutes_in_position position systolic taken_at",
		"upright.0":      "diastolic diastolic_drop heart_rate limb minutes_from minutes_upright position pulse_rise systolic systolic_drop taken_at",
	} {
		exposures, set := p["exposures"].(map[string]any), p["latest_set"].(map[string]any)
		v := any(p)
		switch path {
		case "":
		case "reasons.0":
			v = p["reasons"].([]any)[0]
		case "dose_review.0":
			v = p["dose_review"].(map[string]any)["flags"].([]any)[0]
		case "changes.0", "last_doses.0", "last_given.0", "contributors.0":
			v = exposures[strings.TrimSuffix(path, ".0")].([]any)[0]
		case "around.0":
			v = p["serial"].(map[string]any)["around_changes"].([]any)[0]
		case "around_doses.0":
			v = p["serial"].(map[string]any)["around_doses"].([]any)[0]
		case "baseline":
			v = set["baseline"]
		case "upright.0":
			v = set["upright"].([]any)[0]
		default:
			v = p[path]
		}
		if got := keys(v); got != want {
			t.Errorf("%q has %s\nwant %s", path, got, want)
		}
	}
	exposures := p["exposures"].(map[string]any)
	if exposures["bp_lowering_load"] != 1.0 || exposures["load_from"] != "doses" || exposures["last_doses"].([]any)[0].(map[string]any)["hours_before_latest_set"] != 2.0 {
		t.Errorf("exposures: %v", exposures)
	}
	around := p["serial"].(map[string]any)["around_changes"].([]any)[0].(map[string]any)
	if around["shift"] != nil || around["note"] == "" {
		t.Errorf("under two sets on a side: %v", around)
	}
}

func TestWhatCannotBeComputedIsNullAndListsAreNeverNull(t *testing.T) {
	p := patient(t)
	serial, exposures := p["serial"].(map[string]any), p["exposures"].(map[string]any)
	for _, v := range []any{
		p["latest_set"], serial["last_positive_at"], serial["slope_per_day"], serial["slope_low"], serial["p"], exposures["weight_change_kg"],
		exposures["net_fluid_ml"].(map[string]any)["24h"], exposures["net_fluid_ml"].(map[string]any)["48h"],
	} {
		if v != nil {
			t.Errorf("%v where nothing is known", v)
		}
	}
	for _, v := range []any{
		p["reasons"], p["recheck"].(map[string]any)["missing"], p["dose_review"].(map[string]any)["flags"], serial["around_changes"],
		exposures["changes"], exposures["last_doses"], exposures["contributors"], exposures["load_left_out"], exposures["unrecognised_drugs"],
	} {
		if _, ok := v.([]any); !ok {
			t.Errorf("a list is %v", v)
		}
	}
	if exposures["bp_lowering_load"] != 0.0 || serial["trend"] != "too_few" || exposures["load_from"] != "orders" {
		t.Errorf("%v, %v", exposures, serial)
	}
}

func TestEachFactSaysWhetherItIsUsed(t *testing.T) {
	vs := []clinical.Version{
		version("fine", clinical.Final, clinical.Vitals{TakenAt: noon.Add(-3 * time.Hour), Systolic: ptr(140.0)}),
		version("odd", clinical.Final, clinical.Vitals{TakenAt: noon.Add(-2 * time.Hour), Systolic: ptr(400.0), HeartRate: ptr(70.0)}),
		version("useless", clinical.Final, clinical.Vitals{TakenAt: noon.Add(-time.Hour), Systolic: ptr(400.0)}),
		version("gone", clinical.Final, clinical.Weight{MeasuredAt: noon.Add(-4 * time.Hour), KG: 70}),
		version("coded", clinical.Final, clinical.Condition{ICD10: "G20"}),
	}
	vs = append(vs, clinical.Version{Kind: clinical.KindWeight, SourceID: "gone", RecordedAt: noon.Add(-time.Hour), Stated: true, Status: clinical.EnteredInError})
	ahead := version("ahead", clinical.Active, clinical.Order{Drug: clinical.Drug{Text: "x"}, StartAt: noon.Add(time.Hour)})
	ahead.RecordedAt = noon
	vs = append(vs, ahead)
	say := func(vs []clinical.Version) []string {
		var out []string
		f := report.FactsOf(clinical.ChartAt("S", vs, noon), clinical.DefaultPolicy().Plausible)
		for _, f := range f.Facts {
			used := "used"
			if !f.Used {
				used = "not used"
			}
			out = append(out, f.SourceID+" "+used+" "+f.WhyNot)
		}
		return out
	}
	want := []string{
		"coded used ", "S used ", "gone not used retracted: entered in error", "fine used ",
		"odd used implausible: systolic 400 is outside 40 to 300", "useless not used implausible: systolic 400 is outside 40 to 300",
		"ahead not used lies ahead",
	}
	if got := say(append([]clinical.Version{stay()}, vs...)); !slices.Equal(got, want) {
		t.Errorf("facts:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if got := say(vs[:1]); len(got) != 1 || got[0] != "fine not used waiting: stay S has not been seen yet" {
		t.Errorf("without its stay: %q", got)
	}
	back := clinical.Version{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: noon, Stated: true, Status: clinical.EnteredInError}
	if got := say([]clinical.Version{stay(), back, vs[0]}); !slices.Contains(got, "fine not used stay S was entered in error") {
		t.Errorf("with its stay taken back: %q", got)
	}
	if f := report.FactsOf(clinical.ChartAt("X", nil, noon), clinical.PlausiblePolicy{}); f.Facts == nil || len(f.Facts) != 0 {
		t.Error("no facts are not an empty list")
	}
}

// Pressures charted in kPa are given in mmHg to one decimal, their drops unrounded:
// 18.5 and 16.0 kPa are 138.76147 and 120.00992 mmHg (1 kPa = 7.50062 mmHg). What was
// charted in mmHg is given as charted.
func TestPressuresChartedInKPaAreGivenToOneDecimal(t *testing.T) {
	lying, standing, drop := 18.5*clinical.MMHgPerKPa, 16*clinical.MMHgPerKPa, 2.5*clinical.MMHgPerKPa
	set := trends.Set{
		Baseline: &trends.Baseline{Systolic: &lying, KPa: true},
		Upright:  []trends.Upright{{Systolic: &standing, SystolicDrop: &drop, KPa: true}, {Systolic: ptr(120.25)}},
	}
	got := report.SetsOf("S1", []trends.Set{set}).Sets[0]
	if *got.Baseline.Systolic != 138.8 || *got.Upright[0].Systolic != 120 || *got.Upright[0].SystolicDrop != drop || *got.Upright[1].Systolic != 120.25 {
		t.Errorf("%v, %+v", *got.Baseline.Systolic, got.Upright)
	}
	if got.Baseline.KPa || got.Upright[0].KPa {
		t.Error("the mark of kPa is in the document")
	}
	if *set.Baseline.Systolic != lying || *set.Upright[0].Systolic != standing {
		t.Error("the set itself was rounded")
	}
	chart := clinical.ChartAt("S1", []clinical.Version{
		version("v1", clinical.Final, clinical.Vitals{TakenAt: noon.Add(-time.Hour), Systolic: &lying, PressureUnit: "kPa"}),
	}, noon)
	for _, f := range report.FactsOf(chart, clinical.DefaultPolicy().Plausible).Facts {
		if v, ok := f.Values["systolic"].(float64); !ok || v != 138.8 {
			t.Errorf("the fact says %v", f.Values["systolic"])
		}
	}
}
