package trends

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// LabCourse is the course of one laboratory value of a stay in one unit, as charted. No
// rule uses it.
type LabCourse struct {
	LOINC  string
	Unit   string // as charted; "" where none was
	Values []LabValue
}

// LabValue is one result.
type LabValue struct {
	SourceID string
	At       time.Time
	Value    float64
}

// LabsOf lists the courses of the laboratory values that are shown beside doses, in the
// order of clinical.ShownLabs, each unit apart: nothing is converted. at is not after the
// chart's moment.
func LabsOf(c clinical.Chart, at time.Time) []LabCourse {
	type key struct{ loinc, unit string }
	byKey := map[key]*LabCourse{}
	for _, r := range c.Records {
		lab, ok := r.Body.(clinical.Lab)
		if !ok || lab.TakenAt.After(at) || !clinical.ShownLab(lab.LOINC) {
			continue
		}
		k := key{strings.TrimSpace(lab.LOINC), lab.Unit}
		if byKey[k] == nil {
			byKey[k] = &LabCourse{LOINC: k.loinc, Unit: k.unit}
		}
		byKey[k].Values = append(byKey[k].Values, LabValue{r.SourceID, lab.TakenAt, lab.Value})
	}
	out := make([]LabCourse, 0, len(byKey))
	for _, course := range byKey {
		slices.SortFunc(course.Values, func(a, b LabValue) int {
			return cmp.Or(a.At.Compare(b.At), strings.Compare(a.SourceID, b.SourceID))
		})
		out = append(out, *course)
	}
	slices.SortFunc(out, func(a, b LabCourse) int {
		return cmp.Or(
			slices.Index(clinical.ShownLabs, a.LOINC)-slices.Index(clinical.ShownLabs, b.LOINC), strings.Compare(a.Unit, b.Unit),
		)
	})
	return out
}
