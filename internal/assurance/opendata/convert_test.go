package opendata

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The feed's rules for what the trial does not say. It has dates only, so:
//
//   - A subject who was measured is one stay on one unit, admitted at 06:00 UTC of
//     the first day with vital signs, and never discharged.
//   - The first visit of a day is at 08:00 UTC, the next 4 h later, in the order of
//     VISITNUM. The lying reading is taken then, after the 5 minutes charted; a
//     standing reading as many minutes later as it says.
//   - A weight is taken 10 min before the visit's lying reading.
//   - A drug starts at the beginning of its first day and ends at the end of its
//     last. Of a partial date a start is the first day it can be, an end the last.
//     A drug without a start was taken by the first day on which it was charted.
//   - Frequencies that do not say how often a day, doses and units that are not
//     stated, and birth dates that are not whole are left empty.
const (
	unit        = "TRIAL"
	admission   = 6 * time.Hour
	firstVisit  = 8 * time.Hour
	visitsApart = 4 * time.Hour
	weighed     = -10 * time.Minute
)

// visitKey is one visit of a subject on one day.
type visitKey struct{ subject, visit, day string }

func visitOf(r row) visitKey { return visitKey{r["USUBJID"], r["VISITNUM"], date(r["VSDTC"])} }

// date is the day of an ISO 8601 date, whole or partial, without its time.
func date(s string) string { return s[:min(len(s), len("2006-01-02"))] }

// converted is a trial laid out as a feed.
type converted struct {
	days   []time.Time // with vital signs, in order
	tables map[string][][]string
}

// convert lays a trial out as tables of a feed. given keeps the readings of a
// visit together by set_id; otherwise the program has to infer the sets.
func convert(t *testing.T, tr trial, given bool) converted {
	t.Helper()
	signs := tr.rows(t, vitalSigns)
	visits := layVisits(t, signs)
	c := converted{tables: map[string][][]string{
		"stays":   stays(t, tr.rows(t, demographics), signs),
		"vitals":  vitals(t, signs, visits, given),
		"weights": weights(signs, visits),
		"orders":  orders(t, tr.rows(t, medications)),
	}}
	for key := range visits {
		c.days = append(c.days, day(t, key.day))
	}
	slices.SortFunc(c.days, time.Time.Compare)
	return c
}

// write writes the feed and returns its folder.
func (c converted) write(t *testing.T) string {
	t.Helper()
	folder := t.TempDir()
	for kind, records := range c.tables {
		f, err := os.Create(filepath.Join(folder, kind+"-trial.csv"))
		if err != nil {
			t.Fatal(err)
		}
		if err := csv.NewWriter(f).WriteAll(records); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return folder
}

func day(t *testing.T, s string) time.Time {
	t.Helper()
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		t.Fatalf("vital signs without a whole date: %v", err)
	}
	return d
}

func stamp(at time.Time) string { return at.Format(time.RFC3339) }

// layVisits gives each visit its time.
func layVisits(t *testing.T, signs []row) map[visitKey]time.Time {
	t.Helper()
	type subjectDay struct{ subject, day string }
	seen := map[visitKey]bool{}
	byDay := map[subjectDay][]visitKey{}
	for _, r := range signs {
		key := visitOf(r)
		if !seen[key] {
			seen[key] = true
			on := subjectDay{key.subject, key.day}
			byDay[on] = append(byDay[on], key)
		}
	}
	out := map[visitKey]time.Time{}
	for on, keys := range byDay {
		slices.SortFunc(keys, func(a, b visitKey) int { return compareNumbers(t, a.visit, b.visit) })
		for n, key := range keys {
			out[key] = day(t, on.day).Add(firstVisit + time.Duration(n)*visitsApart)
		}
	}
	return out
}

func compareNumbers(t *testing.T, a, b string) int {
	t.Helper()
	x, errX := strconv.ParseFloat(a, 64)
	y, errY := strconv.ParseFloat(b, 64)
	if errX != nil || errY != nil {
		t.Fatalf("a visit's number is none: %q or %q", a, b)
	}
	switch {
	case x < y:
		return -1
	case x > y:
		return 1
	}
	return 0
}

