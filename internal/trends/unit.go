package trends

import (
	"math"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// Period is a part of the time asked of a unit: from From until To, that moment
// excluded.
type Period struct{ From, To time.Time }

// Holds reports whether a moment lies in the period.
func (p Period) Holds(t time.Time) bool { return !t.Before(p.From) && t.Before(p.To) }

// What the figures of a unit are told by.
const (
	ByMonth = "month" // calendar months of the site's zone
	ByWeek  = "week"  // weeks of the site's zone, from Monday (ISO 8601)
)

// Periods cuts [from, to) at the beginnings of months or weeks in the site's
// zone. The first and the last may be parts of one. None where to is not after
// from.
func Periods(from, to time.Time, by string, zone *time.Location) []Period {
	var out []Period
	for from.Before(to) {
		next := nextStart(from, by, zone)
		if next.After(to) {
			next = to
		}
		out = append(out, Period{from, next})
		from = next
	}
	return out
}

// PeriodAround is the whole month or week in which a moment lies.
func PeriodAround(t time.Time, by string, zone *time.Location) Period {
	y, m, d := t.In(zone).Date()
	from := clinical.DayStart(y, m, 1, zone)
	if by != ByMonth {
		from = clinical.DayStart(y, m, d-(int(t.In(zone).Weekday())+6)%7, zone)
	}
	return Period{from, nextStart(t, by, zone)}
}

// nextStart is the first beginning of a month or week after t.
func nextStart(t time.Time, by string, zone *time.Location) time.Time {
	y, m, d := t.In(zone).Date()
	if by == ByMonth {
		return clinical.DayStart(y, m+1, 1, zone)
	}
	sinceMonday := (int(t.In(zone).Weekday()) + 6) % 7
	return clinical.DayStart(y, m, d-sinceMonday+7, zone)
}

// midnights lists the local midnights in [from, to).
func midnights(from, to time.Time, zone *time.Location) []time.Time {
	var out []time.Time
	y, m, d := from.In(zone).Date()
	for {
		t := clinical.DayStart(y, m, d, zone)
		if !t.Before(to) {
			return out
		}
		if !t.Before(from) {
			out = append(out, t)
		}
		d++
	}
}

// Presence is a time that a stay spent on one unit: from From until To, that
// moment excluded; To is zero while the patient is there.
type Presence struct {
	Unit     string
	From, To time.Time
}

// Holds reports whether the stay was on the unit at t.
func (p Presence) Holds(t time.Time) bool {
	return !t.Before(p.From) && (p.To.IsZero() || t.Before(p.To))
}

// PresencesOf tells on which units a stay was, by what is known now. A transfer
// is a later version of the stay that names another unit, and holds from the
// moment it was recorded; the first version holds from admission. A version with
// status corrected puts right the one before it from its start. Admission and
// discharge are those of the version that counts.
func PresencesOf(c clinical.Chart) []Presence {
	record, ok := stayRecord(c)
	if !ok {
		return nil
	}
	var out []Presence
	for n, v := range sinceLastRetraction(record.History) {
		from := latest(v.RecordedAt, c.Stay.AdmittedAt)
		if n == 0 {
			from = c.Stay.AdmittedAt
		} else if v.Status == clinical.Corrected {
			from = out[len(out)-1].From
		}
		for len(out) > 0 && !out[len(out)-1].From.Before(from) {
			out = out[:len(out)-1] // the versions replaced held for no time
		}
		if len(out) > 0 {
			out[len(out)-1].To = from
		}
		out = append(out, Presence{Unit: v.Body.(clinical.Stay).Unit, From: from})
	}
	return endAt(joinSame(out), c.Stay.DischargedAt, c.AsOf)
}

func stayRecord(c clinical.Chart) (clinical.Record, bool) {
	for _, r := range c.Records {
		if r.Kind == clinical.KindStay && r.SourceID == c.StayID && c.Stay != nil {
			return r, true
		}
	}
	return clinical.Record{}, false
}

// joinSame makes one presence of those that follow each other on one unit.
func joinSame(presences []Presence) []Presence {
	var out []Presence
	for _, p := range presences {
		if len(out) > 0 && out[len(out)-1].Unit == p.Unit {
			out[len(out)-1].To = p.To
			continue
		}
		out = append(out, p)
	}
	return out
}

// endAt ends presences at discharge. A discharge that lies ahead is a plan.
func endAt(presences []Presence, discharged *time.Time, asOf time.Time) []Presence {
	if discharged == nil || discharged.After(asOf) {
		return presences
	}
	var out []Presence
	for _, p := range presences {
		if p.From.Before(*discharged) {
			if p.To.IsZero() || p.To.After(*discharged) {
				p.To = *discharged
			}
			out = append(out, p)
		}
	}
	return out
}

// UnitStay is what the figures of a unit need of one stay.
type UnitStay struct {
	Presences []Presence // on any unit
	Falls     []FallFact
	Sets      []Set
	Systolics []Systolic
	Rechecks  []DueRecheck
	Looks     []PrecautionLook
}

// PrecautionLook is what the rules asked of falls precautions for a stay that was on the unit
// at a moment, by what was known then.
type PrecautionLook struct {
	At      time.Time
	Asked   bool // the rules asked for precautions
	Lacking bool // at least one asked for was not in place
}

// Systolic is a systolic pressure charted in mmHg.
type Systolic struct {
	At    time.Time
	Value float64
}

// SystolicsOf lists the believed systolic pressures of a chart that were charted
// in mmHg. One charted in kPa has no last digit that anybody chose.
func SystolicsOf(c clinical.Chart, p clinical.PlausiblePolicy) []Systolic {
	var out []Systolic
	for _, r := range c.Records {
		v, ok := r.Body.(clinical.Vitals)
		if !ok || v.TakenAt.After(c.AsOf) || v.PressureUnit != "" {
			continue
		}
		if s := Believe(r.SourceID, v, p).Systolic; s != nil {
			out = append(out, Systolic{v.TakenAt, *s})
		}
	}
	return out
}

// UnitPeriod holds the figures of a unit in one period (section 7). Rates are per
// 1,000 patient-days; nil is not computable.
type UnitPeriod struct {
	Period
	PatientDays float64

	Falls      int
	Injuries   map[string]int // falls by injury level as charted, "" where it was not
	WithInjury int            // falls with injury minor, moderate, major or death
	Rate       *float64
	RateLow    *float64 // Garwood, 95 %
	RateHigh   *float64
	U          ControlPoint
	RunRules   []RunRule // completed at this point of the u-chart
	HarmRate   *float64  // falls with injury
	HarmLow    *float64
	HarmHigh   *float64
	HarmU      ControlPoint
	HarmRules  []RunRule

	Sets          int
	Grades        map[string]int // sets by quality
	Positive      int
	PositiveP     ControlPoint // share of sets that are positive
	PositiveRules []RunRule
	CompleteP     ControlPoint // share of sets of quality complete
	CompleteRules []RunRule

	RechecksDue      int
	RechecksInTime   int
	RechecksAnswered int // not met in time, and put off by an answer; met afterwards or not
	P                ControlPoint
	PRunRules        []RunRule

	Digits    [10]int // last digits of the systolic pressures in mmHg
	EndIn0    *float64
	ChiP      *float64 // of ten equally frequent digits
	Measured  int      // pressures that the digits were taken from
	ZeroP     ControlPoint
	ZeroRules []RunRule

	// At LookedAt, the end of the period or now, patients on the unit; of them
	// those for whom precautions were asked for, and those who lacked one.
	LookedAt     time.Time
	Present      int
	Asked        int
	Lacking      int
	LackingP     ControlPoint
	LackingRules []RunRule
}

// PositivePer100 is the number of positive sets among 100, nil without a set.
func (p UnitPeriod) PositivePer100() *float64 {
	if p.Sets == 0 {
		return nil
	}
	return ptr(100 * float64(p.Positive) / float64(p.Sets))
}

// UnitFigures holds the figures of a unit over periods.
type UnitFigures struct {
	Periods     []UnitPeriod
	Falls       []time.Time // in their order
	DaysBetween []int       // calendar days of the site's zone between successive falls
	GCenter     *float64
	GUpper      *float64
	// Since is when the first patient counted came to the unit, which may be before
	// the first period; zero where there was nobody.
	Since time.Time
	// Digits are the last digits of the systolic pressures of all periods together.
	Digits [10]int
	EndIn0 *float64
	ChiP   *float64
}

// UnitTally gathers the figures of one unit, stay by stay.
type UnitTally struct {
	unit    string
	policy  clinical.UnitPolicy
	zone    *time.Location
	now     time.Time
	periods []UnitPeriod
	nights  [][]time.Time
	falls   []time.Time
	since   time.Time
}

// NewUnitTally begins a tally over periods that follow each other. Nothing after
// now is counted: what lies ahead has not happened.
func NewUnitTally(unit string, periods []Period, p clinical.UnitPolicy, zone *time.Location, now time.Time) *UnitTally {
	t := &UnitTally{unit: unit, policy: p, zone: zone, now: now}
	for _, period := range periods {
		until := period.To
		if until.After(now) {
			until = now
		}
		t.periods = append(t.periods, UnitPeriod{Period: period, Injuries: map[string]int{}, Grades: map[string]int{}, LookedAt: until})
		t.nights = append(t.nights, midnights(period.From, until, zone))
	}
	return t
}

// LookMoments are the moments at which precautions are looked at: the end of each
// period that has begun, or now where it has not ended.
func (t *UnitTally) LookMoments() []time.Time {
	var out []time.Time
	for _, p := range t.periods {
		if p.From.Before(t.now) {
			out = append(out, p.LookedAt)
		}
	}
	return out
}

// Add counts a stay.
func (t *UnitTally) Add(s UnitStay) {
	var here []Presence
	for _, p := range s.Presences {
		if p.Unit == t.unit {
			here = append(here, p)
			t.takeSince(p)
		}
	}
	on := func(at time.Time) *UnitPeriod {
		if at.After(t.now) || !slices.ContainsFunc(here, func(p Presence) bool { return p.Holds(at) }) {
			return nil
		}
		return t.periodOf(at)
	}
	for n := range t.periods {
		t.periods[n].PatientDays += t.patientDays(n, here)
	}
	for _, f := range s.Falls {
		if p := on(f.At); p != nil {
			p.Falls++
			p.Injuries[f.Injury]++
			t.falls = append(t.falls, f.At)
		}
	}
	for _, set := range s.Sets {
		if p := on(set.StartedAt); p != nil {
			p.Sets++
			p.Grades[set.Quality]++
			if set.Finding == Positive {
				p.Positive++
			}
		}
	}
	for _, r := range s.Rechecks {
		if p := on(r.DueAt); p != nil {
			p.RechecksDue++
			if r.InTime() {
				p.RechecksInTime++
			} else if r.Answered {
				p.RechecksAnswered++
			}
		}
	}
	for _, v := range s.Systolics {
		if p := on(v.At); p != nil && v.Value == math.Trunc(v.Value) {
			p.Digits[int(v.Value)%10]++
			p.Measured++
		}
	}
	for _, g := range s.Looks {
		t.addLook(g)
	}
}

// takeSince looks at a presence that reaches into the periods.
func (t *UnitTally) takeSince(p Presence) {
	if len(t.periods) == 0 || p.From.After(t.now) || !p.From.Before(t.periods[len(t.periods)-1].To) ||
		!p.To.IsZero() && !p.To.After(t.periods[0].From) {
		return
	}
	if t.since.IsZero() || p.From.Before(t.since) {
		t.since = p.From
	}
}

func (t *UnitTally) addLook(g PrecautionLook) {
	for n := range t.periods {
		p := &t.periods[n]
		if !p.LookedAt.Equal(g.At) || !p.From.Before(t.now) {
			continue
		}
		p.Present++
		if g.Asked {
			p.Asked++
		}
		if g.Lacking {
			p.Lacking++
		}
	}
}

func (t *UnitTally) periodOf(at time.Time) *UnitPeriod {
	for n := range t.periods {
		if t.periods[n].Holds(at) {
			return &t.periods[n]
		}
	}
	return nil
}

// patientDays is the midnight census of the stay in a period, or its hours / 24
// where policy says so.
func (t *UnitTally) patientDays(n int, here []Presence) float64 {
	days := 0.0
	for _, p := range here {
		if t.policy.PatientDays == clinical.ByHours {
			days += overlap(p, t.periods[n].Period, t.now).Hours() / 24
			continue
		}
		for _, night := range t.nights[n] {
			if p.Holds(night) {
				days++
			}
		}
	}
	return days
}

func overlap(p Presence, in Period, now time.Time) time.Duration {
	from, to := latest(p.From, in.From), in.To
	if to.After(now) {
		to = now
	}
	if !p.To.IsZero() && p.To.Before(to) {
		to = p.To
	}
	return max(0, to.Sub(from))
}

// per1000 is the number of patient-days in which rates are told.
const per1000 = 1000

// Figures closes the tally: rates, limits, run rules and days between falls.
func (t *UnitTally) Figures() UnitFigures {
	out := UnitFigures{Periods: t.periods, Since: t.since}
	for n := range t.periods {
		p := &t.periods[n]
		p.takeRates()
		p.EndIn0, _, p.ChiP = DigitPreference(p.Digits)
		for digit, count := range p.Digits {
			out.Digits[digit] += count
		}
	}
	out.EndIn0, _, out.ChiP = DigitPreference(out.Digits)
	drawCharts(t.periods)
	slices.SortFunc(t.falls, time.Time.Compare)
	out.Falls = t.falls
	out.DaysBetween = daysBetween(t.falls, t.zone)
	out.GCenter, out.GUpper = GChart(out.DaysBetween)
	return out
}

// drawCharts puts every figure that has a chart on it: rates on u-charts, shares on
// p-charts.
func drawCharts(periods []UnitPeriod) {
	days := make([]float64, len(periods))
	for n, p := range periods {
		days[n] = p.PatientDays / per1000
	}
	count := func(of func(UnitPeriod) int) []int {
		out := make([]int, len(periods))
		for n, p := range periods {
			out[n] = of(p)
		}
		return out
	}
	draw := func(points []ControlPoint, place func(*UnitPeriod) (*ControlPoint, *[]RunRule)) {
		rules := RunRules(points)
		for n := range periods {
			point, completed := place(&periods[n])
			*point, *completed = points[n], rules[n]
		}
	}
	share := func(some, all func(UnitPeriod) int) []ControlPoint { return PChart(count(some), count(all)) }
	sets := func(p UnitPeriod) int { return p.Sets }
	draw(UChart(count(func(p UnitPeriod) int { return p.Falls }), days),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.U, &p.RunRules })
	draw(UChart(count(func(p UnitPeriod) int { return p.WithInjury }), days),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.HarmU, &p.HarmRules })
	draw(share(func(p UnitPeriod) int { return p.RechecksInTime }, func(p UnitPeriod) int { return p.RechecksDue }),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.P, &p.PRunRules })
	draw(share(func(p UnitPeriod) int { return p.Positive }, sets),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.PositiveP, &p.PositiveRules })
	draw(share(func(p UnitPeriod) int { return p.Grades[Complete] }, sets),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.CompleteP, &p.CompleteRules })
	draw(share(func(p UnitPeriod) int { return p.Digits[0] }, func(p UnitPeriod) int { return p.Measured }),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.ZeroP, &p.ZeroRules })
	draw(share(func(p UnitPeriod) int { return p.Lacking }, func(p UnitPeriod) int { return p.Asked }),
		func(p *UnitPeriod) (*ControlPoint, *[]RunRule) { return &p.LackingP, &p.LackingRules })
}

