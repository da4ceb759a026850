package demo_test

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbline/internal/demo"
	"plumbline/seed"
)

func TestTheSameAnchorGivesTheSameFiles(t *testing.T) {
	sameFiles(t, demo.Generate(demo.AnchorTime()), demo.Generate(demo.AnchorTime()))
}

func TestTheCommittedFilesAreTheGenerators(t *testing.T) {
	committed, err := seed.Files()
	if err != nil {
		t.Fatal(err)
	}
	sameFiles(t, committed, demo.Generate(demo.AnchorTime()))
}

func TestShiftToTheAnchorChangesNothing(t *testing.T) {
	committed := seedFiles(t)
	shifted, err := seed.Shift(committed, demo.AnchorTime())
	if err != nil {
		t.Fatal(err)
	}
	sameFiles(t, shifted, committed)
}

// The shifted files are those that the generator writes for that moment: every
// time has moved by the same amount, and nothing else has changed.
func TestShiftIsTheGeneratorAtAnotherMoment(t *testing.T) {
	for _, to := range []time.Time{
		time.Date(2027, 3, 28, 2, 17, 0, 0, time.UTC),
		time.Date(2026, 10, 25, 1, 30, 0, 0, time.FixedZone("", 2*3600)),
		time.Date(2024, 2, 29, 23, 59, 0, 0, time.UTC),
	} {
		shifted, err := seed.Shift(seedFiles(t), to.Add(42*time.Second))
		if err != nil {
			t.Fatal(err)
		}
		sameFiles(t, shifted, demo.Generate(to))
	}
}

func TestShiftNamesAFileItCannotRead(t *testing.T) {
	_, err := seed.Shift([]demo.File{{Name: "vitals-1.csv", Data: []byte("a,b\n1\n")}}, demo.AnchorTime())
	if err == nil || !strings.Contains(err.Error(), "vitals-1.csv") {
		t.Errorf("error %v does not name the file", err)
	}
}

func TestEveryStoryIsOneOfAKind(t *testing.T) {
	seen := map[string]string{}
	units := map[string]int{}
	for _, s := range demo.Stories() {
		keys := []string{"name " + s.Name, "stay " + s.StayID, "patient " + s.PatientID, "called " + s.Patient, "says " + s.Says}
		if s.Tier != "" {
			units[s.Unit]++
			keys = append(keys, "bed "+s.Unit+" "+s.Bed)
		}
		for _, key := range keys {
			if other := seen[key]; other != "" {
				t.Errorf("%s: %q is also that of %s", s.StayID, key, other)
			}
			seen[key] = s.StayID
		}
		if !strings.HasSuffix(s.Says, ".") {
			t.Errorf("%s: %q is no sentence", s.StayID, s.Says)
		}
		if _, err := time.Parse(time.DateOnly, s.Born); err != nil {
			t.Errorf("%s: %v", s.StayID, err)
		}
	}
	if units[demo.MainUnit] < 24 || units[demo.SecondUnit] < 3 || len(units) != 2 {
		t.Errorf("patients by unit: %v; want at least 24 in %s and 3 in %s", units, demo.MainUnit, demo.SecondUnit)
	}
}

func TestEveryTierRuleHasAStory(t *testing.T) {
	told := map[string]bool{}
	for _, s := range demo.Stories() {
		told[s.Tier+" "+s.Rule] = true
	}
	for _, want := range []string{
		"now T-FALL", "now T-STOPPED", "now T-LOW", "now T-LOW-LYING", "now T-GAP",
		"this_shift T-POSITIVE", "this_shift T-FELL", "this_shift T-OVERDUE", "this_shift T-DUE",
		"today T-REVIEW", "today T-SYMPTOMS", "today T-ROUTINE", "today T-SOON", "today T-PRECAUTION",
		"watch T-WATCH", "none ",
	} {
		if !told[want] {
			t.Errorf("no story ends in %q", want)
		}
	}
}

