package trends

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// dose charts a dose by mouth in mg.
func (c *chart) dose(id, text string, mg, at float64) *chart {
	c.t.Helper()
	return c.add(clinical.Version{SourceID: id, Status: clinical.Completed, Body: clinical.Dose{
		Drug: clinical.Drug{Text: text}, GivenAt: hoursOn(at), Dose: &mg, DoseUnit: "mg",
	}})
}

func (c *chart) doseAs(id string, status clinical.Status, d clinical.Dose) *chart {
	c.t.Helper()
	return c.add(clinical.Version{SourceID: id, Status: status, Body: d})
}

func (c *chart) fluid(id, direction, what string, from, to, ml float64) *chart {
	c.t.Helper()
	return c.body(id, clinical.Fluid{From: hoursOn(from), To: hoursOn(to), Direction: direction, VolumeML: ml, What: what})
}

// at looks at the chart at an hour.
func (c *chart) at(h float64) *chart {
	c.asOf = hoursOn(h)
	return c
}

// DDDs: WHO ATC/DDD index 2026-04-25 (check values, E-1).
func TestTheLoadSumsTheDosesGivenInTheDayBeforeInDDDs(t *testing.T) {
	one := ptr(1.0)
	cases := []struct {
		name    string
		chart   func(*chart) *chart
		load    string
		leftOut string
	}{
		{"furosemide 80 mg", func(c *chart) *chart { return c.dose("d", "furosemide", 80, -1) }, "2", ""},
		{"two drugs", func(c *chart) *chart { return c.dose("d", "furosemide", 80, -1).dose("e", "lisinopril", 40, -2) }, "6", ""},
		{"spironolactone 75 mg by the 37.5 of today", func(c *chart) *chart { return c.dose("d", "spironolactone", 75, -1) }, "2", ""},
		{"just within 24 h", func(c *chart) *chart { return c.dose("d", "furosemide", 80, -23.99) }, "2", ""},
		{"24 h before is outside", func(c *chart) *chart { return c.dose("d", "furosemide", 80, -24) }, "0", ""},
		{"at the moment itself", func(c *chart) *chart { return c.dose("d", "furosemide", 80, 0) }, "2", ""},
		{"not given", func(c *chart) *chart {
			return c.doseAs("d", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "furosemide"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "g"})
		}, "0", ""},
		{"in grams", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "methyldopa"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "g"})
		}, "1", ""},
		{"in micrograms", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "tamsulosin"}, GivenAt: hoursOn(-1), Dose: ptr(400.0), DoseUnit: "mcg"})
		}, "1", ""},
		{"in tablets of a stated strength", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "Furosemide 40 MG Oral Tablet"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "tablet"})
		}, "1", ""},
		{"in tablets of no stated strength", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "Furosemide"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "tablet"})
		}, "null", "furosemide"},
		{"one left out, one counted", func(c *chart) *chart {
			return c.dose("d", "furosemide", 40, -1).dose("e", "sacubitril/valsartan", 100, -1)
		}, "1", "sacubitril/valsartan"},
		{"sacubitril/valsartan has no DDD: null, not 0", func(c *chart) *chart { return c.dose("e", "sacubitril/valsartan", 100, -1) }, "null", "sacubitril/valsartan"},
		{"a route without a DDD", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "lisinopril"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "mg", Route: "iv"})
		}, "null", "lisinopril"},
		{"eye drops count nowhere", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "timolol"}, GivenAt: hoursOn(-1), Dose: one, DoseUnit: "mg", Route: "ophthalmic"})
		}, "0", ""},
		{"under the tongue", func(c *chart) *chart {
			return c.doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "nitroglycerin"}, GivenAt: hoursOn(-1), Dose: ptr(2.5), DoseUnit: "mg", Route: "SL"})
		}, "1", ""},
		{"a contributing drug is not in the load", func(c *chart) *chart { return c.dose("d", "sertraline", 50, -1) }, "0", ""},
		{"orders do not count beside doses", func(c *chart) *chart {
			return c.orders("a active lisinopril 10x1 from=-5").dose("d", "furosemide", 80, -1)
		}, "2", ""},
		{"nor beside an old dose", func(c *chart) *chart {
			return c.orders("a active lisinopril 10x1 from=-5").dose("d", "furosemide", 80, -100)
		}, "0", ""},
	}
	for _, c := range cases {
		e := c.chart(newChart(t)).at(0).exposures()
		wantFigure(t, c.name, e.Load, c.load)
		wantWords(t, c.name+": left out", e.LoadLeftOut, c.leftOut)
		if e.LoadFrom != FromDoses {
			t.Errorf("%s: load from %s", c.name, e.LoadFrom)
		}
	}
}