// InPhases gives the figures with a centre and limits of its own for each phase: from each of the starts on, the
// periods that begin at or after it (a period that a start cuts belongs to the phase before). Run rules do not
// reach over a start. Days between falls keep one centre, for a gap may lie over a start. The figures given
// are not changed.
func (f UnitFigures) InPhases(starts []time.Time) UnitFigures {
	f.Periods = slices.Clone(f.Periods)
	for rest := f.Periods; len(rest) > 0; {
		n := 1
		for n < len(rest) && phaseAt(starts, rest[n].From) == phaseAt(starts, rest[0].From) {
			n++
		}
		drawCharts(rest[:n])
		rest = rest[n:]
	}
	return f
}

// phaseAt counts the starts up to a moment.
func phaseAt(starts []time.Time, at time.Time) (n int) {
	for _, s := range starts {
		if !s.After(at) {
			n++
		}
	}
	return n
}

// takeRates works out the fall rates per 1,000 patient-days with their exact
// intervals (AHRQ toolkit; Garwood 1936). Nil without a patient-day.
func (p *UnitPeriod) takeRates() {
	for level, n := range p.Injuries {
		if level != "" && level != "none" {
			p.WithInjury += n
		}
	}
	if p.PatientDays <= 0 {
		return
	}
	rate := func(n float64) *float64 { return ptr(per1000 * n / p.PatientDays) }
	low, high := PoissonInterval(p.Falls, 0.95)
	p.Rate, p.RateLow, p.RateHigh = rate(float64(p.Falls)), rate(low), rate(high)
	low, high = PoissonInterval(p.WithInjury, 0.95)
	p.HarmRate, p.HarmLow, p.HarmHigh = rate(float64(p.WithInjury)), rate(low), rate(high)
}

// daysBetween counts the calendar days of the site's zone from each fall to the
// next: 0 for two on one day.
func daysBetween(falls []time.Time, zone *time.Location) []int {
	out := []int{}
	for n := 1; n < len(falls); n++ {
		out = append(out, CalendarDays(falls[n-1], falls[n], zone))
	}
	return out
}

// CalendarDays counts the days of the site's calendar from one moment to another.
func CalendarDays(from, to time.Time, zone *time.Location) int {
	return dayNumber(to, zone) - dayNumber(from, zone)
}

// dayNumber counts calendar days, whatever the length of a day.
func dayNumber(t time.Time, zone *time.Location) int {
	y, m, d := t.In(zone).Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / (24 * 60 * 60))
}
