package feedcheck

import (
	"math"
	"slices"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// Measure is something that feeds bring of a unit, counted by day.
type Measure string

// The measures. Readings to Labs are counts; the others are shares.
const (
	Readings    Measure = "readings"
	Positions   Measure = "positions" // readings with a position, of readings
	Sets        Measure = "sets"
	Orders      Measure = "orders"
	OrderDrugs  Measure = "order_drugs" // orders whose drug is recognised, of orders
	Doses       Measure = "doses"
	DoseDrugs   Measure = "dose_drugs"  // doses whose drug is recognised, of doses
	DoseOrders  Measure = "dose_orders" // doses that found their order, of doses
	Precautions Measure = "precautions"
	Fluids      Measure = "fluids"
	Weights     Measure = "weights"
	Labs        Measure = "labs"
)

// Measures lists the measures in the order in which people look at them.
var Measures = []Measure{
	Readings, Positions, Sets, Orders, OrderDrugs, Doses, DoseDrugs, DoseOrders, Precautions, Fluids, Weights, Labs,
}

// of are what is counted of a measure, and, of a share, of how many.
func (m Measure) of(c records.FactCounts) (n, of int) {
	switch m {
	case Readings:
		return c.Readings, 0
	case Positions:
		return c.Positioned, c.Readings
	case Sets:
		return c.Sets, 0
	case Orders:
		return c.Orders, 0
	case OrderDrugs:
		return c.OrdersKnown, c.Orders
	case Doses:
		return c.Doses, 0
	case DoseDrugs:
		return c.DosesKnown, c.Doses
	case DoseOrders:
		return c.DosesOrdered, c.Doses
	case Precautions:
		return c.Precautions, 0
	case Fluids:
		return c.Fluids, 0
	case Weights:
		return c.Weights, 0
	case Labs:
		return c.Labs, 0
	}
	return 0, 0
}

// IsShare reports whether the measure is a share of something, and not a count.
func (m Measure) IsShare() bool {
	return m == Positions || m == OrderDrugs || m == DoseDrugs || m == DoseOrders
}

// State is how a day of a measure stands to the habit of the unit.
type State string

// The states. A day on which nobody was on the unit, or that is not over and is no share, has
// none: "".
const (
	Usual   State = "usual"
	Lower   State = "lower"
	None    State = "none"    // where there usually is some
	Never   State = "never"   // none in four weeks
	Unknown State = "unknown" // not enough days to say
)

// Fault reports whether the state is one that somebody must look at.
func (s State) Fault() bool { return s == Lower || s == None }

// Told reports whether an administrator has to be told of a measure: of a fault, and where nothing
// of what the rules live by has come for four weeks.
func (h Habit) Told() bool {
	must := h.Measure == Positions || h.Measure == OrderDrugs || h.Measure == DoseDrugs
	return h.State.Fault() || h.State == Never && must
}

// How a day is judged. The figures are this project's choice, without a published source; the
// reasons stand in docs/feeds.md.
const (
	// HabitDays is how many days before it a day is compared with.
	HabitDays = 28
	// minDays is how many of them must tell something.
	minDays = 7
	// spanDays is over how many days, the last of them the day, what is rare is gathered.
	spanDays = 7
	// chance is how seldom mere chance may bring as little.
	chance = 0.001
	// half is what a count, and a small share, must fall to; quarter is by how much a share must fall.
	half, quarter = 0.5, 0.25
	// chiMedian is the median of chi-squared with one degree of freedom: what the squared residuals
	// of days come to that chance alone scatters.
	chiMedian = 0.454936
	// steadyOf is of how many at least a day's share must be to tell how shares spread.
	steadyOf = 5
	// neverOf is of how many at least none must have been to say never.
	neverOf = 30
	// minPatientDays is how long, in days of patients, a unit must have been in use to tell something.
	minPatientDays = 0.5
)

// Day is one day of a unit.
type Day struct {
	Date        time.Time // its first moment in the site's zone
	end         time.Time // that of the next
	PatientDays float64
	Over        bool // for long enough that what is late has come: counts can be judged
	Counts      records.FactCounts
}

// DayState is a day of a measure, judged.
type DayState struct {
	Day
	N, Of int
	// Expected is what the habit would bring: of a count how many, of a share which part (0 to 1).
	// Nil where there is none.
	Expected *float64
	State    State
}

// Value is the figure of the day: a count, or the share; nil where nothing can be said.
func (d DayState) Value(m Measure) *float64 {
	v := float64(d.N)
	switch {
	case m.IsShare() && d.Of == 0, !m.IsShare() && d.PatientDays == 0:
		return nil
	case m.IsShare():
		v /= float64(d.Of)
	}
	return &v
}

// Habit is a measure of a unit over days, judged.
type Habit struct {
	Measure Measure
	Days    []DayState // the oldest first
	State   State      // of the latest day that has one, of the last seven; "" where none has
	Latest  int        // which of the days that is; -1: none
	Since   time.Time  // of a fault: the first moment of the first day of it
}

// Judge judges the days of a measure, which follow each other, the oldest first: each by the
// days before it alone.
func Judge(m Measure, days []Day) Habit {
	j := judging{Measure: m, days: make([]DayState, len(days))}
	j.low, j.part = make([]bool, len(days)), make([]float64, len(days))
	for n, d := range days {
		j.days[n] = DayState{Day: d}
		j.days[n].N, j.days[n].Of = m.of(d.Counts)
	}
	for n := range j.days {
		j.judge(n)
	}
	out := Habit{Measure: m, Days: j.days, Latest: -1}
	for n := len(j.days) - 1; n >= max(0, len(j.days)-spanDays) && out.Latest < 0; n-- {
		if j.days[n].State != "" {
			out.Latest, out.State = n, j.days[n].State
		}
	}
	if out.State.Fault() {
		for n := out.Latest; n >= 0 && (j.low[n] || !j.tells(n)); n-- {
			if j.low[n] {
				out.Since = j.days[n].Date
			}
		}
	}
	return out
}

type judging struct {
	Measure
	days []DayState
	low  []bool    // part of a fault, and no part of the habit
	part []float64 // what the habit expects of a day: a count, or how many of a share
}

// tells reports whether a day says something of the measure.
func (j *judging) tells(n int) bool {
	d := j.days[n]
	if j.IsShare() {
		return d.Of > 0
	}
	return d.Over && d.PatientDays >= minPatientDays
}

// habit lists the days that the habit of a day rests on.
func (j *judging) habit(n int) (out []int) {
	for k := max(0, n-HabitDays); k < n; k++ {
		if j.tells(k) && !j.low[k] {
			out = append(out, k)
		}
	}
	return out
}

func (j *judging) judge(n int) {
	if !j.tells(n) {
		return
	}
	d := &j.days[n]
	if j.never(n) {
		d.State = Never
		return
	}
	habit := j.habit(n)
	if len(habit) < minDays {
		d.State = Unknown
		return
	}
	d.State = Usual
	expected, scatter := j.usual(habit, n)
	d.Expected = &expected
	j.part[n] = expected
	if j.IsShare() {
		j.part[n] *= float64(d.Of)
	}
	from, low := j.lowFrom(n, habit, scatter)
	if !low {
		return
	}
	sum := 0
	for k := from; k <= n; k++ {
		sum += j.days[k].N
		j.low[k] = j.low[k] || k == n || j.fell(k)
	}
	if d.State = Lower; sum == 0 {
		d.State = None
	}
}

// never reports whether there was none in four weeks.
func (j *judging) never(n int) bool {
	tells, of := 0, 0
	for k := max(0, n-HabitDays+1); k <= n; k++ {
		if j.days[k].N > 0 {
			return false
		}
		if j.tells(k) {
			tells++
			of += j.days[k].Of
		}
	}
	return tells > HabitDays/2 && (!j.IsShare() || of >= neverOf)
}

// usual is what the habit expects of a day, of a share as a part and of a count as how many, and
// how many times more than by chance its days scatter, 1 at least.
func (j *judging) usual(habit []int, n int) (expected, scatter float64) {
	var squares []float64 // of standardised residuals
	add := func(off, variance float64) {
		if variance > 0 {
			squares = append(squares, off*off/variance)
		}
	}
	if j.IsShare() {
		k, of := j.counted(habit)
		expected = float64(k) / float64(of)
		for _, k := range habit {
			if d := j.days[k]; d.Of >= steadyOf {
				mean := expected * float64(d.Of)
				add(float64(d.N)-mean, mean*(1-expected))
			}
		}
	} else {
		rates := j.ratesOf(habit)
		expected = rates.of(j.days[n].Day) * j.days[n].PatientDays
		for _, k := range habit {
			mean := rates.of(j.days[k].Day) * j.days[k].PatientDays
			add(float64(j.days[k].N)-mean, mean)
		}
	}
	return expected, max(1, median(squares)/chiMedian)
}

// counted is how much there was on days, of how much.
func (j *judging) counted(days []int) (k, of int) {
	for _, n := range days {
		k, of = k+j.days[n].N, of+j.days[n].Of
	}
	return k, of
}

// rate is how many there were a patient-day.
func (j *judging) rate(n int) float64 { return float64(j.days[n].N) / j.days[n].PatientDays }

// rates are how many a patient-day a habit expects.
type rates struct {
	all     float64
	weekday [7]float64 // infinite where the habit has no such day
}

// of is what is expected of a day: the median of all days, or of those of its weekday where that is
// less.
func (r rates) of(d Day) float64 { return min(r.all, r.weekday[d.Date.Weekday()]) }

func (j *judging) ratesOf(habit []int) (out rates) {
	var all []float64
	var same [7][]float64
	for _, k := range habit {
		day := j.days[k].Date.Weekday()
		all, same[day] = append(all, j.rate(k)), append(same[day], j.rate(k))
	}
	out.all = median(all)
	for day, list := range same {
		if out.weekday[day] = math.Inf(1); len(list) > 0 {
			out.weekday[day] = median(list)
		}
	}
	return out
}

// fell reports whether a day itself lies as far below the habit as a fault does.
func (j *judging) fell(n int) bool {
	d := j.days[n]
	switch {
	case d.Expected == nil:
		return false
	case j.IsShare():
		return farBelow(float64(d.N)/float64(d.Of), *d.Expected)
	}
	return float64(d.N) <= half**d.Expected
}

// farBelow reports whether a share lies a quarter of all, or half of itself, below what is usual.
func farBelow(share, usual float64) bool { return share <= max(half*usual, usual-quarter) }

// lowFrom reports whether a day is low, by itself or with up to six days before it: the shortest
// span that shows it begins with the day from. Such a span falls far, and further than chance takes
// it on a unit whose days scatter so.
func (j *judging) lowFrom(n int, habit []int, scatter float64) (from int, low bool) {
	k, of := j.counted(habit)
	sum, ofSum, wanted := 0, 0, 0.0
	for from = n; from >= 0 && from > n-spanDays; from-- {
		d := j.days[from]
		if d.Expected == nil {
			continue
		}
		sum, ofSum, wanted = sum+d.N, ofSum+d.Of, wanted+j.part[from]
		if j.IsShare() && shareFell(sum, ofSum, k, of, scatter) || !j.IsShare() && countFell(sum, wanted, scatter) {
			return from, true
		}
	}
	return n, false
}

// shareFell reports whether the share k of n is less than that of a habit by far. The exact test is
// that the upper end of its interval of Clopper and Pearson lies below the lower end of the
// habit's; days that scatter more than by chance count as so many fewer.
func shareFell(k, n, habitK, habitN int, scatter float64) bool {
	if !farBelow(float64(k)/float64(n), float64(habitK)/float64(habitN)) {
		return false
	}
	fewer := func(k, n int) (int, int) {
		return int(math.Ceil(float64(k) / scatter)), int(math.Ceil(float64(n) / scatter))
	}
	k, n = fewer(k, n)
	missing, habitN := fewer(habitN-habitK, habitN)
	_, high := trends.BinomialInterval(k, n, 1-2*chance)
	low, _ := trends.BinomialInterval(habitN-missing, habitN, 1-2*chance)
	return high < low
}

// countFell reports whether so many are less than expected by far. The exact test is that the
// upper end of Garwood's interval lies below what is expected; days that scatter count as in
// shareFell.
func countFell(n int, expected, scatter float64) bool {
	if float64(n) > half*expected {
		return false
	}
	_, high := trends.PoissonInterval(int(math.Ceil(float64(n)/scatter)), 1-2*chance)
	return high < expected/scatter
}

// median is the middle of values, or midway between the two in the middle; 0 without any.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	half := len(values) / 2
	if len(values)%2 == 1 {
		return values[half]
	}
	return (values[half-1] + values[half]) / 2
}