func TestWithoutDoseRecordsTheLoadIsThatOfTheOrders(t *testing.T) {
	e := newChart(t).orders("a active furosemide 40x2 from=-5; b active lisinopril 10x1 from=-5 prn; c active sertraline 50x1 from=-5; d active amlodipine 5x1 from=-50 to=-1").at(0).exposures()
	wantFigure(t, "load", e.Load, "2")
	if e.LoadFrom != FromOrders || len(e.LoadByGroup) != 1 || e.LoadByGroup["loop diuretic"] != 2 {
		t.Errorf("from %s, by group %v", e.LoadFrom, e.LoadByGroup)
	}
	e = newChart(t).orders("a active furosemide ? from=-5; b active furosemide 40x1 from=-5 route=iv").at(0).exposures()
	wantFigure(t, "load with one amount unknown", e.Load, "1")
	wantWords(t, "left out", e.LoadLeftOut, "furosemide")
	e = newChart(t).at(0).exposures()
	wantFigure(t, "load without orders", e.Load, "0")
}

func TestADrugIsActiveWhileOrderedOrGivenInTheDayBefore(t *testing.T) {
	e := newChart(t).orders("a active furosemide 40x1 from=-5; b active lisinopril 10x1 from=-5 prn; c active digoxin 0.25x1 from=-5; d active amlodipine 5x1 from=-50 to=0").
		dose("g", "lisinopril", 10, -23).dose("h", "metoprolol", 50, -24).dose("i", "furosemide", 40, -1).at(0).exposures()
	var names []string
	for _, a := range e.Active {
		names = append(names, a.Name+" "+strings.Join(a.Facts, "+"))
	}
	wantWords(t, "active", names, "digoxin c, furosemide a+i, lisinopril g")
}

