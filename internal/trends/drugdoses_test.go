package trends

import (
	"fmt"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// dosesIn writes drug doses: name, orders with DDDs, doses given with mg and DDDs.
func dosesIn(list []DrugDose) string {
	var out []string
	for _, d := range list {
		var orders []string
		for _, o := range d.Ordered {
			orders = append(orders, show(o.DailyMG)+"="+show(o.OrderedDDDs()))
		}
		out = append(out, fmt.Sprintf("%s [%s] %d %s %s", d.Name, strings.Join(orders, " "), d.Doses, show(d.MG), show(d.DDDs)))
	}
	return strings.Join(out, "; ")
}

// DDDs: furosemide 40 mg, lisinopril 10 mg, WHO ATC/DDD index 2026-04-25.
func TestDosesByDrug(t *testing.T) {
	noAmount := clinical.Dose{Drug: clinical.Drug{Text: "furosemide"}, GivenAt: hoursOn(-2), DoseUnit: "mg"}
	for name, c := range map[string]struct {
		chart *chart
		want  string
	}{
		"ordered and given": {
			newChart(t).order("o", "furosemide", 40, 2, -50).dose("d", "furosemide", 40, -12).dose("e", "furosemide", 40, -1).at(0),
			"furosemide [80=2] 2 80 2",
		},
		"given without an order, and one older than a day": {
			newChart(t).dose("d", "lisinopril", 5, -1).dose("e", "lisinopril", 10, -24).at(0), "lisinopril [] 1 5 0.5",
		},
		"ordered and not given": {newChart(t).order("o", "lisinopril", 10, 1, -50).at(0), "lisinopril [10=1] 0 null null"},
		"one dose without an amount leaves the sum unknown": {
			newChart(t).dose("d", "furosemide", 40, -3).doseAs("e", clinical.Completed, noAmount).at(0), "furosemide [] 2 null null",
		},
		"two drugs, each with its own order": {
			newChart(t).order("o", "furosemide", 40, 2, -50).order("p", "lisinopril", 10, 1, -50).at(0), "furosemide [80=2] 0 null null; lisinopril [10=1] 0 null null",
		},
		"no DDD":  {newChart(t).dose("d", "sacubitril/valsartan", 100, -1).at(0), "sacubitril/valsartan [] 1 100 null"},
		"by name": {newChart(t).dose("d", "lisinopril", 10, -1).dose("e", "furosemide", 40, -1).at(0), "furosemide [] 1 40 1; lisinopril [] 1 10 1"},
	} {
		d := c.chart.digest()
		if got := dosesIn(DrugDosesAt(d, c.chart.exposures(), c.chart.asOf)); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// A digest holds until the next fact; what was given in the 24 h before grows less meanwhile.
func TestDosesGoOutOfTheDayAsItPasses(t *testing.T) {
	c := newChart(t).dose("d", "furosemide", 40, -20).dose("e", "furosemide", 20, -1).at(0)
	d := c.digest()
	for at, want := range map[float64]string{
		0: "furosemide [] 2 60 1.5", 3.9: "furosemide [] 2 60 1.5", 4: "furosemide [] 1 20 0.5",
	} {
		if got := dosesIn(DrugDosesAt(d, ExposuresAt(d, c.policy, hoursOn(at)), hoursOn(at))); got != want {
			t.Errorf("at hour %v: %s, want %s", at, got, want)
		}
	}
}

func TestTheLastDoseOfEveryDrugByAMoment(t *testing.T) {
	c := newChart(t).dose("a", "furosemide", 40, -30).dose("b", "furosemide", 80, -6).dose("c", "lorazepam", 1, -40).
		doseAs("d", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "lorazepam"}, GivenAt: hoursOn(-1)}).at(0)
	for at, want := range map[float64]string{
		0: "furosemide b lorazepam c", -6: "furosemide b lorazepam c", -6.1: "furosemide a lorazepam c", -31: "lorazepam c", -41: "",
	} {
		var got []string
		for _, g := range LastGivenBy(clinical.ChartAt("S", c.versions, c.asOf), hoursOn(at)) {
			got = append(got, g.Name+" "+g.SourceID)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("by hour %v: %v, want %s", at, got, want)
		}
	}
}

func TestTheSetsBesideAMoment(t *testing.T) {
	d := newChart(t).readings(all(negativeAt(1), negativeAt(5))).at(48).digest()
	if len(d.Sets) != 2 {
		t.Fatalf("%d sets", len(d.Sets))
	}
	for at, want := range map[float64]string{0: "- 0", 1: "- 0", 1.5: "0 1", 5: "0 1", 9: "1 -"} {
		before, after := d.SetsBeside(hoursOn(at))
		place := func(s *Set) string {
			for n := range d.Sets {
				if s != nil && s.StartedAt.Equal(d.Sets[n].StartedAt) {
					return fmt.Sprint(n)
				}
			}
			return "-"
		}
		if got := place(before) + " " + place(after); got != want {
			t.Errorf("beside hour %v: %s, want %s", at, got, want)
		}
	}
}
