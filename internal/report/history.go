package report

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// FactHistory is one fact with every version of it that was known by a moment.
type FactHistory struct {
	Kind     clinical.Kind
	SourceID string
	At       *time.Time // the time it speaks of, as the version that counts has it; nil where it has none
	Removed  bool       // entered in error
	Used     bool       // anything of the version that counts is used
	WhyNot   string     // what is not, and why
	Versions []FactVersion
}

// FactVersion is one version of a fact. Of several the last one counts.
type FactVersion struct {
	RecordedAt *time.Time // nil for a condition that holds from admission
	Stated     bool       // RecordedAt is the source's own; else the fact's own time stands for it
	Status     clinical.Status
	Feed, File string
	Line       int
	Values     map[string]any // empty where the version takes the fact back
	Changed    []Replaced     // against the version before it
}

// Replaced is a value that a version put in the place of another; nil is none.
type Replaced struct {
	Column string
	Was    any
	Now    any
}

// HistoryOf tells every fact of a stay with all its versions known at the chart's
// moment, the latest own time first.
func HistoryOf(c clinical.Chart, p clinical.PlausiblePolicy) []FactHistory {
	out := make([]FactHistory, 0, len(c.Records)+len(c.Removed))
	for _, r := range c.Records {
		h := historyOf(r)
		h.Used, h.WhyNot = used(r, c, p)
		out = append(out, h)
	}
	for _, r := range c.Removed {
		h := historyOf(r)
		h.Removed, h.WhyNot = true, text.Say("facts.retracted")
		out = append(out, h)
	}
	for _, r := range c.Echoes {
		h := historyOf(r)
		h.Removed, h.WhyNot = r.Removed(), whyEcho(r)
		out = append(out, h)
	}
	slices.SortStableFunc(out, func(a, b FactHistory) int {
		if n := compareTimes(b.At, a.At); n != 0 {
			return n
		}
		if n := slices.Index(clinical.Kinds, a.Kind) - slices.Index(clinical.Kinds, b.Kind); n != 0 {
			return n
		}
		return strings.Compare(a.SourceID, b.SourceID)
	})
	return out
}

func historyOf(r clinical.Record) FactHistory {
	h := FactHistory{Kind: r.Kind, SourceID: r.SourceID}
	if r.Body != nil {
		h.At = known(r.Body.OwnTime())
	}
	var before map[string]any
	for _, v := range r.History {
		one := FactVersion{
			RecordedAt: known(v.RecordedAt), Stated: v.Stated, Status: v.Status,
			Feed: v.Feed, File: v.File, Line: v.Line, Values: map[string]any{},
		}
		if v.Body != nil && !v.Removed() {
			one.Values = valuesOf(v.Body)
			one.Values[ownTime] = known(v.Body.OwnTime())
			if before != nil {
				one.Changed = replaced(before, one.Values)
			}
			before = one.Values
		}
		h.Versions = append(h.Versions, one)
	}
	return h
}

// ownTime names, among the values of a version, the time that the fact speaks of.
const ownTime = "at"

// replaced lists what differs, by column.
func replaced(was, now map[string]any) []Replaced {
	var out []Replaced
	for _, column := range columns(was, now) {
		if !reflect.DeepEqual(was[column], now[column]) {
			out = append(out, Replaced{column, was[column], now[column]})
		}
	}
	return out
}

// columns are the names of both, sorted, each once.
func columns(a, b map[string]any) []string {
	var out []string
	for _, m := range []map[string]any{a, b} {
		for column := range m {
			out = append(out, column)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