func TestCheckStoriesNamesEveryDifference(t *testing.T) {
	list := map[string]demo.Verdict{}
	for _, s := range demo.Stories() {
		if s.Tier != "" {
			list[s.StayID] = demo.Verdict{Tier: s.Tier, Rule: s.Rule}
		}
	}
	if wrong := demo.CheckStories(list); len(wrong) != 0 {
		t.Errorf("a list as told is called wrong: %q", wrong)
	}
	delete(list, "S101")
	list["S102"] = demo.Verdict{Tier: "today", Rule: "T-FALL"}
	list["S103"] = demo.Verdict{Tier: "now", Rule: "T-LOW"}
	list["S134"] = demo.Verdict{Tier: "none"}
	list["S999"] = demo.Verdict{Tier: "watch", Rule: "T-WATCH"}
	wrong := demo.CheckStories(list)
	if len(wrong) != 5 {
		t.Fatalf("five differences, named %d: %q", len(wrong), wrong)
	}
	for i, stay := range []string{"S101", "S102", "S103", "S134", "S999"} {
		if !strings.HasPrefix(wrong[i], stay) {
			t.Errorf("difference %d is %q, want %s", i, wrong[i], stay)
		}
	}
}

func TestTheReadmeTellsEveryStory(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "seed", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range demo.Stories() {
		rule := strings.TrimSpace(s.Tier + " " + s.Rule)
		if s.Tier == "" {
			rule = "not listed"
		}
		line := "| " + strings.Join([]string{s.Unit + " " + s.Bed, s.Name, s.Patient + " (" + s.StayID + ")", rule}, " | ") + " |"
		if !strings.Contains(string(text), line) {
			t.Errorf("seed/README.md lacks the line\n%s", line)
		}
	}
}

// --- the files against the contract's section 2 ---

// unusable are the rows made to be held back, and the column that is wrong.
var unusable = map[string]string{
	"vitals M-0001": "position", "fluids M-0003": "from", "weights W-S110-004": "weight",
}

const waitingStay = "S135" // of the one fact that waits

var required = map[string][]string{
	"stays":        {"stay_id", "patient_id", "unit", "admitted_at"},
	"vitals":       {"source_id", "stay_id", "taken_at"},
	"orders":       {"source_id", "stay_id", "drug", "start_at"},
	"doses":        {"source_id", "stay_id", "drug", "given_at"},
	"fluids":       {"source_id", "stay_id", "from", "to", "direction", "volume"},
	"weights":      {"source_id", "stay_id", "measured_at", "weight"},
	"labs":         {"source_id", "stay_id", "taken_at", "loinc", "value"},
	"conditions":   {"source_id", "stay_id", "icd10"},
	"precautions":  {"source_id", "stay_id", "precaution", "started_at"},
	"falls":        {"source_id", "stay_id", "fell_at"},
	"treatments":   {"source_id", "stay_id", "given_at"},
	"restrictions": {"source_id", "stay_id", "limb", "reason"},
	"clearances":   {"source_id", "stay_id", "cleared_at"},
	"answers":      {"source_id", "stay_id", "answered_at", "answer"},
}

var allowedColumns = map[string]string{
	"stays":        "stay_id patient_id unit admitted_at bed discharged_at name birth_date sex ambulatory recorded_at status",
	"vitals":       "source_id stay_id taken_at systolic diastolic heart_rate position limb minutes_in_position set_id symptoms stopped_early pressure_unit recorded_at status",
	"orders":       "source_id stay_id drug start_at atc rxnorm dose dose_unit route times_per_day end_at as_needed new_drug status recorded_at",
	"doses":        "source_id stay_id drug given_at order_id atc rxnorm dose dose_unit route status recorded_at",
	"fluids":       "source_id stay_id from to direction volume volume_unit kind recorded_at status",
	"weights":      "source_id stay_id measured_at weight weight_unit recorded_at status",
	"labs":         "source_id stay_id taken_at loinc value unit recorded_at status",
	"conditions":   "source_id stay_id icd10 text recorded_at status",
	"precautions":  "source_id stay_id precaution started_at ended_at recorded_at status",
	"falls":        "source_id stay_id fell_at injury assisted recorded_at status",
	"treatments":   "source_id stay_id given_at kind recorded_at status",
	"restrictions": "source_id stay_id limb reason started_at ended_at recorded_at status",
	"clearances":   "source_id stay_id cleared_at by recorded_at status",
	"answers":      "source_id stay_id answered_at answer reason recorded_at status",
}

