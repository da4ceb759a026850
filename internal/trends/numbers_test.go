package trends

import (
	"math"
	"testing"
	"time"

	"plumbline/internal/clinical"
)

func TestComparisonsAtTheirThreshold(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name                          string
		x, threshold                  float64
		atLeast, atMost, above, below bool
	}{
		{"above", 21, 20, true, false, true, false},
		{"below", 19, 20, false, true, false, true},
		{"equal", 20, 20, true, true, false, false},
		{"equal within rounding, above", 20 + 1e-9, 20, true, true, false, false},
		{"equal within rounding, below", 20 - 1e-9, 20, true, true, false, false},
		{"no longer within rounding", 20 + 1e-7, 20, true, false, true, false},
		{"nothing", 0, 0, true, true, false, false},
		{"without end", inf, inf, true, true, false, false},
	} {
		if AtLeast(c.x, c.threshold) != c.atLeast || AtMost(c.x, c.threshold) != c.atMost ||
			Above(c.x, c.threshold) != c.above || Below(c.x, c.threshold) != c.below {
			t.Errorf("%s: at least %v, at most %v, above %v, below %v", c.name,
				AtLeast(c.x, c.threshold), AtMost(c.x, c.threshold), Above(c.x, c.threshold), Below(c.x, c.threshold))
		}
	}
	if !near(0, 0) {
		t.Error("0 is not near 0")
	}
}

func TestAnUnknownAgeIsNone(t *testing.T) {
	for _, born := range []string{"", "1950", "1950-05"} {
		if age, known := AgeOn(born, noon, time.UTC); known || age != 0 {
			t.Errorf("%q: %d, %v", born, age, known)
		}
	}
}

// A site may set its own lowest plausible pulse: of a pulse of 0 there is no share.
func TestARiseFromAPulseOfNothingHasNoShare(t *testing.T) {
	c := newChart(t).readings("0 lying 140/80 0 up=5; 3 standing 138/80 90 up=3")
	c.policy.Plausible.PulseMin = 0
	s := c.set()
	wantFigure(t, "rise", s.PulseRise, "90")
	wantFigure(t, "share", s.PulseRisePercent, "null")
	if s.Meets(CritNotable) || !s.Meets(CritPulse) {
		t.Errorf("criteria %v", s.Criteria)
	}
	c = newChart(t).readings("0 lying 140/80 1 up=5; 3 standing 138/80 3 up=3")
	c.policy.Plausible.PulseMin = 0
	wantFigure(t, "share of 1", c.set().PulseRisePercent, "200")
}

// 1.7 and 4.3 min are both 1.3 from 3 min, the second by a rounding error less.
func TestReadingsEquallyNearThreeMinutesWithinRounding(t *testing.T) {
	first, second := 1.7, 4.3
	if math.Abs(second-3) >= math.Abs(first-3) {
		t.Fatal("the readings of this test no longer differ by a rounding error")
	}
	s := setOf(t, "0 lying 140/80 60 up=5; 1 standing 110/80 66 up=1.7; 4 standing 110/80 75 up=4.3")
	wantFigure(t, "ratio", s.PulseRatio, "0.2")
}

func TestATrendAtItsLevelAndWithoutASlope(t *testing.T) {
	rising := newChart(t).readings(all(droppingAt(0, 5), droppingAt(48, 6), droppingAt(96, 7), droppingAt(144, 8)))
	rising.policy.Serial.TrendLevel = 1.0 / 12 // the p of four rising drops: 2 of 24 orders
	if got := rising.digest().Serial.Trend; got != Steady {
		t.Errorf("p at the level: %s", got)
	}
	rising.policy.Serial.TrendLevel = 0.1
	if s := rising.digest().Serial; s.Trend != Worsening || show(s.Slope) != "0.5" {
		t.Errorf("half a mmHg a day: %s, slope %s", s.Trend, show(s.Slope))
	}
	falling := newChart(t).readings(all(droppingAt(0, 8), droppingAt(48, 7), droppingAt(96, 6), droppingAt(144, 5)))
	if s := falling.digest().Serial; s.Trend != Improving || show(s.Slope) != "-0.5" {
		t.Errorf("half a mmHg a day less: %s, slope %s", s.Trend, show(s.Slope))
	}
	// Eight drops of 4 and four of 6 after them: S is 32 of 66 pairs, and the
	// median of their slopes 0.
	var specs []string
	for n := range 12 {
		drop := 4.0
		if n >= 8 {
			drop = 6
		}
		specs = append(specs, droppingAt(float64(12*n), drop))
	}
	if s := newChart(t).readings(all(specs...)).digest().Serial; s.Trend != Steady || show(s.Slope) != "0" || *s.P > 0.05 {
		t.Errorf("a trend without a slope: %s, slope %s, p %s", s.Trend, show(s.Slope), show(s.P))
	}
}

func TestWhatClearsAStay(t *testing.T) {
	positive := droppingAt(0, 30)
	at := func(h float64, upright string) string {
		m := 60 * h
		write := func(v float64) string { return show(ptr(v)) }
		return write(m) + " lying 140/80 up=5 limb=left_arm; " + write(m+1) + " standing 138/80 up=1 limb=left_arm; " + write(m+3) + " " + upright
	}
	for _, c := range []struct {
		name, upright string
		cleared       bool
	}{
		{"standing at 3 min", "standing 138/80 up=3 limb=left_arm", true},
		{"at 3 min on another limb", "standing 138/80 up=3 limb=right_arm", false},
		{"at 3 min without a systolic", "standing -/80 up=3 limb=left_arm", false},
		{"sitting at 3 min", "sitting 138/80 up=3 limb=left_arm", false},
	} {
		ch := newChart(t).readings(all(positive, at(10, c.upright), at(20, c.upright)))
		if s := ch.digest().Serial; s.Cleared != c.cleared {
			t.Errorf("%s: cleared is %v after %d negatives", c.name, s.Cleared, s.NegativesInARow)
		}
	}
	c := newChart(t).readings(all(positive, negativeAt(10), negativeAt(20)))
	c.policy.Serial.ClearNegatives = 3
	if c.digest().Serial.Cleared {
		t.Error("cleared by two of three negatives")
	}
}

func TestTooFewSetsOnEitherSideOfAChange(t *testing.T) {
	sets := func(hours ...float64) []Set {
		var out []Set
		for _, h := range hours {
			out = append(out, Set{StartedAt: hoursOn(h), Kind: LyingToStanding, Finding: Negative, SystolicDrop: ptr(5.0)})
		}
		return out
	}
	changes := []Change{{Drug: "furosemide", Change: Raised, At: noon, Lowering: true}}
	p := clinical.DefaultPolicy()
	for _, c := range []struct {
		sets   []Set
		tooFew bool
	}{
		{sets(-2, -1, 1, 2), false}, {sets(-2, -1, 1), true}, {sets(-1, 1, 2), true},
	} {
		a := SerialOf(c.sets, changes, p).Around[0]
		if a.TooFew != c.tooFew {
			t.Errorf("%d before, %d after: too few is %v", a.SetsBefore, a.SetsAfter, a.TooFew)
		}
	}
	just := sets(-1, 1)
	just[0].StartedAt, just[1].StartedAt = noon.Add(-time.Nanosecond), noon.Add(time.Nanosecond)
	if a := SerialOf(just, changes, p).Around[0]; a.SetsBefore != 1 || a.SetsAfter != 1 {
		t.Errorf("just before and just after: %d and %d", a.SetsBefore, a.SetsAfter)
	}
}