func stays(t *testing.T, people, signs []row) [][]string {
	t.Helper()
	first := map[string]string{}
	for _, r := range signs {
		if r["VSORRES"] == "" {
			continue
		}
		if d := date(r["VSDTC"]); first[r["USUBJID"]] == "" || d < first[r["USUBJID"]] {
			first[r["USUBJID"]] = d
		}
	}
	out := [][]string{{"stay_id", "patient_id", "unit", "admitted_at", "birth_date", "sex"}}
	for _, r := range people {
		subject := r["USUBJID"]
		if first[subject] == "" {
			continue // screened, and never measured
		}
		birth := r["BRTHDTC"]
		if len(birth) != len(time.DateOnly) {
			birth = ""
		}
		out = append(out, []string{subject, subject, unit, stamp(day(t, first[subject]).Add(admission)), birth, r["SEX"]})
	}
	return out
}

var positions = map[string]string{"SUPINE": "lying", "SITTING": "sitting", "STANDING": "standing", "": ""}

var minutesShape = regexp.MustCompile(`^PT(\d+)M$`) // ISO 8601, as in VSELTM

// reading is what was measured at one time point of a visit.
type reading struct {
	visit          visitKey
	point          string // VSTPTNUM
	position       string
	minutes        int
	systolic       string
	diastolic      string
	pulse          string
	pressureCharts string // unit as charted
}

// vitals makes one reading of the pressures and pulse of one time point. A row
// without a value (NOT DONE) gives nothing; of a value charted twice the later
// row counts.
func vitals(t *testing.T, signs []row, visits map[visitKey]time.Time, given bool) [][]string {
	t.Helper()
	type pointKey struct {
		visit visitKey
		point string
	}
	readings := map[pointKey]*reading{}
	var order []pointKey
	for _, r := range signs {
		test, value := r["VSTESTCD"], r["VSORRES"]
		if value == "" || test != "SYSBP" && test != "DIABP" && test != "PULSE" {
			continue
		}
		key := pointKey{visitOf(r), r["VSTPTNUM"]}
		if readings[key] == nil {
			readings[key] = newReading(t, key.visit, r)
			order = append(order, key)
		}
		readings[key].take(test, value, r["VSORRESU"])
	}
	out := [][]string{{"source_id", "stay_id", "taken_at", "position", "minutes_in_position", "systolic", "diastolic", "heart_rate", "pressure_unit", "set_id"}}
	for _, key := range order {
		r := readings[key]
		at := visits[r.visit]
		if r.position != "lying" {
			at = at.Add(time.Duration(r.minutes) * time.Minute)
		}
		set := ""
		if given {
			set = setID(r.visit)
		}
		out = append(out, []string{
			setID(r.visit) + "/" + r.point, r.visit.subject, stamp(at), r.position, strconv.Itoa(r.minutes),
			r.systolic, r.diastolic, r.pulse, r.pressureCharts, set,
		})
	}
	return out
}

func setID(v visitKey) string { return v.subject + "/" + v.visit + "/" + v.day }

func newReading(t *testing.T, visit visitKey, r row) *reading {
	t.Helper()
	position, known := positions[r["VSPOS"]]
	m := minutesShape.FindStringSubmatch(r["VSELTM"])
	if !known || m == nil {
		t.Fatalf("a time point that the converter does not know: VSPOS %q, VSELTM %q (row %s of %s)", r["VSPOS"], r["VSELTM"], r["VSSEQ"], r["USUBJID"])
	}
	minutes, err := strconv.Atoi(m[1])
	if err != nil {
		t.Fatal(err)
	}
	return &reading{visit: visit, point: r["VSTPTNUM"], position: position, minutes: minutes}
}

func (r *reading) take(test, value, unit string) {
	switch test {
	case "SYSBP":
		r.systolic, r.pressureCharts = value, pressureUnits[unit]
	case "DIABP":
		r.diastolic, r.pressureCharts = value, pressureUnits[unit]
	case "PULSE":
		r.pulse = value
	}
}

// Units of the trial in the feed's words. One that is not here goes in as it is
// charted, for the program to refuse.
var (
	pressureUnits = map[string]string{"mmHg": "mm[Hg]"}
	weightUnits   = map[string]string{"LB": "[lb_av]", "KG": "kg"}
)