// words are the lists of words, by kind and column or by column alone.
var words = map[string][]string{
	"position":      {"", "lying", "sitting", "standing"},
	"limb":          {"", "left arm", "right arm", "left leg", "right leg"},
	"stopped_early": {"", "yes", "no"}, "ambulatory": {"", "yes", "no"}, "assisted": {"", "yes", "no"},
	"as_needed": {"", "yes", "no"}, "new_drug": {"", "yes", "no"},
	"injury":     {"", "none", "minor", "moderate", "major", "death"},
	"direction":  {"in", "out"},
	"precaution": {"assisted rising", "call light in reach", "non-slip footwear", "bed low and locked", "toileting schedule", "bed alarm", "chair alarm", "gait belt", "compression", "sign at bed", "floor mat", "sitter"},
	"status":     {"", "final", "amended", "corrected", "entered-in-error"}, "volume_unit": {"", "mL", "L"}, "weight_unit": {"", "kg", "[lb_av]"},
	"fluids kind":         {"", "oral", "iv", "tube", "blood", "urine", "emesis", "stool", "drain", "blood_loss", "other"},
	"restrictions limb":   {"left arm", "right arm", "left leg", "right leg"},
	"restrictions reason": {"fistula", "lymph nodes removed", "infusion", "injury", "other"},
	"answers answer":      {"declined", "not possible", "done elsewhere"},
	"treatments kind":     {"fluid bolus", "transfusion", "compression", "other"},
	"orders status":       {"", "active", "corrected", "on-hold", "stopped", "completed", "cancelled", "entered-in-error"},
	"doses status":        {"", "completed", "not-done", "entered-in-error"},
}

var symptoms = []string{
	"dizziness", "lightheadedness", "faintness", "loss of consciousness", "confusion", "blurred vision", "weakness",
	"nausea", "palpitations", "chest pain", "shortness of breath", "head or neck pain", "unsteadiness", "other",
}

// happened are the columns of what is said to have happened; the other times
// are plans or the charting itself.
var happened = []string{"taken_at", "given_at", "measured_at", "fell_at", "from", "to", "admitted_at", "started_at", "cleared_at", "answered_at"}

func TestTheFilesFollowTheContract(t *testing.T) {
	wrong := map[string]bool{}
	for _, f := range seedFiles(t) {
		kind, _, _ := strings.Cut(f.Name, "-")
		lines := readAll(t, f)
		for _, column := range lines[0] {
			if !slices.Contains(strings.Fields(allowedColumns[kind]), column) {
				t.Errorf("%s: unknown column %s", f.Name, column)
			}
		}
		for i, line := range lines[1:] {
			cells := map[string]string{}
			for j, column := range lines[0] {
				cells[column] = line[j]
			}
			id := kind + " " + cells["source_id"]
			for _, column := range checkRow(kind, cells) {
				wrong[id+" "+column] = true
				if unusable[id] != column {
					t.Errorf("%s line %d (%s): %s cannot be used: %q", f.Name, i+2, id, column, cells[column])
				}
			}
		}
	}
	for id, column := range unusable {
		if !wrong[id+" "+column] {
			t.Errorf("%s was to be held back for its %s", id, column)
		}
	}
}

// checkRow names the columns of a row that the contract would not take.
func checkRow(kind string, cells map[string]string) (bad []string) {
	if cells["status"] == "entered-in-error" {
		return nil // needs only its identity and recorded_at
	}
	for _, column := range required[kind] {
		if cells[column] == "" {
			bad = append(bad, column)
		}
	}
	known := demo.AnchorTime()
	times := map[string]time.Time{}
	for column, cell := range cells {
		switch {
		case demo.TimeColumns[column] && cell != "":
			at, err := time.Parse("2006-01-02T15:04:05Z", cell)
			if err != nil {
				bad = append(bad, column)
			}
			times[column] = at
		case slices.Contains(strings.Fields("systolic diastolic heart_rate minutes_in_position dose times_per_day volume weight value"), column) && cell != "":
			if v, err := strconv.ParseFloat(cell, 64); err != nil || v < 0 {
				bad = append(bad, column)
			}
		case column == "symptoms" && cell != "":
			for _, s := range strings.Split(cell, ";") {
				if !slices.Contains(symptoms, s) {
					bad = append(bad, column)
				}
			}
		}
		list, ok := words[kind+" "+column]
		if !ok {
			list, ok = words[column]
		}
		if ok && !slices.Contains(list, cell) {
			bad = append(bad, column)
		}
	}
	if at, ok := times["recorded_at"]; ok {
		if at.After(known) {
			bad = append(bad, "recorded_at")
		}
		known = at
	}
	for _, column := range happened {
		if times[column].After(known) {
			bad = append(bad, column)
		}
	}
	if kind == "fluids" && times["from"].After(times["to"]) {
		bad = append(bad, "from")
	}
	return bad
}