func TestTheFluidBalanceIsProRatedAndUsableFromFourFifthsOn(t *testing.T) {
	type window struct {
		net    string
		hours  float64
		usable bool
	}
	cases := []struct {
		name     string
		chart    func(*chart) *chart
		admitted float64
		w24      window
	}{
		{"nothing charted", func(c *chart) *chart { return c }, -240, window{"null", 0, false}},
		{"both charted all day", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, 0, 1000).fluid("b", "out", "urine", -24, 0, 2000)
		}, -240, window{"-1000", 24, true}},
		{"80 % of the day", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, 0, 1000).fluid("b", "out", "urine", -19.2, 0, 2000)
		}, -240, window{"-1000", 19.2, true}},
		{"under 80 %", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, 0, 1000).fluid("b", "out", "urine", -19.1, 0, 2000)
		}, -240, window{"-1000", 19.1, false}},
		{"intake alone is no balance", func(c *chart) *chart { return c.fluid("a", "in", "oral", -24, 0, 1000) }, -240, window{"1000", 0, false}},
		{"half of an entry lies within", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -36, -12, 1000).fluid("b", "out", "urine", -12, 12, 800)
		}, -240, window{"100", 12, false}},
		{"overlaps are covered once", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, -8, 100).fluid("b", "in", "iv", -16, 0, 200).fluid("e", "in", "iv", -12, -10, 0).fluid("d", "out", "urine", -24, 0, 0)
		}, -240, window{"300", 24, true}},
		{"overlaps and a gap are covered once", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, -14, 100).fluid("b", "in", "iv", -18, -12, 0).fluid("e", "in", "iv", -18, -12, 0).fluid("d", "out", "urine", -24, 0, 0)
		}, -240, window{"100", 12, false}},
		{"charted in no order of time", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -12, 0, 100).fluid("b", "in", "iv", -24, -12, 0).fluid("d", "out", "urine", -24, 0, 0)
		}, -240, window{"100", 24, true}},
		{"a moment counts whole and covers nothing", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -1, -1, 300).fluid("b", "out", "urine", -24, 0, 100)
		}, -240, window{"200", 0, false}},
		{"a moment at the window's early end is outside", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -24, -24, 300).fluid("b", "in", "oral", 0, 0, 50)
		}, -240, window{"50", 0, false}},
		{"cut at admission", func(c *chart) *chart {
			return c.fluid("a", "in", "oral", -12, 0, 600).fluid("b", "out", "urine", -6, 0, 100)
		}, -6, window{"200", 6, true}},
		{"before the window", func(c *chart) *chart { return c.fluid("a", "in", "oral", -30, -24, 600) }, -240, window{"null", 0, false}},
		{"long before the window", func(c *chart) *chart { return c.fluid("a", "in", "oral", -30, -25, 600) }, -240, window{"null", 0, false}},
		{"ahead", func(c *chart) *chart { return c.fluid("a", "in", "oral", 0, 5, 600) }, -240, window{"null", 0, false}},
	}
	for _, c := range cases {
		ch := c.chart(newChart(t)).at(0)
		ch.stay.AdmittedAt = hoursOn(c.admitted)
		// What is charted of the future is known already in these tests.
		for n := range ch.versions {
			ch.versions[n].RecordedAt = hoursOn(-1)
		}
		got := ch.exposures().Net24
		wantFigure(t, c.name, got.NetML, c.w24.net)
		if math.Abs(got.Hours-c.w24.hours) > 1e-9 || got.Usable != c.w24.usable {
			t.Errorf("%s: %v hours, usable %v", c.name, got.Hours, got.Usable)
		}
	}
	e := newChart(t).fluid("a", "in", "oral", -48, 0, 1000).fluid("b", "out", "urine", -48, 0, 3000).at(0).exposures()
	wantFigure(t, "over 48 h", e.Net48.NetML, "-2000")
	wantFigure(t, "over 24 h", e.Net24.NetML, "-1000")
	if e.Net48.Window != 48 || !e.Net48.Usable || strings.Join(e.Net48.Facts, " ") != "a b" {
		t.Errorf("48 h: %+v", e.Net48)
	}
	c := newChart(t).at(-240)
	if b := c.exposures().Net24; b.Window != 0 || b.Usable {
		t.Errorf("at admission: %+v", b)
	}
}

