package csvfeed

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
)

var shared = []string{"source_id", "stay_id", "recorded_at", "status"}

func withShared(own ...string) []string { return append(slices.Clone(shared), own...) }

// columns are the known columns of each kind.
var columns = map[clinical.Kind][]string{
	clinical.KindStay: {
		"stay_id", "patient_id", "unit", "admitted_at", "bed", "discharged_at", "name", "birth_date", "sex",
		"ambulatory", "recorded_at", "status",
	},
	clinical.KindVitals: withShared("taken_at", "systolic", "diastolic", "heart_rate", "position", "limb",
		"minutes_in_position", "set_id", "symptoms", "stopped_early", "pressure_unit"),
	clinical.KindOrder: withShared("drug", "start_at", "atc", "rxnorm", "dose", "dose_unit", "route",
		"times_per_day", "end_at", "as_needed", "new_drug"),
	clinical.KindDose:        withShared("drug", "given_at", "order_id", "atc", "rxnorm", "dose", "dose_unit", "route"),
	clinical.KindFluid:       withShared("from", "to", "direction", "volume", "volume_unit", "kind"),
	clinical.KindWeight:      withShared("measured_at", "weight", "weight_unit"),
	clinical.KindLab:         withShared("taken_at", "loinc", "value", "unit"),
	clinical.KindCondition:   withShared("icd10", "text"),
	clinical.KindPrecaution:  withShared("precaution", "started_at", "ended_at"),
	clinical.KindFall:        withShared("fell_at", "injury", "assisted"),
	clinical.KindRestriction: withShared("limb", "reason", "started_at", "ended_at"),
	clinical.KindClearance:   withShared("cleared_at", "by"),
	clinical.KindAnswer:      withShared("answered_at", "answer", "reason"),
	clinical.KindTreatment:   withShared("given_at", "kind"),
}

// Columns are the known columns of a kind.
func Columns(kind clinical.Kind) []string { return slices.Clone(columns[kind]) }

// row reads the cells of one record by column name and keeps the first thing
// that is wrong with it.
type row struct {
	header, record []string
	zone           *time.Location
	reason         string
}

func (r *row) wrong(format string, args ...any) {
	if r.reason == "" {
		r.reason = fmt.Sprintf(format, args...)
	}
}

func (r *row) cell(column string) string {
	for n, name := range r.header {
		if name == column && n < len(r.record) {
			return strings.TrimSpace(r.record[n])
		}
	}
	return ""
}

func (r *row) need(column string) string {
	s := r.cell(column)
	if s == "" {
		r.wrong("%s is missing", column)
	}
	return s
}

func (r *row) needName(column string) string {
	r.need(column)
	return r.name(column)
}

// longestName is the longest identity in bytes, so that a database can index it.
const longestName = 500

// name is a cell that names something by which facts are found again.
func (r *row) name(column string) string {
	s := r.cell(column)
	if len(s) > longestName {
		r.wrong("%s is longer than %d bytes", column, longestName)
	}
	return s
}

func (r *row) number(column string) *float64 {
	s := r.cell(column)
	if s == "" {
		return nil
	}
	f, ok := feed.ParseNumber(s)
	switch {
	case ok:
		return &f
	case math.Abs(f) > feed.LargestNumber && !math.IsInf(f, 0):
		r.wrong("%s is too large to be true: %s", column, s)
	default:
		r.wrong("%s is not a number: %q", column, s)
	}
	return nil
}

// amount is a number that cannot be negative.
func (r *row) amount(column string) *float64 {
	f := r.number(column)
	if f != nil && *f < 0 {
		r.wrong("%s is negative: %s", column, r.cell(column))
	}
	return f
}

func (r *row) needAmount(column string) float64 {
	if r.need(column) == "" {
		return 0
	}
	if f := r.amount(column); f != nil {
		return *f
	}
	return 0
}

func (r *row) time(column string) *time.Time {
	s := r.cell(column)
	if s == "" {
		return nil
	}
	t, ok := feed.ParseTime(s, r.zone)
	if !ok {
		r.wrong("%s is not a time of the form 2026-11-25T07:00:00Z: %q", column, s)
		return nil
	}
	return &t
}

func (r *row) needTime(column string) time.Time {
	if r.need(column) == "" {
		return time.Time{}
	}
	if t := r.time(column); t != nil {
		return *t
	}
	return time.Time{}
}

// word is a word of a list, in any case; empty where the cell is.
func (r *row) word(column string, list []string) string {
	s := r.cell(column)
	if s == "" {
		return ""
	}
	for _, w := range list {
		if strings.EqualFold(w, s) {
			return w
		}
	}
	r.wrong("%s is none of %s: %q", column, strings.Join(list, ", "), s)
	return ""
}