// Facts lie within their stay, first versions have an identity of their own,
// and one fact alone waits for its stay.
func TestFactsBelongToTheirStay(t *testing.T) {
	admitted, left := map[string]time.Time{}, map[string]time.Time{}
	for _, f := range seedFiles(t) {
		if kind, _, _ := strings.Cut(f.Name, "-"); kind == "stays" {
			for _, cells := range rowsOf(t, f) {
				admitted[cells["stay_id"]] = parse(t, cells["admitted_at"])
				if cells["discharged_at"] != "" {
					left[cells["stay_id"]] = parse(t, cells["discharged_at"])
				}
			}
		}
	}
	seen, waiting := map[string]string{}, 0
	for _, f := range seedFiles(t) {
		kind, _, _ := strings.Cut(f.Name, "-")
		for _, cells := range rowsOf(t, f) {
			stay, id := cells["stay_id"], kind+" "+cells["source_id"]
			if kind != "stays" && strings.Contains(f.Name, "-1") || strings.Contains(f.Name, "-today") {
				if seen[id] != "" {
					t.Errorf("%s stands in %s and in %s", id, seen[id], f.Name)
				}
				seen[id] = f.Name
			}
			if stay == waitingStay {
				waiting++
				continue
			}
			if admitted[stay].IsZero() {
				t.Errorf("%s: no stay %s", id, stay)
			}
			for _, column := range happened {
				if column == "admitted_at" || cells[column] == "" {
					continue
				}
				at := parse(t, cells[column])
				if at.Before(admitted[stay]) || !left[stay].IsZero() && at.After(left[stay]) {
					t.Errorf("%s: %s %s is outside the stay %s", id, column, cells[column], stay)
				}
			}
		}
	}
	if waiting != 1 {
		t.Errorf("%d facts wait for their stay, want 1", waiting)
	}
}

// mistyped are the systolic pressures that a story types wrongly.
var mistyped = map[string]string{"V-S114-013": "24", "V-S115-006": "92"}

// Pressures read as people chart them: within human bounds, even digits a
// little more often than odd, not all of them ending in 0.
func TestPressuresLookHuman(t *testing.T) {
	all, even, zero := 0, 0, 0
	for _, f := range seedFiles(t) {
		if !strings.HasPrefix(f.Name, "vitals") {
			continue
		}
		for _, cells := range rowsOf(t, f) {
			systolic, err := strconv.Atoi(cells["systolic"])
			if err != nil || mistyped[cells["source_id"]] == cells["systolic"] {
				continue // none charted, or typed wrongly on purpose
			}
			all++
			if systolic%2 == 0 {
				even++
			}
			if systolic%10 == 0 {
				zero++
			}
			diastolic, _ := strconv.Atoi(cells["diastolic"])
			if systolic < 80 || systolic > 180 || diastolic < 44 || diastolic > systolic-25 {
				t.Errorf("%s: %d/%d", cells["source_id"], systolic, diastolic)
			}
		}
	}
	if share := 100 * even / all; share < 55 || share > 85 {
		t.Errorf("%d %% of systolic pressures are even", share)
	}
	if share := 100 * zero / all; share < 8 || share > 25 {
		t.Errorf("%d %% of systolic pressures end in 0", share)
	}
}

// --- helpers ---

func seedFiles(t *testing.T) []demo.File {
	t.Helper()
	files, err := seed.Files()
	if err != nil {
		t.Fatal(err)
	}
	return files
}

func sameFiles(t *testing.T, got, want []demo.File) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d files, want %d (make seed writes them anew)", len(got), len(want))
	}
	for i := range want {
		if got[i].Name != want[i].Name || !bytes.Equal(got[i].Data, want[i].Data) {
			t.Errorf("%s differs from %s (make seed writes the files anew)", got[i].Name, want[i].Name)
		}
	}
}

func readAll(t *testing.T, f demo.File) [][]string {
	t.Helper()
	lines, err := csv.NewReader(bytes.NewReader(f.Data)).ReadAll()
	if err != nil || len(lines) < 2 {
		t.Fatalf("%s: %d lines, error %v", f.Name, len(lines), err)
	}
	return lines
}

func rowsOf(t *testing.T, f demo.File) (rows []map[string]string) {
	t.Helper()
	lines := readAll(t, f)
	for _, line := range lines[1:] {
		cells := map[string]string{}
		for i, column := range lines[0] {
			cells[column] = line[i]
		}
		rows = append(rows, cells)
	}
	return rows
}

func parse(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}