func TestTheWeightChangeIsTheLatestLessTheFirstTwelveHoursApart(t *testing.T) {
	weigh := func(c *chart, id string, at, kg float64) *chart {
		return c.body(id, clinical.Weight{MeasuredAt: hoursOn(at), KG: kg})
	}
	for _, c := range []struct {
		name    string
		weights [][2]float64
		want    string
	}{
		{"none", nil, "null"}, {"one", [][2]float64{{0, 70}}, "null"},
		{"12 h apart", [][2]float64{{0, 70}, {12, 68}}, "-2"},
		{"under 12 h apart", [][2]float64{{0, 70}, {11.9, 68}}, "null"},
		{"the first and the latest", [][2]float64{{30, 69}, {0, 70}, {12, 60}}, "-1"},
	} {
		ch := newChart(t)
		for n, w := range c.weights {
			weigh(ch, fmt.Sprint("w", n), w[0], w[1])
		}
		d := ch.digest()
		got := "null"
		if d.Weight != nil {
			got = show(&d.Weight.KG)
		}
		if got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// what lists a contributor's grounds; "" where there is none.
func what(e Exposures, kind string) string {
	for _, c := range e.Contributors {
		if c.Kind != kind {
			continue
		}
		var out []string
		for _, ev := range c.Evidence {
			out = append(out, ev.What)
		}
		return strings.Join(out, " ")
	}
	return ""
}

// Policy: no published cut-off was found for fluid, weight or haemoglobin.
func TestVolumeContributesFromItsThresholdsOn(t *testing.T) {
	day := func(c *chart, hours, out float64) *chart {
		return c.fluid("i", "in", "oral", -hours, 0, 0).fluid("o", "out", "urine", -hours, 0, out)
	}
	haemoglobin := func(c *chart, id string, at, g float64) *chart {
		return c.body(id, clinical.Lab{TakenAt: hoursOn(at), LOINC: clinical.Haemoglobin, Value: g, Unit: "g/dL"})
	}
	cases := []struct {
		name  string
		chart func(*chart) *chart
		want  string
	}{
		{"-999 mL in 24 h", func(c *chart) *chart { return day(c, 24, 999) }, ""},
		{"-1000 mL in 24 h", func(c *chart) *chart { return day(c, 24, 1000) }, "net_24h"},
		{"-1000 mL, intake not charted", func(c *chart) *chart { return c.fluid("o", "out", "urine", -24, 0, 1000) }, ""},
		{"-1499 mL in 48 h", func(c *chart) *chart { return day(c, 48, 1499) }, ""},
		{"-1500 mL in 48 h", func(c *chart) *chart { return day(c, 48, 1500) }, "net_48h"},
		{"weight -1.9 kg", func(c *chart) *chart {
			return c.body("a", clinical.Weight{MeasuredAt: hoursOn(-24), KG: 71.9}).body("b", clinical.Weight{MeasuredAt: hoursOn(-1), KG: 70})
		}, ""},
		{"weight -2 kg", func(c *chart) *chart {
			return c.body("a", clinical.Weight{MeasuredAt: hoursOn(-24), KG: 72.1}).body("b", clinical.Weight{MeasuredAt: hoursOn(-1), KG: 70.1})
		}, "weight"},
		{"499 mL lost by gut and drain", func(c *chart) *chart {
			return c.fluid("a", "out", "emesis", -2, -2, 199).fluid("b", "out", "stool", -3, -3, 200).fluid("d", "out", "drain", -4, -4, 100)
		}, ""},
		{"500 mL lost by gut and drain", func(c *chart) *chart {
			return c.fluid("a", "out", "emesis", -2, -2, 200).fluid("b", "out", "stool", -3, -3, 200).fluid("d", "out", "drain", -4, -4, 100)
		}, "gut_losses"},
		{"500 mL, a day ago", func(c *chart) *chart { return c.fluid("a", "out", "stool", -24, -24, 500) }, ""},
		{"urine is no gut loss", func(c *chart) *chart { return c.fluid("a", "out", "urine", -2, -2, 600) }, ""},
		{"any blood loss", func(c *chart) *chart { return c.fluid("a", "out", "blood_loss", -47, -47, 5) }, "blood_loss"},
		{"no blood loss", func(c *chart) *chart { return c.fluid("a", "out", "blood_loss", -47, -47, 0) }, ""},
		{"blood loss 48 h ago", func(c *chart) *chart { return c.fluid("a", "out", "blood_loss", -48, -48, 50) }, ""},
		{"haemoglobin down by 1.9", func(c *chart) *chart { return haemoglobin(haemoglobin(c, "a", -20, 12), "b", -2, 10.1) }, ""},
		{"haemoglobin down by 2", func(c *chart) *chart { return haemoglobin(haemoglobin(c, "a", -20, 12.1), "b", -2, 10.1) }, "haemoglobin"},
		{"under the highest earlier one", func(c *chart) *chart {
			return haemoglobin(haemoglobin(haemoglobin(c, "a", -40, 13), "b", -20, 11), "d", -2, 10.9)
		}, "haemoglobin"},
		{"the highest over 48 h ago", func(c *chart) *chart {
			return haemoglobin(haemoglobin(haemoglobin(c, "a", -48, 13), "b", -20, 11), "d", -2, 10.9)
		}, ""},
		{"rising", func(c *chart) *chart { return haemoglobin(haemoglobin(c, "a", -20, 10), "b", -2, 13) }, ""},
		{"two of one moment", func(c *chart) *chart { return haemoglobin(haemoglobin(c, "a", -2, 13), "b", -2, 10) }, ""},
		{"another value", func(c *chart) *chart {
			return c.body("a", clinical.Lab{TakenAt: hoursOn(-9), LOINC: "2951-2", Value: 140}).body("b", clinical.Lab{TakenAt: hoursOn(-2), LOINC: "2951-2", Value: 130})
		}, ""},
		{"a brisk latest set", func(c *chart) *chart { return c.readings("-60 lying 140/80 70 up=5; -57 standing 120/80 90 up=3") }, "brisk"},
		{"a blunted latest set", func(c *chart) *chart { return c.readings("-60 lying 140/80 70 up=5; -57 standing 120/80 72 up=3") }, ""},
		{"a brisk set before a negative one", func(c *chart) *chart {
			return c.readings("-90 lying 140/80 70 up=5; -87 standing 120/80 90 up=3;" + negativeAt(-1))
		}, ""},
	}
	for _, c := range cases {
		if got := what(c.chart(newChart(t)).at(0).exposures(), ByVolume); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func TestContributorsByCodeAndDrug(t *testing.T) {
	cases := []struct{ code, kind string }{
		{"I50.1", ByHeart}, {"I34.0", ByHeart}, {"I37", ByHeart}, {"I42.0", ByHeart}, {"I44.2", ByHeart}, {"I45.9", ByHeart},
		{"I47.1", ByHeart}, {"I48.91", ByHeart}, {"i49.5", ByHeart},
		{"E10.9", ByEndocrine}, {"E14", ByEndocrine}, {"E03.9", ByEndocrine}, {"E05.0", ByEndocrine}, {"E27.1", ByEndocrine}, {"E27.4", ByEndocrine},
		{"G20", ByNeurologic}, {"G21.1", ByNeurologic}, {"G23.2", ByNeurologic}, {"G90.3", ByNeurologic}, {"G60.9", ByNeurologic}, {"G64", ByNeurologic},
		{"I10", ""}, {"I38", ""}, {"I43.1", ""}, {"I46.9", ""}, {"E15", ""}, {"E27.5", ""}, {"E27", ""}, {"E04.1", ""}, {"G23.1", ""}, {"G22", ""}, {"G65.0", ""},
	}
	for _, c := range cases {
		e := newChart(t).add(clinical.Version{
			SourceID: "c", Status: clinical.Final, RecordedAt: hoursOn(-5), Body: clinical.Condition{ICD10: c.code, Text: "a text"},
		}).at(0).exposures()
		switch {
		case c.kind == "" && len(e.Contributors) > 0:
			t.Errorf("%s: %+v", c.code, e.Contributors)
		case c.kind != "" && (len(e.Contributors) != 1 || what(e, c.kind) != EvCoded || e.Contributors[0].Evidence[0].Figures.(NamesFigures).Names[0] != c.code+" a text"):
			t.Errorf("%s: %+v, want %s", c.code, e.Contributors, c.kind)
		}
	}
	e := newChart(t).orders("a active sertraline 50x1 from=-5; b active midodrine 5x3 from=-5; c active amlodipine 5x1 from=-5").at(0).exposures()
	if len(e.Contributors) != 1 || e.Contributors[0].Kind != ByDrugs || strings.Join(e.Contributors[0].Evidence[0].Figures.(NamesFigures).Names, " ") != "amlodipine sertraline" {
		t.Errorf("drugs: %+v", e.Contributors)
	}
	if e = newChart(t).orders("b active midodrine 5x3 from=-5").at(0).exposures(); len(e.Contributors) != 0 {
		t.Errorf("a pressor contributes: %+v", e.Contributors)
	}
	e = newChart(t).readings("-60 lying 140/80 70 up=5; -57 standing 120/80 72 up=3").at(0).exposures()
	if what(e, ByNeurologic) != EvBlunted {
		t.Errorf("a blunted set: %+v", e.Contributors)
	}
}

func TestCodesThatPutAStayAtRisk(t *testing.T) {
	for code, want := range map[string]bool{
		"R29.6": true, "Z91.81": true, "R55": true, "I95.1": true, "I95.2": true, "I95.9": false, "Z91.89": false, "G20": false,
	} {
		d := newChart(t).add(clinical.Version{SourceID: "c", Status: clinical.Final, RecordedAt: noon, Body: clinical.Condition{ICD10: code}}).digest()
		if got := len(d.HistoryCodes()) == 1; got != want {
			t.Errorf("%s is a history: %v", code, got)
		}
		if got := len(d.NeurologicCodes()) == 1; got != (code == "G20") {
			t.Errorf("%s is neurologic: %v", code, got)
		}
	}
}

func TestTheDigestKeepsTheLastDosesAndThePeaks(t *testing.T) {
	drop := func(h float64) string { return droppingAt(h, 30) }
	d := newChart(t).readings(all(drop(0), drop(24), negativeAt(48))).
		dose("a", "doxazosin", 4, -1).dose("b", "doxazosin", 4, 20).         // 1 h and 4 h before a positive set
		dose("c", "lisinopril", 10, -0.9).dose("e", "lisinopril", 10, 19.9). // just outside both
		dose("f", "sertraline", 50, -2).dose("g", "lisinopril", 10, 47).dose("h", "lisinopril", 10, 48.1).digest()
	if len(d.Peaks) != 1 || d.Peaks[0].Drug != "doxazosin" || d.Peaks[0].Sets != 2 || !has(d.Peaks[0].Facts, "a") || !has(d.Peaks[0].Facts, "b") {
		t.Errorf("peaks: %+v", d.Peaks)
	}
	if len(d.LastDoses) != 2 || d.LastDoses[0] != (LastDose{"doxazosin", hoursOn(20)}) || d.LastDoses[1] != (LastDose{"lisinopril", hoursOn(47)}) {
		t.Errorf("last doses before the latest set: %+v", d.LastDoses)
	}
	// Two doses before one set are one set.
	d = newChart(t).readings(drop(0)).dose("a", "doxazosin", 4, -1).dose("b", "doxazosin", 4, -2).digest()
	if len(d.Peaks) != 1 || d.Peaks[0].Sets != 1 {
		t.Errorf("two doses, one set: %+v", d.Peaks)
	}
	// Without a set the last doses are those before the moment asked.
	d = newChart(t).dose("a", "doxazosin", 4, 5).at(5).digest()
	if len(d.LastDoses) != 1 || len(d.Given) != 1 {
		t.Errorf("without a set: %+v, given %+v", d.LastDoses, d.Given)
	}
}

func TestDrugsThatNobodyKnowsAreListedAsCharted(t *testing.T) {
	c := newChart(t).orders("a active Herbal_tea 1x1 from=0; b active furosemide 40x1 from=0; c cancelled Sugar 1x1 from=0; d active Vitamin_D 1x1 from=0").
		doseAs("e", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "Moon dust "}, GivenAt: hoursOn(1)}).
		doseAs("f", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "Moon dust"}, GivenAt: hoursOn(2)}).
		doseAs("g", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "Later"}, GivenAt: hoursOn(300)})
	c.policy.Drugs.OfNoConcern = []string{"vitamin d"}
	wantWords(t, "unrecognised", c.digest().Unrecognised, "Herbal tea, Moon dust")
}

