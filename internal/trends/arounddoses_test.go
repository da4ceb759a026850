package trends

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"plumbline/internal/clinical"
)

// Fisher's exact two-sided p. The tea-tasting table (Fisher 1935) is 17/35; the others are
// R 4.2.2's fisher.test, frozen with many more in internal/trends/reference.
func TestFishersExactP(t *testing.T) {
	for _, c := range []struct {
		a, n, b, m int
		want       float64
	}{
		{3, 4, 1, 4, 17.0 / 35},
		{4, 4, 0, 4, 2.0 / 70},
		{3, 4, 1, 6, 0.1904761904761905}, // (24+1)/210 + (15)/210: tables 3, 4 and 0
		{0, 3, 0, 5, 1},
		{3, 3, 5, 5, 1},
		{1, 1, 0, 1, 1},
		{0, 2, 5, 8, 4.0 / 9}, // 56 of 252 ways, and 56 more at the other end: as probable is equal
		// R 4.2.2, fisher.test
		{1, 9, 6, 7, 0.008741258741258742},
		{2, 2, 3, 9, 0.1818181818181819},
		{0, 5, 4, 6, 0.06060606060606055},
		{7, 12, 3, 15, 0.05675057208237996},
		{30, 60, 10, 55, 0.0004033176948471304},
	} {
		if got := FisherExact(c.a, c.n, c.b, c.m); !(math.Abs(got-c.want) <= 1e-12) { // a NaN fails too
			t.Errorf("%d of %d and %d of %d: %v, want %v", c.a, c.n, c.b, c.m, got, c.want)
		}
	}
}

// aroundDosesOf writes T-DOSE as "drug positive/sets positive/sets p".
func aroundDosesOf(c *chart) string {
	var out []string
	for _, d := range c.digest().Serial.Doses {
		out = append(out, fmt.Sprintf("%s %d/%d %d/%d %s", d.Drug, d.PositiveAfter, d.SetsAfter, d.PositiveOtherwise, d.SetsOtherwise, show(d.P)))
	}
	return strings.Join(out, "; ")
}

