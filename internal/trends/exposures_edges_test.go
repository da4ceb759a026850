package trends

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// A digest is used for moments after its own: what has left a window by then no
// longer counts.
func TestADigestIsAskedAboutLaterMoments(t *testing.T) {
	c := newChart(t).dose("d", "furosemide", 80, -23).
		body("h1", clinical.Lab{LOINC: clinical.Haemoglobin, TakenAt: hoursOn(-47), Value: 14, Unit: "g/dL"}).
		body("h2", clinical.Lab{LOINC: clinical.Haemoglobin, TakenAt: hoursOn(-1), Value: 11, Unit: "g/dL"}).at(0)
	d := c.digest()
	now, later := ExposuresAt(d, c.policy, noon), ExposuresAt(d, c.policy, hoursOn(2))
	wantFigure(t, "load", now.Load, "2")
	wantFigure(t, "load two hours on", later.Load, "0")
	if len(now.Active) != 1 || len(later.Active) != 0 {
		t.Errorf("active: %v, then %v", now.Active, later.Active)
	}
	if what(now, ByVolume) == "" || what(later, ByVolume) != "" {
		t.Errorf("volume: %q, then %q", what(now, ByVolume), what(later, ByVolume))
	}
}

func TestEvidenceIsListedOnceAndInOrder(t *testing.T) {
	c := newChart(t).orders("a active furosemide 40x1 from=-5").dose("a", "furosemide", 40, -1).dose("b", "furosemide", 40, -2).at(0)
	e := c.exposures()
	wantWords(t, "facts of an order and a dose of one name", e.Active[0].Facts, "a, b")
	wantWords(t, "facts of the drugs in play", e.Contributors[0].Facts, "a, b")

	c = newChart(t).dose("d", "valsartan/sacubitril", 100, -2).dose("e", "nosuch furosemide", 0, -1).
		doseAs("f", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "amlodipine"}, GivenAt: hoursOn(-1), Dose: ptr(1.0), DoseUnit: "tablet"}).dose("g", "valsartan/sacubitril", 100, -1).at(0)
	wantWords(t, "left out, each once", c.exposures().LoadLeftOut, "amlodipine, sacubitril/valsartan")
	if e := newChart(t).at(0).exposures(); e.LoadLeftOut == nil {
		t.Error("nothing left out is null, want an empty list")
	}

	e = newChart(t).body("c1", clinical.Condition{ICD10: "I50.9"}).body("c2", clinical.Condition{ICD10: "I48.0", Text: "atrial fibrillation"}).at(0).exposures()
	wantWords(t, "coded", e.Contributors[0].Evidence[0].Figures.(NamesFigures).Names, "I50.9, I48.0 atrial fibrillation")
	wantWords(t, "facts of the codes", e.Contributors[0].Facts, "c1, c2")
}

// dryness writes the grounds of volume with their figures and facts.
func dryness(e Exposures) string {
	for _, c := range e.Contributors {
		if c.Kind == ByVolume {
			out := ""
			for _, ev := range c.Evidence {
				out += fmt.Sprintf("%s %g ", ev.What, reflect.ValueOf(ev.Figures).Field(0).Float())
			}
			return out + fmt.Sprint(c.Facts)
		}
	}
	return ""
}