func weights(signs []row, visits map[visitKey]time.Time) [][]string {
	out := [][]string{{"source_id", "stay_id", "measured_at", "weight", "weight_unit"}}
	for _, r := range signs {
		if r["VSTESTCD"] != "WEIGHT" || r["VSORRES"] == "" {
			continue
		}
		charted := r["VSORRESU"]
		if feedUnit, ok := weightUnits[strings.ToUpper(charted)]; ok {
			charted = feedUnit
		}
		out = append(out, []string{
			"weight/" + r["USUBJID"] + "/" + r["VSSEQ"], r["USUBJID"], stamp(visits[visitOf(r)].Add(weighed)), r["VSORRES"], charted,
		})
	}
	return out
}

// timesPerDay holds the frequencies that say how often a day.
var timesPerDay = map[string]string{
	"QD": "1", "EVERY MORNING": "1", "EVERY NIGHT": "1", "BID": "2", "TID": "3", "QID": "4", "QOD": "0.5",
	"Q2H": "12", "Q3H": "8", "Q4H": "6", "Q6H": "4", "Q8H": "3", "Q12H": "2", "Q24H": "1",
}

var routes = map[string]string{
	"RESPIRATORY (INHALATION)": "inhaled", "AURICULAR (OTIC)": "otic",
}

// orders makes one order of each drug of a subject: CMSPID numbers the drugs, and
// each stands once for every visit. The last row is how it stands.
func orders(t *testing.T, drugs []row) [][]string {
	t.Helper()
	type drugKey struct{ subject, drug string }
	last := map[drugKey]row{}
	firstCharted := map[drugKey]string{}
	var order []drugKey
	for _, r := range drugs {
		key := drugKey{r["USUBJID"], r["CMSPID"]}
		if last[key] == nil {
			order = append(order, key)
		}
		if last[key] == nil || compareNumbers(t, r["CMSEQ"], last[key]["CMSEQ"]) > 0 {
			last[key] = r
		}
		if d := date(r["CMDTC"]); d != "" && (firstCharted[key] == "" || d < firstCharted[key]) {
			firstCharted[key] = d
		}
	}
	out := [][]string{{"source_id", "stay_id", "drug", "start_at", "dose", "dose_unit", "route", "times_per_day", "end_at", "as_needed"}}
	for _, key := range order {
		out = append(out, orderOf(t, last[key], firstCharted[key]))
	}
	return out
}

func orderOf(t *testing.T, r row, firstCharted string) []string {
	t.Helper()
	start, end := r["CMSTDTC"], ""
	if start == "" {
		start = firstCharted
	}
	if start != "" {
		start = stamp(firstDay(t, date(start)))
	}
	if r["CMENDTC"] != "" {
		end = stamp(dayAfter(t, date(r["CMENDTC"])))
	}
	asNeeded := ""
	if r["CMDOSFRQ"] == "PRN" {
		asNeeded = "yes"
	}
	route, ok := routes[r["CMROUTE"]]
	if !ok {
		route = strings.ToLower(r["CMROUTE"])
	}
	return []string{
		"drug/" + r["USUBJID"] + "/" + r["CMSPID"], r["USUBJID"], drugText(r), start,
		r["CMDOSE"], r["CMDOSU"], route, timesPerDay[r["CMDOSFRQ"]], end, asNeeded,
	}
}

// drugText is the coded ingredient with its salt, or what was charted where the
// drug was not coded: then it is often a brand.
func drugText(r row) string {
	if code := r["CMDECOD"]; code != "" && code != "UNCODED" {
		return code
	}
	return r["CMTRT"]
}

// firstDay and dayAfter are the bounds of a date that may lack its day or month.
func firstDay(t *testing.T, partial string) time.Time {
	t.Helper()
	from, _ := bounds(t, partial)
	return from
}

func dayAfter(t *testing.T, partial string) time.Time {
	t.Helper()
	_, to := bounds(t, partial)
	return to
}

func bounds(t *testing.T, partial string) (from, to time.Time) {
	t.Helper()
	for _, p := range []struct {
		layout              string
		years, months, days int
	}{{"2006", 1, 0, 0}, {"2006-01", 0, 1, 0}, {time.DateOnly, 0, 0, 1}} {
		if d, err := time.Parse(p.layout, partial); err == nil {
			return d, d.AddDate(p.years, p.months, p.days)
		}
	}
	t.Fatalf("a drug's date that the converter does not know: %q", partial)
	return from, to
}