func TestSetsSoonAfterADoseAndTheOthers(t *testing.T) {
	given := func() *chart { return newChart(t).dose("d", "doxazosin", 4, 0) }
	for name, tc := range map[string]struct {
		chart *chart
		want  string
	}{
		"listed without a set":                  {given(), "doxazosin 0/0 0/0 null"},
		"at the dose: not after it":             {given().readings(droppingAt(0, 30)), "doxazosin 0/0 0/0 null"},
		"before the first dose":                 {given().readings(droppingAt(-1, 30)), "doxazosin 0/0 0/0 null"},
		"just after it":                         {given().readings(droppingAt(0.1, 30)), "doxazosin 1/1 0/0 null"},
		"four hours after it":                   {given().readings(droppingAt(4, 30)), "doxazosin 1/1 0/0 null"},
		"later":                                 {given().readings(droppingAt(4.1, 30)), "doxazosin 0/0 1/1 null"},
		"both sides":                            {given().readings(all(droppingAt(2, 30), negativeAt(8), negativeAt(10))), "doxazosin 1/1 0/2 0.3333333333333333"},
		"before the first and after it":         {given().readings(all(droppingAt(-1, 30), droppingAt(1, 30))), "doxazosin 1/1 0/0 null"},
		"one other set is enough":               {given().readings(all(droppingAt(1, 30), droppingAt(3, 30), negativeAt(8))), "doxazosin 2/2 0/1 0.3333333333333333"},
		"at a second dose":                      {given().dose("e", "doxazosin", 4, 24).readings(droppingAt(24, 30)), "doxazosin 0/0 1/1 null"},
		"soon after two doses counts once":      {given().dose("e", "doxazosin", 4, 1).readings(droppingAt(2, 30)), "doxazosin 1/1 0/0 null"},
		"not done":                              {newChart(t).doseAs("d", clinical.NotDone, clinical.Dose{Drug: clinical.Drug{Text: "doxazosin"}, GivenAt: noon}), ""},
		"by a local route":                      {newChart(t).doseAs("d", clinical.Completed, clinical.Dose{Drug: clinical.Drug{Text: "timolol eye drops"}, GivenAt: noon}), ""},
		"a contributing drug":                   {newChart(t).dose("d", "sertraline", 50, 0), ""},
		"inconclusive sets are passed over":     {given().readings("60 lying 140/80 up=2; 63 standing 138/80 up=3"), "doxazosin 0/0 0/0 null"},
		"and those of another kind":             {given().readings("60 sitting 140/80 up=5; 63 standing 100/80 up=3"), "doxazosin 0/0 0/0 null"},
		"by name":                               {given().dose("a", "amlodipine", 5, 0), "amlodipine 0/0 0/0 null; doxazosin 0/0 0/0 null"},
		"given later than the moment asked for": {given().dose("e", "amlodipine", 5, 300), "doxazosin 0/0 0/0 null"},
	} {
		if got := aroundDosesOf(tc.chart); got != tc.want {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

// 2 / C(before + after, before); with 2 and 3 that is 2/10.
func TestTheSmallestPThatSoFewSetsCanGive(t *testing.T) {
	for _, c := range []struct {
		before, after int
		want          float64 // 0: none
	}{{1, 5, 0}, {5, 1, 0}, {2, 2, 1.0 / 3}, {2, 3, 0.2}, {3, 2, 0.2}, {4, 4, 2.0 / 70}} {
		p := smallestRankSumP(c.before, c.after)
		if (p == nil) != (c.want == 0) || p != nil && math.Abs(*p-c.want) > 1e-15 {
			t.Errorf("%d and %d: %s, want %v", c.before, c.after, show(p), c.want)
		}
	}
	// It is the p of two samples that do not overlap, without ties.
	got := HodgesLehmann([]float64{1, 2, 3}, []float64{4, 5, 6, 7})
	if math.Abs(*got.P-*smallestRankSumP(3, 4)) > 1e-12 {
		t.Errorf("p %v, smallest %v", *got.P, *smallestRankSumP(3, 4))
	}
}

// Of a table it is the smallest p of any table with the same margins; of a series that of one
// that only rises, 2/n!, which is 0.083 at four (Gilbert 1987, table A18) and 0.017 at five.
func TestTheSmallestPOfATableAndOfATrend(t *testing.T) {
	for _, c := range [][4]int{{2, 5, 0, 3}, {0, 3, 4, 9}, {1, 1, 0, 1}, {3, 3, 6, 6}, {0, 4, 0, 4}, {2, 0, 1, 3}, {7, 9, 1, 4}} {
		d := AroundDose{PositiveAfter: c[0], SetsAfter: c[1], PositiveOtherwise: c[2], SetsOtherwise: c[3]}
		got := d.PSmallest()
		if c[1] == 0 || c[3] == 0 {
			if got != nil {
				t.Errorf("%v: %s with an empty group", c, show(got))
			}
			continue
		}
		positive, want := c[0]+c[2], 1.0
		for a := max(0, positive-c[3]); a <= min(positive, c[1]); a++ {
			want = min(want, FisherExact(a, c[1], positive-a, c[3]))
		}
		if math.Abs(*got-want) > 1e-12 {
			t.Errorf("%v: %v, want %v", c, *got, want)
		}
	}
	for _, n := range []int{2, 3, 4, 5, 6, 50} {
		rising := make([]float64, n)
		for i := range rising {
			rising[i] = float64(i)
		}
		_, want := MannKendall(rising, rising)
		if got := (Serial{TrendSets: n}).PSmallest(); math.Abs(*got-want) > 1e-12 {
			t.Errorf("%d sets: %v, want %v", n, *got, want)
		}
	}
	for _, n := range []int{0, 1, 51} {
		if got := (Serial{TrendSets: n}).PSmallest(); got != nil {
			t.Errorf("%d sets: %v", n, *got)
		}
	}
}

// "Moved together" may be said where the interval leaves out 0 or p is under the level.
func TestWhenAChangeAndTheDropMovedTogether(t *testing.T) {
	for name, tc := range map[string]struct {
		shift Shift
		want  bool
	}{
		"the interval holds 0":    {Shift{Low: ptr(-1.0), High: ptr(9.0), P: ptr(0.2)}, false},
		"it lies above":           {Shift{Low: ptr(1.0), High: ptr(9.0), P: ptr(0.2)}, true},
		"it lies below":           {Shift{Low: ptr(-9.0), High: ptr(-1.0), P: ptr(0.2)}, true},
		"it begins at 0":          {Shift{Low: ptr(0.0), High: ptr(9.0), P: ptr(0.2)}, false},
		"it ends at 0":            {Shift{Low: ptr(-9.0), High: ptr(0.0), P: ptr(0.2)}, false},
		"no interval, p at 0.1":   {Shift{P: ptr(0.1)}, false},
		"no interval, p under it": {Shift{P: ptr(0.0999)}, true},
		"nothing":                 {Shift{}, false},
	} {
		if got := (Around{Shift: tc.shift}).clear(0.10); got != tc.want {
			t.Errorf("%s: %v", name, got)
		}
	}
	// Four sets on each side that do not overlap: p is 2/70.
	c := newChart(t).order("o", "lisinopril", 10, 1, 50).readings(all(negativeAt(10), negativeAt(20), negativeAt(30), negativeAt(40),
		droppingAt(60, 30), droppingAt(70, 31), droppingAt(80, 32), droppingAt(90, 33)))
	if around := c.digest().Serial.Around; len(around) != 1 || !around[0].Clear {
		t.Errorf("%+v", around)
	}
}
