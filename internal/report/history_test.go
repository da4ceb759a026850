package report_test

import (
	"fmt"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/report"
)

func TestEveryVersionOfAFactIsTold(t *testing.T) {
	at := noon.Add(-3 * time.Hour)
	reading := func(systolic float64) clinical.Vitals {
		return clinical.Vitals{TakenAt: at, Systolic: &systolic, Diastolic: ptr(70.0), Position: clinical.Lying}
	}
	in := func(v clinical.Version, file string, line int, after time.Duration) clinical.Version {
		v.File, v.Line, v.RecordedAt = file, line, v.RecordedAt.Add(after)
		return v
	}
	chart := clinical.ChartAt("S", []clinical.Version{
		stay(),
		in(version("v1", clinical.Final, reading(120)), "a.csv", 2, 0),
		in(version("v1", clinical.Corrected, reading(102)), "b.csv", 9, time.Hour),
		in(version("v1", clinical.Corrected, reading(101)), "c.csv", 1, 4*time.Hour), // not known yet
		in(version("w1", clinical.Final, clinical.Weight{MeasuredAt: at, KG: 70}), "a.csv", 3, 0),
		in(version("w1", clinical.EnteredInError, clinical.Weight{MeasuredAt: at, KG: 70}), "a.csv", 4, time.Hour),
		version("v2", clinical.Final, clinical.Vitals{TakenAt: at.Add(time.Hour), Systolic: ptr(400.0), Diastolic: ptr(70.0)}),
	}, noon)
	got := report.HistoryOf(chart, clinical.DefaultPolicy().Plausible)
	var order string
	for _, h := range got {
		order += fmt.Sprintf("%s %d used %v; ", h.SourceID, len(h.Versions), h.Used)
	}
	if order != "v2 1 used false; v1 2 used true; w1 2 used false; S 1 used true; " {
		t.Fatalf("%s", order)
	}
	if got[0].WhyNot == "" {
		t.Error("a pressure that is not believed is not said")
	}
	second := got[1].Versions[1]
	if second.File != "b.csv" || second.Line != 9 || second.Status != clinical.Corrected || !second.RecordedAt.Equal(at.Add(time.Hour)) || !second.Stated {
		t.Errorf("%+v", second)
	}
	if changed := fmt.Sprint(second.Changed); changed != "[{systolic 120 102}]" {
		t.Errorf("what it replaced: %s", changed)
	}
	if got[1].Versions[0].Changed != nil {
		t.Errorf("the first version replaced %v", got[1].Versions[0].Changed)
	}
	if w := got[2]; !w.Removed || w.WhyNot == "" || len(w.Versions[1].Values) != 0 || w.Versions[1].Status != clinical.EnteredInError {
		t.Errorf("a fact taken back: %+v", w)
	}
}
