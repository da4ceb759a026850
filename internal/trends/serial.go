package trends

import (
	"maps"
	"math"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Trends of the drop over a stay (T-KENDALL).
const (
	TooFew    = "too_few"
	Worsening = "worsening"
	Improving = "improving"
	Steady    = "steady"
)

// minForTrend is the fewest sets for which a trend is named: at four the
// smallest exact p is 0.083.
const minForTrend = 4

// Serial holds the findings over the sets of a stay (section 4).
type Serial struct {
	Sets            int
	Interpretable   int
	Positive        int
	LastPositiveAt  *time.Time
	NegativesInARow int
	Cleared         bool
	ClearedAt       *time.Time // start of the set that completed the clearing run
	ClearingRun     int        // sets that count towards clearing so far
	// ClearMinutes is for how many minutes a patient stands to be cleared; nil without a
	// positive set.
	ClearMinutes *float64

	Slope     *float64 // mmHg of drop per day
	SlopeLow  *float64
	SlopeHigh *float64
	P         *float64
	Trend     string
	TrendSets int // sets that the trend rests on

	Around []Around
	Doses  []AroundDose // by drug
}

// Around compares the drop before and after a change of a blood-pressure-lowering
// drug (T-AROUND). They moved together; the figures do not say that one caused
// the other.
type Around struct {
	Drug       string
	Change     string
	At         time.Time
	SetsBefore int
	SetsAfter  int
	Shift
	PSmallest *float64 // the smallest p that so few sets can give
	TooFew    bool     // under two sets on a side
	Clear     bool     // the interval leaves out 0, or p is under the level: "moved together" may be said
}

// AroundDose compares, over the sets since the first given dose of a blood-pressure-
// lowering drug, those that start soon after a given dose with the others (T-DOSE).
type AroundDose struct {
	Drug              string
	SetsAfter         int
	PositiveAfter     int
	SetsOtherwise     int
	PositiveOtherwise int
	P                 *float64 // Fisher's exact two-sided one; nil where either has no set
}

// PSmallest is the smallest p that a table of so many sets, so many of them positive, can
// give; nil where P is.
func (d AroundDose) PSmallest() *float64 {
	return smallestFisherP(d.PositiveAfter+d.PositiveOtherwise, d.SetsAfter, d.SetsOtherwise)
}

// PSmallest is the smallest p that so few sets can give of a trend; nil under 2 sets, and
// above 50.
func (s Serial) PSmallest() *float64 { return smallestKendallP(s.TrendSets) }

// SerialOf works out the serial findings of a stay's sets, given in order.
func SerialOf(sets []Set, changes []Change, p clinical.Policy) Serial {
	s, measured := clearingOf(sets, changes, p)
	s.takeTrend(measured, p.Serial)
	s.takeAround(measured, changes, p.Serial)
	return s
}

// ClearingOf is SerialOf without what grows faster than the sets: slope, trend and
// shifts around changes.
func ClearingOf(sets []Set, changes []Change, p clinical.Policy) Serial {
	s, _ := clearingOf(sets, changes, p)
	return s
}

// Worsens reports whether the trend of SerialOf is worsening, without the rest.
func Worsens(sets []Set, p clinical.Policy) bool {
	_, measured := clearingOf(sets, nil, p)
	s := Serial{Trend: TooFew}
	s.takeTrend(measured, p.Serial)
	return s.Trend == Worsening
}

// clearingOf counts and clears, and lists the sets that carry a slope.
func clearingOf(sets []Set, changes []Change, p clinical.Policy) (s Serial, measured []Set) {
	s = Serial{Sets: len(sets), Trend: TooFew, Around: []Around{}, Doses: []AroundDose{}}
	var interpretable []Set
	for _, set := range sets {
		if !set.Interpretable() {
			continue
		}
		interpretable = append(interpretable, set)
		if set.Kind == LyingToStanding && set.SystolicDrop != nil {
			measured = append(measured, set)
		}
		if set.Finding == Positive {
			s.Positive++
			s.LastPositiveAt = ptr(set.StartedAt)
		}
	}
	s.Interpretable = len(interpretable)
	s.takeClearing(interpretable, changes, p)
	return s, measured
}

// series are the drops of sets against days since the first.
func series(sets []Set) (days, drops []float64) {
	for _, set := range sets {
		days = append(days, set.StartedAt.Sub(sets[0].StartedAt).Hours()/24)
		drops = append(drops, *set.SystolicDrop)
	}
	return days, drops
}

// takeTrend is T-SLOPE and T-KENDALL.
func (s *Serial) takeTrend(sets []Set, p clinical.SerialPolicy) {
	s.TrendSets = len(sets)
	if len(sets) < 2 {
		return
	}
	days, drops := series(sets)
	slope := TheilSen(days, drops)
	s.Slope, s.SlopeLow, s.SlopeHigh = slope.Slope, slope.Low, slope.High
	_, pValue := MannKendall(days, drops)
	s.P = &pValue
	if len(sets) < minForTrend {
		return
	}
	s.Trend = Steady
	if s.Slope != nil && Below(pValue, p.TrendLevel) {
		switch {
		case *s.Slope > 0:
			s.Trend = Worsening
		case *s.Slope < 0:
			s.Trend = Improving
		}
	}
}

// LatestUp is the latest start, raise or resumption of a blood-pressure-lowering
// drug; ok is false where there is none.
func LatestUp(changes []Change) (c Change, ok bool) {
	for _, ch := range changes {
		if ch.Lowering && ch.Up() && (!ok || !ch.At.Before(c.At)) {
			c, ok = ch, true
		}
	}
	return c, ok
}

// takeClearing is T-CLEAR.
func (s *Serial) takeClearing(interpretable []Set, changes []Change, p clinical.Policy) {
	first := len(interpretable)
	for first > 0 && interpretable[first-1].Finding == Negative {
		first--
	}
	s.NegativesInARow = len(interpretable) - first
	if s.Positive == 0 {
		return
	}
	minutes, _ := clearMinutes(interpretable, p)
	s.ClearMinutes = &minutes
	run := clearingRun(interpretable, first, changes, p)
	for n, set := range run {
		apart := set.StartedAt.Sub(run[0].StartedAt)
		if !s.Cleared && n+1 >= p.Serial.ClearNegatives && apart >= clinical.Hours(p.Serial.ClearHours) {
			s.Cleared, s.ClearedAt = true, ptr(set.StartedAt)
		}
	}
	s.ClearingRun = len(run)
}

// LongStand is ClearMinutes where a drop came so late that the usual minutes clear nobody;
// nil else.
func (s Serial) LongStand() *float64 {
	if s.ClearMinutes == nil || *s.ClearMinutes <= UsualClearMinutes {
		return nil
	}
	return s.ClearMinutes
}

// UsualClearMinutes is for how many minutes a patient stands to be cleared whose drop did
// not come late: published protocols measure at 1 and 3 min.
const UsualClearMinutes = 3

// clearGrace is how much earlier than asked for a reading may be: clocks are charted to
// the minute.
const clearGrace = 0.5

// clearMinutes is for how many minutes a patient with a positive set stands to be
// cleared: as long as the drop took in the latest set in which it came late on standing
// (late), within the bounds of the policy.
func clearMinutes(interpretable []Set, p clinical.Policy) (minutes float64, late bool) {
	minutes = UsualClearMinutes
	for n := len(interpretable) - 1; n >= 0 && !late && p.Serial.ClearDelayed == clinical.AsLong; n-- {
		if at := lateDrop(interpretable[n], p.Sets); at != nil {
			minutes, late = min(*at, p.Serial.ClearMinutesMost), true
		}
	}
	return max(minutes, p.Sets.ClearingStandFromMinutes), late
}

// lateDrop are the minutes upright of the first standing reading that meets F-SYS or
// F-DIA in a delayed set, nil where there is none.
func lateDrop(set Set, p clinical.SetPolicy) *float64 {
	if set.Timing != Delayed {
		return nil
	}
	for _, u := range set.Upright {
		if u.standing() && (set.meetsSystolic(u, p) || set.meetsDiastolic(u, p)) {
			return u.Minutes
		}
	}
	return nil
}

// clearingRun lists, of the negative sets from first on, those that count towards
// clearing: with a standing reading in time, of a kind that answers the positive
// one, after the latest raise of a drug, and, where the drop came late, with one about as late.
func clearingRun(interpretable []Set, first int, changes []Change, p clinical.Policy) []Set {
	kind := ""
	for _, set := range interpretable {
		if set.Finding == Positive {
			kind = set.Kind
		}
	}
	minutes, late := clearMinutes(interpretable, p)
	stood := func(set Set, low, high float64) bool {
		return slices.ContainsFunc(set.Upright, func(u Upright) bool {
			return u.standing() && u.Counts() && u.minutesBetween(low, high)
		})
	}
	up, _ := LatestUp(changes) // of the zero time, which is before every set, where there is none
	var run []Set
	for _, set := range interpretable[first:] {
		clears := (set.Kind == LyingToStanding || set.Kind == kind) && set.StartedAt.After(up.At) &&
			stood(set, p.Sets.ClearingStandFromMinutes, p.Sets.StandingToMinutes)
		if clears && (!late || stood(set, minutes-clearGrace, math.MaxFloat64)) {
			run = append(run, set)
		}
	}
	return run
}

// takeAround is T-AROUND, for each change of a blood-pressure-lowering drug.
func (s *Serial) takeAround(sets []Set, changes []Change, p clinical.SerialPolicy) {
	var lowering []Change
	for _, c := range changes {
		if c.Lowering {
			lowering = append(lowering, c)
		}
	}
	window := time.Duration(math.Round(p.AroundDays * float64(24*time.Hour)))
	for _, c := range lowering {
		var before, after []float64
		for _, set := range sets {
			gap := set.StartedAt.Sub(c.At)
			if gap == 0 || gap.Abs() > window || parted(set.StartedAt, c.At, lowering) {
				continue
			}
			if gap < 0 {
				before = append(before, *set.SystolicDrop)
			} else {
				after = append(after, *set.SystolicDrop)
			}
		}
		a := Around{
			Drug: c.Drug, Change: c.Change, At: c.At, SetsBefore: len(before), SetsAfter: len(after),
			Shift:     HodgesLehmann(before, after),
			PSmallest: smallestRankSumP(len(before), len(after)),
			TooFew:    len(before) < minForShift || len(after) < minForShift,
		}
		a.Clear = a.clear(p.TrendLevel)
		s.Around = append(s.Around, a)
	}
}

// clear reports whether the drop and the change may be said to have moved together.
func (a Around) clear(level float64) bool {
	apart := a.Low != nil && (*a.Low > 0 || *a.High < 0)
	return apart || a.P != nil && Below(*a.P, level)
}

// takeDoses is T-DOSE, from the given doses in time order.
func (s *Serial) takeDoses(sets []Set, given []Given, effect time.Duration) {
	times := map[string][]time.Time{}
	for _, g := range given {
		if g.Lowering() {
			times[g.Name] = append(times[g.Name], g.At)
		}
	}
	for _, drug := range slices.Sorted(maps.Keys(times)) {
		s.Doses = append(s.Doses, aroundDoses(drug, times[drug], sets, effect))
	}
}

func aroundDoses(drug string, given []time.Time, sets []Set, effect time.Duration) AroundDose {
	out := AroundDose{Drug: drug}
	for _, set := range sets {
		if !set.Interpretable() || set.Kind != LyingToStanding || !set.StartedAt.After(given[0]) {
			continue
		}
		positive := 0
		if set.Finding == Positive {
			positive = 1
		}
		soon := func(t time.Time) bool { return set.StartedAt.After(t) && set.StartedAt.Sub(t) <= effect }
		if slices.ContainsFunc(given, soon) {
			out.SetsAfter++
			out.PositiveAfter += positive
		} else {
			out.SetsOtherwise++
			out.PositiveOtherwise += positive
		}
	}
	if out.SetsAfter > 0 && out.SetsOtherwise > 0 {
		out.P = ptr(FisherExact(out.PositiveAfter, out.SetsAfter, out.PositiveOtherwise, out.SetsOtherwise))
	}
	return out
}

// parted reports whether another change lies strictly between two moments.
func parted(a, b time.Time, changes []Change) bool {
	if b.Before(a) {
		a, b = b, a
	}
	return slices.ContainsFunc(changes, func(c Change) bool { return c.At.After(a) && c.At.Before(b) })
}