func (r *row) needWord(column string, list []string) string {
	if r.need(column) == "" {
		return ""
	}
	return r.word(column, list)
}

func (r *row) yes(column string) bool { return r.word(column, []string{"yes", "no"}) == "yes" }

// unit is the factor from the unit that a column names, one of those listed, to the
// domain's own; an empty cell is that.
func (r *row) unit(column string, m clinical.Measure, units ...string) float64 {
	s := r.word(column, units)
	if s == "" {
		return 1
	}
	factor, ok := clinical.UnitFactor(m, s)
	if !ok { // a unit listed here and missing in the table is our fault, and must not make a 0
		r.wrong("%s cannot be converted: %q", column, s)
	}
	return factor
}

func scaled(v *float64, factor float64) *float64 {
	if v == nil || factor == 1 {
		return v
	}
	f := *v * factor
	return &f
}

var (
	plainStatuses = []string{"final", "amended", "corrected", "entered-in-error"}
	orderStatuses = []string{"active", "corrected", "on-hold", "stopped", "completed", "cancelled", "entered-in-error"}
	doseStatuses  = []string{"completed", "not-done", "entered-in-error"}
)

func statusOf(r *row, kind clinical.Kind) clinical.Status {
	list, byDefault := plainStatuses, clinical.Final
	switch kind {
	case clinical.KindOrder:
		list, byDefault = orderStatuses, clinical.Active
	case clinical.KindDose:
		list, byDefault = doseStatuses, clinical.Completed
	}
	if s := r.word("status", list); s != "" {
		return clinical.Status(s)
	}
	return byDefault
}

// Parse reads one record. A reason other than "" says why it cannot be used;
// the version then holds what identity could be read.
func Parse(kind clinical.Kind, header, record []string, o feed.Options) (clinical.Version, string) {
	r := &row{header: header, record: record, zone: o.Zone}
	v := clinical.Version{Kind: kind, StayID: r.name("stay_id")}
	v.SourceID = r.needName(idColumn(kind))
	v.Status = statusOf(r, kind)
	recorded := r.time("recorded_at")
	if r.reason == "" && v.Removed() {
		takeBack(r, &v, recorded)
		return v, r.reason
	}
	r.need("stay_id")
	v.Body = bodies[kind](r)
	if r.reason != "" {
		v.Body = nil
		return v, r.reason
	}
	takeRecorded(r, &v, recorded)
	checkHappened(r, v, o.Now)
	return v, r.reason
}

// ownTimeColumn is the column of a fact's own time, by which it is recorded
// where the source does not say when.
var ownTimeColumn = map[clinical.Kind]string{
	clinical.KindStay: "admitted_at", clinical.KindVitals: "taken_at", clinical.KindOrder: "start_at",
	clinical.KindDose: "given_at", clinical.KindFluid: "to", clinical.KindWeight: "measured_at",
	clinical.KindLab: "taken_at", clinical.KindPrecaution: "started_at", clinical.KindFall: "fell_at",
	clinical.KindRestriction: "started_at", clinical.KindClearance: "cleared_at", clinical.KindAnswer: "answered_at",
	clinical.KindTreatment: "given_at",
}

// takeBack reads a retraction: it needs its identity and the time at which it
// was recorded, and nothing else of it is looked at.
func takeBack(r *row, v *clinical.Version, recorded *time.Time) {
	if recorded != nil {
		v.RecordedAt, v.Stated = *recorded, true
		return
	}
	if t, ok := feed.ParseTime(r.cell(ownTimeColumn[v.Kind]), r.zone); ok {
		v.RecordedAt = t
		return
	}
	r.wrong("recorded_at is missing: a row entered in error needs it")
}

// takeRecorded fills in when the version was recorded.
func takeRecorded(r *row, v *clinical.Version, recorded *time.Time) {
	if recorded != nil {
		v.RecordedAt, v.Stated = *recorded, true
		return
	}
	v.RecordedAt = v.Body.OwnTime()
	if _, ok := v.Body.(clinical.Restriction); ok && v.RecordedAt.IsZero() {
		r.wrong("started_at and recorded_at are missing: a restriction needs one of them")
		return
	}
	switch v.Status {
	case clinical.OnHold, clinical.Stopped, clinical.Completed, clinical.Cancelled:
		order, ok := v.Body.(clinical.Order)
		if !ok {
			return
		}
		if order.EndAt == nil {
			r.wrong("recorded_at is missing: an order that is %s needs it, or end_at", v.Status)
			return
		}
		v.RecordedAt = *order.EndAt
	}
}

// checkHappened refuses what is said to have happened after it was recorded, or
// after now. Plans may lie ahead.
func checkHappened(r *row, v clinical.Version, now time.Time) {
	if why := feed.Ahead(v, now); why != "" {
		r.wrong("%s", why)
	}
}
