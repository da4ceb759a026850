package demo

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"slices"
	"time"
)

// Kinds are the kinds of file, in the order in which they are written.
var Kinds = []string{
	"stays", "vitals", "orders", "doses", "fluids", "weights",
	"labs", "conditions", "precautions", "falls", "restrictions", "answers", "treatments",
}

// Columns are the columns that each kind of file carries.
var Columns = map[string][]string{
	"stays": {
		"stay_id", "patient_id", "unit", "bed", "admitted_at", "discharged_at", "name", "birth_date", "sex",
		"ambulatory", "recorded_at", "status",
	},
	"vitals": {
		"source_id", "stay_id", "taken_at", "systolic", "diastolic", "heart_rate", "position", "limb",
		"minutes_in_position", "set_id", "symptoms", "stopped_early", "recorded_at", "status",
	},
	"orders": {
		"source_id", "stay_id", "drug", "atc", "rxnorm", "dose", "dose_unit", "route", "times_per_day",
		"start_at", "end_at", "as_needed", "new_drug", "recorded_at", "status",
	},
	"doses": {
		"source_id", "stay_id", "drug", "given_at", "order_id", "atc", "rxnorm", "dose", "dose_unit", "route",
		"recorded_at", "status",
	},
	"fluids":       {"source_id", "stay_id", "from", "to", "direction", "volume", "volume_unit", "kind", "recorded_at", "status"},
	"weights":      {"source_id", "stay_id", "measured_at", "weight", "weight_unit", "recorded_at", "status"},
	"labs":         {"source_id", "stay_id", "taken_at", "loinc", "value", "unit", "recorded_at", "status"},
	"conditions":   {"source_id", "stay_id", "icd10", "text", "recorded_at", "status"},
	"precautions":  {"source_id", "stay_id", "precaution", "started_at", "ended_at", "recorded_at", "status"},
	"falls":        {"source_id", "stay_id", "fell_at", "injury", "assisted", "recorded_at", "status"},
	"restrictions": {"source_id", "stay_id", "limb", "reason", "started_at", "ended_at", "recorded_at", "status"},
	"answers":      {"source_id", "stay_id", "answered_at", "answer", "reason", "recorded_at", "status"},
	"treatments":   {"source_id", "stay_id", "given_at", "kind", "recorded_at", "status"},
}

// TimeColumns are all the columns of the feed that hold a moment. birth_date
// is a date, not a moment, and is none of them.
var TimeColumns = map[string]bool{
	"admitted_at": true, "discharged_at": true, "taken_at": true, "start_at": true,
	"end_at": true, "given_at": true, "from": true, "to": true, "measured_at": true,
	"started_at": true, "ended_at": true, "fell_at": true, "recorded_at": true,
	"cleared_at": true, "answered_at": true,
}

// part says into which file of its kind a row goes.
type part int

const (
	first  part = iota // a fact as first charted
	later              // a later version of it
	device             // what an interface sent that cannot be used, or not yet
)

// row is one line of a file.
type row struct {
	kind  string
	part  part
	when  time.Time // known from, or happened at: for the order of lines
	cells map[string]string
}

func (r row) id() string { return cmp.Or(r.cells["source_id"], r.cells["stay_id"]) }

// feed is every row of every kind.
type feed struct{ rows []row }

func (f *feed) add(rows []row) { f.rows = append(f.rows, rows...) }

// names of the later parts of a kind; the first part splits at midnight where
// there is much of it.
var (
	laterName = map[string]string{
		"stays": "stays-2-moves.csv", "vitals": "vitals-3-corrections.csv", "orders": "orders-2-changes.csv",
		"weights": "weights-2-corrections.csv", "precautions": "precautions-2-ended.csv",
	}
	splitToday = map[string]bool{"vitals": true, "doses": true, "fluids": true}
)

func (r row) file(midnight time.Time) string {
	switch {
	case r.part == device:
		return r.kind + "-9-interface.csv"
	case r.part == later:
		return laterName[r.kind]
	case splitToday[r.kind] && r.when.Before(midnight):
		return r.kind + "-1-earlier.csv"
	case splitToday[r.kind]:
		return r.kind + "-2-today.csv"
	default:
		return r.kind + "-1.csv"
	}
}

// files lays the rows into files: by kind and part, each in order of time.
func (f *feed) files(midnight time.Time) []File {
	byName := map[string][]row{}
	for _, r := range f.rows {
		name := r.file(midnight)
		if name == "" {
			panic("demo: no file for later versions of " + r.kind)
		}
		byName[name] = append(byName[name], r)
	}
	var out []File
	for name, rows := range byName {
		slices.SortStableFunc(rows, func(a, b row) int {
			return cmp.Or(a.when.Compare(b.when), cmp.Compare(a.id(), b.id()))
		})
		out = append(out, File{Name: name, Data: encode(rows)})
	}
	slices.SortFunc(out, func(a, b File) int { return cmp.Compare(a.Name, b.Name) })
	return out
}

func encode(rows []row) []byte {
	columns := Columns[rows[0].kind]
	lines := [][]string{columns}
	for _, r := range rows {
		line := make([]string, len(columns))
		for i, column := range columns {
			line[i] = r.cells[column]
		}
		lines = append(lines, line)
	}
	var b bytes.Buffer
	if err := csv.NewWriter(&b).WriteAll(lines); err != nil {
		panic(err) // a buffer does not fail
	}
	return b.Bytes()
}