func TestDrugsOfTheStayThatPutItAtRisk(t *testing.T) {
	d := newChart(t).orders("a active furosemide 40x1 from=-100 to=-90; b active lisinopril 10x1 from=0 prn; c active timolol ? from=0 route=ophthalmic; d active midodrine 5x3 from=0; e active sertraline 50x1 from=0").
		dose("f", "lisinopril", 10, -90).dose("g", "sertraline", 50, 1).digest()
	wantWords(t, "risk drugs", d.RiskDrugs, "a, d, f")
}

func TestTheDigestGathersWhatHasHappened(t *testing.T) {
	ended := hoursOn(5)
	c := newChart(t).
		body("f2", clinical.Fall{FellAt: hoursOn(2), Injury: "minor"}).body("f1", clinical.Fall{FellAt: hoursOn(1)}).
		body("f0", clinical.Fall{FellAt: hoursOn(2)}).
		body("t", clinical.Treatment{GivenAt: hoursOn(3), What: "fluid bolus"}).
		body("p", clinical.Precaution{Precaution: "bed alarm", StartedAt: hoursOn(1), EndedAt: &ended}).
		add(clinical.Version{SourceID: "ahead", Status: clinical.Final, RecordedAt: noon, Body: clinical.Fall{FellAt: hoursOn(999)}})
	d := c.digest()
	var falls []string
	for _, f := range d.Falls {
		falls = append(falls, f.SourceID)
	}
	wantWords(t, "falls", falls, "f1, f0, f2")
	if len(d.Treatments) != 1 || d.Treatments[0].What != "fluid bolus" || len(d.Precautions) != 1 {
		t.Errorf("treatments %+v, precautions %+v", d.Treatments, d.Precautions)
	}
	for h, want := range map[float64]bool{0.9: false, 1: true, 4.9: true, 5: false} {
		if got := d.Precautions[0].InPlace(hoursOn(h)); got != want {
			t.Errorf("in place at hour %v: %v", h, got)
		}
	}
	if d.LatestSet() != nil || d.LatestInterpretable() != nil || d.LatestPositive() != nil {
		t.Error("a stay without sets has a latest one")
	}
	d = newChart(t).readings(all(droppingAt(0, 30), negativeAt(5), "600 lying 140/80 up=3; 603 standing 138/80 up=3")).digest()
	got := []time.Time{d.LatestPositive().StartedAt, d.LatestInterpretable().StartedAt, d.LatestSet().StartedAt}
	if !slices.Equal(got, []time.Time{hoursOn(0), hoursOn(5), hoursOn(10)}) {
		t.Errorf("latest positive, interpretable and of all: %v", got)
	}
}

