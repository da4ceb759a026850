package trends

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// Where the exact distribution ends, the normal approximation is as good: both are
// worked out for samples with ties of 60 values in all.
func TestTheNormalApproximationIsNearTheExactDistribution(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 7))
	for _, sizes := range [][2]int{{30, 30}, {20, 40}} {
		for _, shift := range []float64{0, 0.5, 2, 5} {
			var before, after []float64
			for range sizes[0] {
				before = append(before, math.Round(8*random.NormFloat64()))
			}
			for range sizes[1] {
				after = append(after, math.Round(8*random.NormFloat64()+shift))
			}
			all := slices.Sorted(slices.Values(slices.Concat(before, after)))
			exact, normal := rankSumP(before, after), normalRankSumP(all, after)
			if math.Abs(exact-normal) > 0.005 {
				t.Errorf("%v, shift %g: exact %g, normal %g", sizes, shift, exact, normal)
			}
		}
	}
	for _, n := range []int{120, 121} { // the last exact one and the first normal one
		var values []float64
		for range n {
			values = append(values, math.Round(30*random.NormFloat64()))
		}
		all := slices.Sorted(slices.Values(values))
		if normal := normalRankSumP(all, values[60:]); (rankSumP(values[:60], values[60:]) == normal) != (n == 121) {
			t.Errorf("%d values: normal %g", n, normal)
		}
	}
	same := make([]float64, 130)
	if p := rankSumP(same[:60], same[60:]); p != 1 {
		t.Errorf("all equal: %g", p)
	}
	one := append(make([]float64, 129), 1)
	if p := rankSumP(one[:65], one[65:]); !(p > 0.3 && p <= 1) {
		t.Errorf("all equal but one: %g", p)
	}
	apart := make([]float64, 130)
	for n := range apart {
		apart[n] = float64(n)
	}
	if p := rankSumP(apart[:65], apart[65:]); p > 1e-20 {
		t.Errorf("wholly apart: %g", p)
	}
}

// R 4.2.2: wilcox.test(after, before, exact = FALSE, correct = TRUE).
func TestTheNormalApproximationAgainstR(t *testing.T) {
	for _, c := range []struct {
		before, after []float64
		want          float64
	}{
		{[]float64{1, 2, 2, 3, 3}, []float64{2, 3, 3, 4, 5, 5}, 0.072368921180783},
		{[]float64{10, 12, 12, 14, 9}, []float64{12, 18, 20, 14, 22, 25}, 0.026676487929358},
		{[]float64{2, 2, 2}, []float64{1, 2, 3}, 1},
		{[]float64{1, 4}, []float64{2, 3}, 1},
		{[]float64{5, 5, 5}, []float64{5, 5, 5, 5}, 1}, // R says NaN: without variance it divides 0 by 0
	} {
		all := slices.Sorted(slices.Values(slices.Concat(c.before, c.after)))
		if got := normalRankSumP(all, c.after); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v and %v: %.15f, want %.15f", c.before, c.after, got, c.want)
		}
	}
}

// A stay of hundreds of sets is answered like any other: this test would not come
// to its end if the cost grew as the exact distributions do.
func TestAStayOfHundredsOfSets(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	vs := []clinical.Version{
		{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: noon, Stated: true, Status: clinical.Final,
			Body: clinical.Stay{PatientID: "P", Unit: "4W", BirthDate: "1946-01-01", AdmittedAt: noon}},
		{Kind: clinical.KindOrder, SourceID: "o", StayID: "S", RecordedAt: hoursOn(40), Stated: true, Status: clinical.Active,
			Body: clinical.Order{Drug: clinical.Drug{Text: "furosemide"}, StartAt: hoursOn(40), Dose: ptr(40.0), DoseUnit: "mg", TimesPerDay: ptr(1.0)}},
	}
	for n := range 300 {
		at := minutesOn(float64(16 * n))
		for m, position := range []clinical.Position{clinical.Lying, clinical.Standing} {
			vs = append(vs, clinical.Version{
				Kind: clinical.KindVitals, SourceID: at.Format("020106 1504") + string(position), StayID: "S", RecordedAt: at, Stated: true, Status: clinical.Final,
				Body: clinical.Vitals{TakenAt: at.Add(time.Duration(m) * time.Minute), Systolic: ptr(140 - float64(m*random.IntN(40))), Diastolic: ptr(70.0), Position: position},
			})
		}
	}
	d := DigestOf(clinical.ChartAt("S", vs, hoursOn(400)), clinical.DefaultPolicy(), time.UTC)
	if len(d.Sets) != 300 || len(d.Serial.Around) != 1 || d.Serial.Around[0].P == nil || d.Serial.Around[0].Low == nil {
		t.Fatalf("%d sets, around %+v", len(d.Sets), d.Serial.Around)
	}
}

// Drops that are equal as charted are ties, in kPa and with decimals too.
func TestDropsThatAreEqualAsChartedAreTies(t *testing.T) {
	c := newChart(t)
	for n, lying := range []float64{16.4, 14.2, 14.0, 16.1} {
		for m, v := range []float64{lying, lying - 3} {
			v = math.Round(v*10) / 10
			c.body(string(rune('a'+2*n+m)), clinical.Vitals{
				TakenAt: hoursOn(float64(24*n) + float64(m)/20), Systolic: ptr(v * clinical.MMHgPerKPa), PressureUnit: "kPa",
				Position: []clinical.Position{clinical.Lying, clinical.Standing}[m],
			})
		}
	}
	stay := clinical.Version{Kind: clinical.KindStay, SourceID: "S", StayID: "S", RecordedAt: c.stay.AdmittedAt, Stated: true, Status: clinical.Final, Body: c.stay}
	s := DigestOf(clinical.ChartAt("S", append([]clinical.Version{stay}, c.versions...), c.asOf), c.policy, time.UTC).Serial
	if s.TrendSets != 4 || *s.Slope != 0 || *s.P != 1 || s.Trend != Steady {
		t.Errorf("%d sets: slope %g, p %g, %s", s.TrendSets, *s.Slope, *s.P, s.Trend)
	}
	if difference(130.1, 110.1) != 20 || difference(120, 141) != -21 {
		t.Errorf("%v %v", difference(130.1, 110.1), difference(120, 141))
	}
}

// Worsens is the trend of SerialOf in one word.
func TestWorsensAgreesWithTheTrend(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	p := clinical.DefaultPolicy()
	seen := map[bool]int{}
	for range 400 {
		var sets []Set
		for n := range 1 + random.IntN(8) {
			drop := float64(random.IntN(12)) + float64(n*random.IntN(5))
			sets = append(sets, Set{StartedAt: hoursOn(float64(8 * (n - n%2*random.IntN(2)))), Kind: LyingToStanding, Finding: Negative, SystolicDrop: &drop})
		}
		want := SerialOf(sets, nil, p).Trend == Worsening
		seen[want]++
		if got := Worsens(sets, p); got != want {
			t.Fatalf("%v, and the trend is %s", got, SerialOf(sets, nil, p).Trend)
		}
	}
	if seen[true] < 20 || seen[false] < 20 {
		t.Errorf("drawn too much alike: %v", seen)
	}
}
