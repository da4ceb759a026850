package trends

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// Facts of one moment stand by source_id however many there are: a sort of many
// values need not keep the order in which they came.
func TestManyFactsOfOneMomentStandBySourceID(t *testing.T) {
	const many = 60
	hourOf := func(n int) float64 { return float64(-1 - n*7%3) } // three moments, mixed
	c := newChart(t).at(0)
	var orders []string
	for n := range many {
		id := fmt.Sprintf("%02d", n)
		c.body("h"+id, clinical.Lab{LOINC: clinical.Haemoglobin, TakenAt: hoursOn(hourOf(n)), Value: 12})
		c.body("f"+id, clinical.Fall{FellAt: hoursOn(hourOf(n))})
		c.body("w"+id, clinical.Weight{MeasuredAt: hoursOn(15 * hourOf(n)), KG: float64(100 + n)})
		c.body("r"+id, clinical.Restriction{Limb: "left arm", Reason: "fistula", StartedAt: hoursOn(hourOf(n))})
		c.body("a"+id, clinical.Answer{Answer: "declined", AnsweredAt: hoursOn(hourOf(n))})
		c.dose("d"+id, "furosemide", 20, hourOf(n))
		orders = append(orders, fmt.Sprintf("o%s active furosemide 1x1 from=%v", id, hourOf(n)))
	}
	d := c.orders(strings.Join(orders, ";")).digest()

	var want []string
	for moment := -3; moment <= -1; moment++ {
		for n := range many {
			if hourOf(n) == float64(moment) {
				want = append(want, fmt.Sprintf("%02d", n))
			}
		}
	}
	check := func(what string, got []string) {
		t.Helper()
		for n := range got {
			got[n] = got[n][1:]
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v\nwant %v", what, got, want)
		}
	}
	var labs, falls, doses, limbs, answers []string
	for _, h := range d.Haemoglobins {
		labs = append(labs, h.SourceID)
	}
	for _, f := range d.Falls {
		falls = append(falls, f.SourceID)
	}
	for _, r := range d.Restrictions {
		limbs = append(limbs, r.SourceID)
	}
	for _, a := range d.Answers {
		answers = append(answers, a.SourceID)
	}
	for _, g := range d.Given {
		doses = append(doses, g.SourceID)
	}
	check("haemoglobins", labs)
	check("falls", falls)
	check("doses", doses)
	check("restrictions", limbs)
	check("answers", answers)
	check("orders", slices.Clone(d.Ordered[0].Orders))
	wantWords(t, "first and last weight", d.Weight.Facts, "w"+want[0]+", w"+want[many-1])
}