func TestLossesCountByTheirShareOfTheWindow(t *testing.T) {
	for _, c := range []struct {
		name  string
		chart *chart
		want  string
	}{
		{"half of an emesis in the window", newChart(t).fluid("e", "out", "emesis", -30, -18, 1200), "gut_losses 600 [e]"},
		{"just within 24 h", newChart(t).fluid("e", "out", "stool", -23.5, -23.5, 500), "gut_losses 500 [e]"},
		{"one before the window is no evidence", newChart(t).fluid("o", "out", "emesis", -30, -25, 900).fluid("e", "out", "drain", -3, -2, 500), "gut_losses 500 [e]"},
		{"charted as taken in", newChart(t).fluid("i", "in", "emesis", -3, -2, 900), ""},
		{"half a millilitre of blood", newChart(t).fluid("b", "out", "blood_loss", -2, -1, 0.5), "blood_loss 0.5 [b]"},
		{"half of a bleeding in the window", newChart(t).fluid("b", "out", "blood_loss", -50, -46, 300), "blood_loss 150 [b]"},
		{"a bleeding of nothing and one before the window are no evidence",
			newChart(t).fluid("n", "out", "blood_loss", -2, -1, 0).fluid("o", "out", "blood_loss", -60, -50, 90).fluid("b", "out", "blood_loss", -2, -1, 100), "blood_loss 100 [b]"},
		{"both balances rest on the same facts", newChart(t).fluid("i", "in", "oral", -48, 0, 100).fluid("o", "out", "urine", -48, 0, 4100), "net_24h -2000 net_48h -4000 [i o]"},
	} {
		if got := dryness(c.chart.at(0).exposures()); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	c := newChart(t).fluid("o", "out", "blood_loss", -40, -30, 90).fluid("b", "out", "blood_loss", -2, -1, 100).at(0)
	c.policy.Causes.BleedWindowHours = 24
	if got := dryness(c.exposures()); got != "blood_loss 100 [b]" {
		t.Errorf("a shorter window for bleeding: %s", got)
	}
	c = newChart(t).at(0)
	c.policy.Causes.GutLosses24hML = 0
	if got := dryness(c.exposures()); got != "" {
		t.Errorf("losses from 0 mL on, and none charted: %s", got)
	}
}

func TestABalanceHoldsWhatWasChartedInItsWindow(t *testing.T) {
	entry := func(direction string, from, to float64) FluidEntry {
		return FluidEntry{SourceID: direction, From: hoursOn(from), To: hoursOn(to), Direction: direction, VolumeML: 100, What: "other"}
	}
	p := clinical.DefaultPolicy().Fluid
	d := Digest{Stay: clinical.Stay{AdmittedAt: hoursOn(-20)}, Fluids: []FluidEntry{entry("in", -10, 10), entry("out", -10, 10)}}
	b := d.balance(24*time.Hour, noon, p)
	if b.Hours != 10 || b.Window != 20 {
		t.Errorf("%v of %v hours, want 10 of 20", b.Hours, b.Window)
	}
	d = Digest{Stay: clinical.Stay{AdmittedAt: hoursOn(-0.5)}, Fluids: []FluidEntry{entry("in", -0.5, 0), entry("out", -0.5, 0)}}
	if b := d.balance(24*time.Hour, noon, p); !b.Usable {
		t.Errorf("half an hour after admission, all charted: %+v", b)
	}
	p.CoveragePercent = 0
	d.Fluids = nil
	if b := d.balance(24*time.Hour, noon, p); b.Usable || b.NetML != nil {
		t.Errorf("nothing charted is not usable, however little is asked for: %+v", b)
	}
	if share := entry("in", 1, 1).share(hoursOn(-1), noon); share != 0 {
		t.Errorf("%v of an entry of a moment after the window", share)
	}
}

func TestTheDigestKeepsWhatLaterMomentsNeed(t *testing.T) {
	c := newChart(t).at(0)
	for id, at := range map[string][2]float64{"old": {-50, -49}, "just old": {-49, -48.5}, "just within": {-49, -47.9}, "ahead": {1, 2}} {
		c.add(clinical.Version{SourceID: id, Status: clinical.Final, RecordedAt: hoursOn(-1), Body: clinical.Fluid{From: hoursOn(at[0]), To: hoursOn(at[1]), Direction: "in", VolumeML: 1}})
	}
	for id, at := range map[string]float64{"a": -2, "b": -3, "c": -2, "d": -48, "e": -47.9} {
		c.body(id, clinical.Lab{LOINC: clinical.Haemoglobin, TakenAt: hoursOn(at), Value: 12})
	}
	c.dose("yesterday", "furosemide", 40, -24).dose("today", "furosemide", 40, -23)
	d := c.digest()
	var fluids, labs []string
	for _, f := range d.Fluids {
		fluids = append(fluids, f.SourceID)
	}
	for _, h := range d.Haemoglobins {
		labs = append(labs, h.SourceID)
	}
	slices.Sort(fluids)
	wantWords(t, "fluids", fluids, "ahead, just within")
	wantWords(t, "haemoglobins by time, then source_id", labs, "e, b, a, c")
	if len(d.Given) != 1 || d.Given[0].SourceID != "today" {
		t.Errorf("given %v", d.Given)
	}
}

func TestWeightsOfOneMomentStandBySourceID(t *testing.T) {
	c := newChart(t)
	for id, w := range map[string][2]float64{"a": {-20, 70}, "b": {-20, 80}, "y": {0, 60}, "z": {0, 61}} {
		c.body(id, clinical.Weight{MeasuredAt: hoursOn(w[0]), KG: w[1]})
	}
	w := c.digest().Weight
	if w == nil || w.KG != -9 || w.Facts[0] != "a" || w.Facts[1] != "z" {
		t.Errorf("weight %+v, want -9 by a and z", w)
	}
}

func TestDosesStandByTimeSourceIDAndIngredient(t *testing.T) {
	c := newChart(t).dose("b", "furosemide", 40, -1).dose("a", "metoprolol", 50, -1).dose("z", "amlodipine", 5, -2).
		doseAs("c", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "lisinopril 20 MG / hydrochlorothiazide 12.5 MG tablet"}, GivenAt: hoursOn(-1), Dose: ptr(1.0), DoseUnit: "tablet"}).at(0)
	c.add(clinical.Version{SourceID: "ahead", Status: clinical.Completed, RecordedAt: hoursOn(-1), Body: clinical.Dose{
		Drug: clinical.Drug{Text: "nosuchdrug"}, GivenAt: hoursOn(1), Dose: ptr(40.0), DoseUnit: "mg"}})
	c.add(clinical.Version{SourceID: "ahead too", Status: clinical.Completed, RecordedAt: hoursOn(-1), Body: clinical.Dose{
		Drug: clinical.Drug{Text: "furosemide"}, GivenAt: hoursOn(1), Dose: ptr(40.0), DoseUnit: "mg"}})
	d := c.digest()
	var got []string
	for _, g := range d.Given {
		got = append(got, g.SourceID+" "+g.Name)
	}
	wantWords(t, "given", got, "z amlodipine, a metoprolol, b furosemide, c hydrochlorothiazide, c lisinopril")
	var last []string
	for _, l := range d.LastDoses {
		last = append(last, l.Drug)
	}
	wantWords(t, "last doses", last, "amlodipine, furosemide, hydrochlorothiazide, lisinopril, metoprolol")
	wantWords(t, "unrecognised", d.Unrecognised, "")
	wantWords(t, "drugs that put at risk", d.RiskDrugs, "z, a, b, c")
	wantWords(t, "unrecognised at the moment it is given", c.at(1).digest().Unrecognised, "nosuchdrug")
	wantWords(t, "unrecognised by name", newChart(t).dose("a", "zzz", 1, -2).dose("b", "yyy", 1, -1).digest().Unrecognised, "yyy, zzz")
}