func TestFluidsOfEachShift(t *testing.T) {
	p := clinical.DefaultPolicy()
	bounds := Shifts(hoursOn(-3), hoursOn(10), p.Unit, time.UTC) // 09:00 to 22:00
	var clocks []string
	for _, b := range bounds {
		clocks = append(clocks, b.Format("2 15:04"))
	}
	wantWords(t, "shift starts", clocks, "20 07:00, 20 19:00, 21 07:00")
	p.Unit.NightShift = "late" // refused by the policy's check; here it is left out
	if got := Shifts(hoursOn(-3), hoursOn(10), p.Unit, time.UTC); len(got) != 2 {
		t.Errorf("with one clock: %v", got)
	}

	c := newChart(t).fluid("a", "in", "oral", -5, 7, 1200).fluid("b", "out", "urine", 6, 8, 400).at(10)
	c.stay.AdmittedAt = hoursOn(-2)
	vs := append([]clinical.Version{{Kind: clinical.KindStay, SourceID: "S", StayID: "S", Status: clinical.Final, Body: c.stay}}, c.versions...)
	var out []string
	for _, b := range ShiftBalances(clinical.ChartAt("S", vs, c.asOf), c.policy.Fluid, bounds) {
		out = append(out, fmt.Sprintf("%s to %s %s", b.From.Format("15:04"), b.To.Format("15:04"), show(b.NetML)))
	}
	wantWords(t, "balances", out, "10:00 to 19:00 700, 19:00 to 22:00 -200")
	c.asOf = hoursOn(6)
	if got := ShiftBalances(clinical.ChartAt("S", vs, c.asOf), c.policy.Fluid, bounds); len(got) != 1 || !got[0].To.Equal(c.asOf) {
		t.Errorf("before the second shift: %+v", got)
	}
}

func TestAWordThatWasNotComputedIsNullInJSON(t *testing.T) {
	for w, want := range map[Word]string{"": "null", Classic: `"classic"`} {
		if b, err := w.MarshalJSON(); err != nil || string(b) != want {
			t.Errorf("%q: %s, %v", w, b, err)
		}
	}
}
