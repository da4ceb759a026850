package web_test

import (
	"encoding/csv"
	"regexp"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/web/webtest"
)

// addDoses gives a patient of the demo who fell a line that is kept open, and a drug of which
// two doses were withheld.
func addDoses(t *testing.T, b *webtest.Answers) {
	t.Helper()
	at := demo.AnchorTime()
	add := func(id, text, route string, status clinical.Status, ago time.Duration, amount float64) {
		given := at.Add(-ago)
		b.Put(t, clinical.Version{
			Kind: clinical.KindDose, SourceID: id, StayID: "S101", RecordedAt: given, Stated: true, Status: status,
			Body: clinical.Dose{Drug: clinical.Drug{Text: text}, GivenAt: given, Dose: &amount, DoseUnit: "mg", Route: route},
		})
	}
	add("D-LINE", "heparin lock flush", "iv", clinical.Completed, 9*time.Hour, 5)
	add("D-A", "apixaban", "oral", clinical.Completed, 40*time.Hour, 2.5)
	add("D-B", "apixaban", "oral", clinical.NotDone, 20*time.Hour, 2.5)
	add("D-C", "apixaban", "oral", clinical.NotDone, 2*time.Hour, 2.5)
}

var (
	tag  = regexp.MustCompile(`<[^>]*>`)
	gaps = regexp.MustCompile(`\s+`)
)

// givenOn is what a page tells of the last given doses, a line for each drug.
func givenOn(page string) map[string]string {
	out := map[string]string{}
	for _, row := range givenRows(page) {
		name, said, _ := strings.Cut(row, " ")
		out[name] = said
	}
	return out
}

// givenRows are the rows of the table of last given doses; none where there is no table.
func givenRows(page string) []string {
	var out []string
	_, table, _ := strings.Cut(page, `<table class="data given">`)
	table, _, _ = strings.Cut(table, `</table>`)
	for n, row := range strings.Split(table, "<tr>") {
		if n > 1 { // after what stands before the head, and the head
			out = append(out, strings.TrimSpace(gaps.ReplaceAllString(tag.ReplaceAllString(row, " "), " ")))
		}
	}
	return out
}

// The rule: every blood-pressure-lowering, contributing, bleeding and pressor drug with its
// last given dose before now (on the fall sheet: before the fall), amount, route, as needed or
// not, withheld doses since; what only keeps a line open is said so.
func TestEveryDrugOfAFallHasItsLastGivenDose(t *testing.T) {
	d, board := open(t)
	addDoses(t, board)
	for path, want := range map[string]map[string][]string{
		"/stays/S101": {
			"amlodipine": {"calcium-channel blocker", "5 mg oral", "ordered", "none"},
			"zopiclone":  {"can contribute to falls", "7.5 mg oral", "ordered", "none", "h"},
			"apixaban":   {"anticoagulant", "2.5 mg oral", "no order runs", "2 doses not given"},
			"heparin":    {"only keeps a line open", "5 mg parenteral", "9 h ago"},
		},
		"/falls/F-S101-001": {
			"zopiclone": {"7.5 mg oral", "before the fall"},
			"apixaban":  {"35 h 10 min before the fall", "1 dose not given"},
			"heparin":   {"only keeps a line open", "4 h 10 min before the fall"},
		},
		"/dose-review/S103": {
			"doxazosin":           {"alpha-1 blocker", "2 mg oral", "ordered"},
			"hydrochlorothiazide": {"25 mg oral"},
		},
	} {
		h := asFallsNurse(d)
		if strings.HasPrefix(path, "/dose-review") {
			r := reviewing(d)
			page := get(r, path).Body.String()
			check(t, path, givenOn(page), want)
			continue
		}
		check(t, path, givenOn(h(path).Body.String()), want)
	}
	fall := asFallsNurse(d)("/falls/F-S101-001").Body.String()
	if strings.Contains(fall, "an anticoagulant at the fall: heparin") || strings.Contains(fall, "on heparin") {
		t.Error("what keeps a line open is called a drug that makes the fall bleed")
	}
	table, err := csv.NewReader(get(reviewing(d), "/dose-review.csv?table=given").Body).ReadAll()
	if err != nil || len(table) < 5 || len(table[0]) != 17 {
		t.Fatalf("the export of last given doses: %d lines, %v", len(table), err)
	}
	found := false
	for _, line := range table {
		found = found || line[4] == "S103" && line[5] == "doxazosin" && line[11] == "2" && line[13] == "oral"
	}
	if !found {
		t.Errorf("the export lacks the last dose of doxazosin: %v", table)
	}
}

func check(t *testing.T, path string, got map[string]string, want map[string][]string) {
	t.Helper()
	for drug, parts := range want {
		for _, part := range parts {
			if !strings.Contains(got[drug], part) {
				t.Errorf("%s: %s is told as %q, without %q", path, drug, got[drug], part)
			}
		}
	}
}

// The rule: p beside its smallest possible value; regression to the mean and changes that
// follow pressures are said where shifts are shown; T-DOSE with the sets that were not positive.
func TestShiftsAndDosesAreComparedHonestly(t *testing.T) {
	d, _ := open(t)
	for path, page := range map[string]string{
		"/stays/S108": asFallsNurse(d)("/stays/S108").Body.String(), "/dose-review/S108": get(reviewing(d), "/dose-review/S108").Body.String(),
	} {
		if !strings.Contains(page, "moved together") && !strings.Contains(page, "no clear shift") {
			t.Fatalf("%s shows no shift", path)
		}
		for _, want := range []string{
			" otherwise, p = ", "(with so few sets at least 0.", "doses are changed because of pressures, and extreme values return to the mean by themselves",
			"Sets soon after a dose, and the others", " after a dose, in ",
		} {
			if !strings.Contains(page, want) {
				t.Errorf("%s does not say %q", path, want)
			}
		}
	}
}
