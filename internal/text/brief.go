package text

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/trends"
)

// Plural writes a count with its noun.
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Brief says a reason in a few words with its figures, where the same row tells
// the rest.
func (c Catalogue) Brief(r alerts.Reason) string {
	f := r.Figures
	switch r.Rule {
	case alerts.TFall, alerts.TFell:
		at, _ := f["fell_at"].(time.Time)
		injury, _ := f["injury"].(string)
		return "fell " + c.Time(at) + ", " + Injury(injury) + latestOf(f)
	case alerts.TStopped:
		return "stopped by symptoms" + symptoms(f)
	case alerts.TLow:
		return "standing systolic " + num(f["upright_systolic"])
	case alerts.TLowLying:
		return "lying systolic " + num(f["baseline_systolic"])
	case alerts.TGap:
		what := "positive"
		if f["finding"] == trends.SymptomsOnly {
			what = "symptoms on standing"
		}
		return what + " with " + Plural(len(words(f["missing"])), "precaution", "precautions") + " missing"
	case alerts.TPositive:
		return "positive set" + decidedBy(f)
	case alerts.TSymptoms:
		return "symptoms on standing" + symptoms(f)
	case alerts.TOverdue, alerts.TDue, alerts.TRoutine, alerts.TSoon:
		due, _ := f["due_at"].(time.Time)
		word := "due"
		if f["state"] == alerts.Overdue {
			word = "overdue since"
		}
		return "recheck " + word + " " + c.Time(due)
	case alerts.TReview:
		return "dose review, " + Plural(len(words(f["flags"])), "flag", "flags")
	case alerts.TPrecaution:
		return Plural(len(words(f["missing"])), "precaution", "precautions") + " missing"
	case alerts.TWatch:
		return c.briefWatch(f)
	}
	return r.Rule
}

func (c Catalogue) briefWatch(f alerts.Figures) string {
	var parts []string
	if kinds := words(f["contributors"]); len(kinds) > 0 {
		parts = append(parts, "possible contributors: "+List(kinds))
	}
	if t, ok := f["cleared_at"].(time.Time); ok {
		parts = append(parts, "cleared "+c.Time(t))
	}
	if t, ok := f["due_at"].(time.Time); ok {
		parts = append(parts, "recheck scheduled "+c.Time(t))
	}
	return strings.Join(parts, ", ")
}

// decidedBy names in a few words the first criterion that made a set positive.
func decidedBy(f alerts.Figures) string {
	criteria := words(f["criteria"])
	switch {
	case stoppedAlone(f):
		return ", stopped by symptoms" + symptoms(f)
	case slices.Contains(criteria, trends.CritSystolic) && f["systolic_drop"] != nil:
		return ", " + change("systolic", f["systolic_drop"])
	case slices.Contains(criteria, trends.CritDiastolic) && f["diastolic_drop"] != nil:
		return ", " + change("diastolic", f["diastolic_drop"])
	case slices.Contains(criteria, trends.CritLow) && f["upright_systolic"] != nil:
		return ", standing systolic " + num(f["upright_systolic"])
	}
	return ""
}