func TestPeaksStandByDrugWithEachFactOnce(t *testing.T) {
	c := newChart(t).readings("0 lying 140/80 id=l up=5; 3 standing 110/80 id=s up=3")
	for n, drug := range []string{"metoprolol", "amlodipine", "lisinopril", "furosemide", "doxazosin"} {
		c.dose(fmt.Sprint("d", n), drug, 5, -2)
	}
	c.dose("again", "amlodipine", 5, -3)
	var got []string
	d := c.digest()
	for _, p := range d.Peaks {
		got = append(got, fmt.Sprint(p.Drug, " ", p.Sets, " ", p.Facts))
	}
	wantWords(t, "peaks", got, "amlodipine 1 [again l s d1], doxazosin 1 [d4 l s], furosemide 1 [d3 l s], lisinopril 1 [d2 l s], metoprolol 1 [d0 l s]")
}

func TestAnOrderThatBeginsWithTheSetHoldsThePulseBack(t *testing.T) {
	s := newChart(t).orders("a active metoprolol 50x1 from=0").readings("0 lying 140/80 60 up=5; 3 standing 110/80 66 up=3").set()
	if s.PulseResponse != Unreliable {
		t.Errorf("response %q", s.PulseResponse)
	}
}

// F-RESPONSE: an order that holds nothing back hides none that does.
func TestOneOfSeveralOrdersHoldsThePulseBack(t *testing.T) {
	for _, first := range []string{"a active amlodipine 5x1 from=-50", "a active metoprolol 25x1 from=-50 prn"} {
		c := newChart(t).orders(first + "; b active metoprolol 50x1 from=-50").readings("0 lying 140/80 60 up=5; 3 standing 110/80 66 up=3")
		if s := c.set(); s.PulseResponse != Unreliable {
			t.Errorf("after %s: response %q", first, s.PulseResponse)
		}
	}
}

// Active drugs stand by name; a name that two codes have (clonidine against migraine
// lowers nothing here), by code. Several times: they come out of a map.
func TestActiveDrugsStandByNameThenCode(t *testing.T) {
	c := newChart(t).orders("a active clonidine 0.1x1 from=-9 atc=N02CX02; b active clonidine 0.1x1 from=-9 atc=C02AC01; d active furosemide 40x1 from=-9; e active amlodipine 5x1 from=-9").at(0)
	for range 20 {
		var got []string
		for _, a := range c.exposures().Active {
			got = append(got, a.Name+" "+a.ATC)
		}
		wantWords(t, "active", got, "amlodipine C08CA01, clonidine C02AC01, clonidine N02CX02, furosemide C03CA01")
	}
}

func TestAnOrderByARouteWithoutADDDHasNone(t *testing.T) {
	for _, o := range newChart(t).orders("a active amlodipine 5x1 from=-9 route=intrathecal").at(0).digest().Ordered {
		if o.DDD != nil {
			t.Errorf("%s by %s has the DDD %v", o.Name, o.Route, *o.DDD)
		}
	}
	if d := newChart(t).at(0).digest(); d.Sets == nil {
		t.Error("without a reading the sets are null, want an empty list")
	}
}

// NetOver48h looks at the whole of the 48 h before its moment (R-VOLUME).
func TestTheBalanceOfTwoDays(t *testing.T) {
	c := newChart(t).fluid("i", "in", "oral", -48, 0, 480).fluid("o", "out", "urine", -48, 0, 960).at(0)
	b := NetOver48h(c.digest(), c.policy.Fluid, noon)
	wantFigure(t, "net", b.NetML, "-480")
	if b.Window != 48 || b.Hours != 48 {
		t.Errorf("%v of %v hours", b.Hours, b.Window)
	}
}
