package trends

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/clinical"
)

// known is the chart of the stay at its moment.
func (c *chart) known() clinical.Chart {
	c.t.Helper()
	vs := append([]clinical.Version{{
		Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true,
		Status: clinical.Final, Body: c.stay,
	}}, c.versions...)
	return clinical.ChartAt("S", vs, c.asOf)
}

// lanesOf writes the lanes: drug, then of each dose the hour, "-" where it was not given,
// "?" where it was as-needed, and until which hour a patch is worn.
func lanesOf(c *chart) (out []string) {
	for _, l := range LanesOf(c.known(), c.asOf) {
		s := l.Name
		for _, d := range l.Doses {
			s += fmt.Sprintf(" %g", d.At.Sub(hoursOn(0)).Hours())
			if !d.Given {
				s += "-"
			}
			if d.AsNeeded {
				s += "?"
			}
			if d.Worn != nil {
				s += fmt.Sprintf("..%g", d.Worn.Sub(hoursOn(0)).Hours())
			}
		}
		out = append(out, s)
	}
	return out
}

// patch is a given patch of an order.
func (c *chart) patch(id, drug, order string, at float64) *chart {
	return c.doseAs(id, clinical.Completed, clinical.Dose{
		Drug: clinical.Drug{Text: drug}, GivenAt: hoursOn(at), OrderID: order, Route: "patch",
	})
}

func TestTheLanesHoldEveryDoseRecord(t *testing.T) {
	for name, tc := range map[string]struct {
		chart *chart
		want  []string
	}{
		"nothing": {newChart(t), nil},
		"given and not given, by time": {
			newChart(t).notDone("b", "furosemide", -6).dose("a", "furosemide", 40, -30), []string{"furosemide -30 -6-"},
		},
		"by group, then those that contribute, whatever their names": {
			newChart(t).dose("a", "sertraline", 50, -3).dose("b", "amlodipine", 5, -3).dose("c", "furosemide", 40, -3),
			[]string{"furosemide -3", "amlodipine -3", "sertraline -3"},
		},
		"no drug that does neither":    {newChart(t).dose("a", "midodrine", 5, -3).dose("b", "apixaban", 5, -3), nil},
		"ordered and never charted":    {newChart(t).orders("o active lisinopril 10x1 from=-9"), []string{"lisinopril"}},
		"an order that ended, no dose": {newChart(t).orders("o active lisinopril 10x1 from=-9 to=-2"), nil},
		"each of a combination":        {newChart(t).dose("a", "lisinopril / hydrochlorothiazide", 1, -3), []string{"hydrochlorothiazide -3", "lisinopril -3"}},
		"as-needed by its order": {
			newChart(t).orders("o active lorazepam 1x? from=-9 prn").doseAs("a", clinical.Completed, clinical.Dose{
				Drug: clinical.Drug{Text: "lorazepam"}, GivenAt: hoursOn(-2), OrderID: "o",
			}), []string{"lorazepam -2?"},
		},
		"an eye drop lowers nothing":         {newChart(t).dose("a", "timolol eye drops", 1, -3), nil},
		"a patch until the next one":         {newChart(t).patch("a", "clonidine", "", -50).patch("b", "clonidine", "", -20), []string{"clonidine -50..-20 -20..0"}},
		"a patch until its order ends":       {newChart(t).orders("o active clonidine 0.1x1 from=-60 to=-30 route=patch").patch("a", "clonidine", "o", -50), []string{"clonidine -50..-30"}},
		"a patch for a week at most":         {newChart(t).patch("a", "clonidine", "", -400), []string{"clonidine -400..-232"}},
		"a patch that was not put on":        {newChart(t).doseAs("a", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "clonidine"}, GivenAt: hoursOn(-5), Route: "patch"}), []string{"clonidine -5-"}},
		"one not put on ends none before it": {newChart(t).patch("a", "clonidine", "", -50).doseAs("b", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "clonidine"}, GivenAt: hoursOn(-5), Route: "patch"}), []string{"clonidine -50..0 -5-"}},
	} {
		if diff := cmp.Diff(tc.want, lanesOf(tc.chart.at(0))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestEveryDrugOfTheStayIsListed(t *testing.T) {
	c := newChart(t).at(0).
		orders("a active furosemide 40x1 from=-90; b active paracetamol 1x? from=-80 prn; c active Unheardofine 1x1 from=-70 to=-20; d active timolol_eye_drops 1x2 from=-9").
		orders("e active lisinopril 5x1 from=-60; e on-hold lisinopril 5x1 from=-60 at=-10").
		dose("x", "furosemide", 40, -30).dose("y", "furosemide", 40, -6).notDone("z", "furosemide", -3).dose("w", "ondansetron", 4, -5)
	var got []string
	for _, d := range StayDrugsOf(c.known(), c.asOf) {
		s := fmt.Sprintf("%s given %d not %d", d.Name, d.Given, d.NotDone)
		for _, o := range d.Orders {
			switch {
			case o.Running && o.AsNeeded:
				s += " as needed"
			case o.Running:
				s += " runs"
			case o.Held:
				s += fmt.Sprintf(" held %g", o.Ended.Sub(hoursOn(0)).Hours())
			default:
				s += fmt.Sprintf(" ended %g", o.Ended.Sub(hoursOn(0)).Hours())
			}
		}
		if !d.Known {
			s += " unknown"
		}
		if d.Local {
			s += " local"
		}
		got = append(got, s)
	}
	want := []string{
		"furosemide given 2 not 1 runs", "lisinopril given 0 not 0 held -10", "ondansetron given 1 not 0 unknown", "paracetamol given 0 not 0 as needed unknown",
		"timolol eye drops given 0 not 0 runs local", "Unheardofine given 0 not 0 ended -20 unknown",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("the drugs of the stay (-want +got):\n%s", diff)
	}
}

// Two units of one code stay apart, for nothing is converted; what lies ahead is not told.
func TestLaboratoryValuesStandAsCharted(t *testing.T) {
	c := newChart(t).at(0)
	for n, l := range []clinical.Lab{
		{LOINC: "2160-0", Value: 1.1, Unit: "mg/dL", TakenAt: hoursOn(-50)}, {LOINC: "2823-3", Value: 3.6, Unit: "mmol/L", TakenAt: hoursOn(-2)},
		{LOINC: "2823-3", Value: 4.3, Unit: "mmol/L", TakenAt: hoursOn(-50)}, {LOINC: "2823-3", Value: 4, Unit: "meq/L", TakenAt: hoursOn(-20)},
		{LOINC: "718-7", Value: 9, Unit: "g/dL", TakenAt: hoursOn(-2)}, {LOINC: "2951-2", Value: 138, TakenAt: hoursOn(-2)},
	} {
		c.body(fmt.Sprintf("l%d", n), l)
	}
	var got []string
	for _, course := range LabsOf(c.known(), c.asOf) {
		s := course.LOINC + " " + course.Unit + ":"
		for _, v := range course.Values {
			s += fmt.Sprintf(" %g", v.Value)
		}
		got = append(got, s)
	}
	if want := "2823-3 meq/L: 4|2823-3 mmol/L: 4.3 3.6|2951-2 : 138|2160-0 mg/dL: 1.1"; strings.Join(got, "|") != want {
		t.Errorf("%q, want %q", strings.Join(got, "|"), want)
	}
	if late := LabsOf(c.known(), hoursOn(-10)); len(late) != 3 || len(late[1].Values) != 1 {
		t.Errorf("what was not taken yet is told: %v", late)
	}
}
