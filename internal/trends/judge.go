package trends

import (
	"math"
	"slices"
	"time"

	"plumbline/internal/clinical"
)

// surroundings is what the judgement of a set needs of the rest of the chart.
type surroundings struct {
	policy    clinical.Policy
	zone      *time.Location
	birthDate string
	// restrictions are the limbs that must not be measured, as known at the moment asked.
	restrictions []RestrictionFact
	// pulseUnreliable tells whether a pulse at a moment may be held back: a
	// rate-limiting drug, atrial fibrillation, a pacemaker.
	pulseUnreliable func(at time.Time) bool
}

// judge applies section 3 of the rules to an assembled set.
func judge(raw rawSet, s surroundings) Set {
	set := Set{
		SetID: raw.id, StartedAt: raw.start(), Kind: raw.kind,
		Upright: []Upright{}, Criteria: []string{}, Symptoms: []string{}, QualityNotes: []string{}, Facts: []string{},
	}
	set.Baseline, set.NoBaseline = baselineOf(raw.baseline), noBaseline(raw)
	for n := range raw.upright {
		set.Upright = append(set.Upright, uprightOf(raw, n))
	}
	for _, m := range raw.members() {
		set.Facts = append(set.Facts, m.SourceID)
	}
	set.takeLargest()
	set.Symptoms, set.StoppedEarly = symptomsOf(raw)
	if b := raw.baseline; b != nil && !b.Stopped && len(b.Symptoms) > 0 {
		set.AtRest = inTheirOrder(b.Symptoms)
	}
	set.LyingPressure = lyingPressure(set.Baseline)
	set.Criteria = criteriaOf(set, raw, s)
	set.Finding = findingOf(set, s.policy.Sets)
	set.Timing, set.Sustained = timingOf(set, s.policy.Sets)
	set.PulseRatio, set.PulseResponse = responseOf(set, s)
	set.Quality, set.QualityNotes = qualityOf(set, raw, s.restrictions)
	return set
}

func baselineOf(r *Reading) *Baseline {
	if r == nil {
		return nil
	}
	return &Baseline{
		TakenAt: r.At, Systolic: r.Systolic, Diastolic: r.Diastolic, HeartRate: r.Pulse,
		Position: r.Position, Limb: Word(r.Limb), Minutes: r.Minutes, KPa: r.KPa,
		WhyNone: r.WhyNone,
	}
}

// noBaseline is why a set has no pressure at rest; empty where it has one, or nothing tells.
func noBaseline(raw rawSet) Word {
	if b := raw.baseline; b != nil {
		return b.WhyNone
	}
	for _, r := range slices.Backward(raw.passedOver) {
		if r.WhyNone != "" {
			return r.WhyNone
		}
	}
	return ""
}

func uprightOf(raw rawSet, n int) Upright {
	r := raw.upright[n]
	u := Upright{
		TakenAt: r.At, Position: r.Position, Systolic: r.Systolic, Diastolic: r.Diastolic,
		HeartRate: r.Pulse, Limb: Word(r.Limb), KPa: r.KPa, WhyNone: r.WhyNone,
	}
	u.Minutes, u.MinutesFrom = minutesUpright(raw, n)
	b := raw.baseline
	if b == nil {
		return u
	}
	if b.Systolic != nil && r.Systolic != nil && comparableLimbs(b.Limb, r.Limb) {
		u.SystolicDrop = ptr(difference(*b.Systolic, *r.Systolic))
		if b.Diastolic != nil && r.Diastolic != nil {
			u.DiastolicDrop = ptr(difference(*b.Diastolic, *r.Diastolic))
		}
	}
	if b.Pulse != nil && r.Pulse != nil {
		u.PulseRise = ptr(*r.Pulse - *b.Pulse)
	}
	return u
}

// minutesUpright are the charted minutes in position, else the minutes since
// the last member in a lower position, which overstate the time upright (S-TIME).
func minutesUpright(raw rawSet, n int) (*float64, Word) {
	r := raw.upright[n]
	if r.Minutes != nil {
		return r.Minutes, FromChart
	}
	for k := n - 1; k >= 0; k-- {
		if raw.upright[k].Position.Height() < r.Position.Height() {
			return ptr(r.At.Sub(raw.upright[k].At).Minutes()), FromTimestamps
		}
	}
	if raw.baseline != nil {
		return ptr(r.At.Sub(raw.baseline.At).Minutes()), FromTimestamps
	}
	return nil, ""
}

// comparableLimbs: an arm does not compare with a leg, nor a left with a right;
// an uncharted limb is taken to be the same (S-LIMB).
func comparableLimbs(a, b string) bool {
	return a == "" || b == "" || a == b
}

func (s *Set) takeLargest() {
	var pulse *float64
	for _, u := range s.Upright {
		s.SystolicDrop = larger(s.SystolicDrop, u.SystolicDrop)
		s.DiastolicDrop = larger(s.DiastolicDrop, u.DiastolicDrop)
		pulse = larger(pulse, u.PulseRise)
	}
	s.PulseRise = pulse
	if pulse != nil && *s.Baseline.HeartRate != 0 {
		s.PulseRisePercent = ptr(100 * *pulse / *s.Baseline.HeartRate)
	}
}

// symptomsOf gathers the symptoms charted at the members other than the
// baseline, and at any member with stopped_early (S-SYMPTOMS), each once in the
// order of the list.
func symptomsOf(raw rawSet) (symptoms []string, stopped bool) {
	symptoms = []string{}
	for _, m := range raw.members() {
		stopped = stopped || m.Stopped
		isBaseline := raw.baseline != nil && m.SourceID == raw.baseline.SourceID
		if isBaseline && !m.Stopped {
			continue
		}
		symptoms = append(symptoms, m.Symptoms...)
	}
	return inTheirOrder(symptoms), stopped
}

// inTheirOrder are symptoms each once, in the order of the list.
func inTheirOrder(symptoms []string) []string {
	out := Distinct(symptoms)
	slices.SortFunc(out, func(a, b string) int {
		return slices.Index(clinical.Symptoms, a) - slices.Index(clinical.Symptoms, b)
	})
	return out
}

// lyingPressure grades the pressure of a lying baseline, the higher of the two
// grades that systolic and diastolic give (F-SUPINE).
func lyingPressure(b *Baseline) Word {
	if b == nil || b.Position != clinical.Lying {
		return ""
	}
	grade := func(severe, moderate, mild float64, v *float64) int {
		switch {
		case v == nil:
			return 0
		case AtLeast(*v, severe):
			return 3
		case AtLeast(*v, moderate):
			return 2
		case AtLeast(*v, mild):
			return 1
		}
		return 0
	}
	switch max(grade(180, 160, 140, b.Systolic), grade(110, 100, 90, b.Diastolic)) {
	case 3:
		return SevereSupine
	case 2:
		return ModerateSupine
	case 1:
		return MildSupine
	}
	switch {
	case b.Systolic == nil:
		return "" // a diastolic alone can be high, but not usual
	case IsLowLying(*b.Systolic):
		return LowLying
	}
	return UsualLying
}

// IsLowLying reports whether a lying systolic (mmHg) is under 90: standing tests are
// then usually withheld (F-SUPINE, T-LOW-LYING).
func IsLowLying(systolic float64) bool { return Below(systolic, lowSystolic) }

// LowSystolic is the systolic pressure in mmHg under which a lying one is low, for
// pages that judge it where no server answers.
func LowSystolic() float64 { return lowSystolic }

// SupineHypertension reports whether the lying pressure is in supine
// hypertension of any grade.
func (s Set) SupineHypertension() bool {
	return s.LyingPressure == MildSupine || s.LyingPressure == ModerateSupine || s.LyingPressure == SevereSupine
}

// meetsDrop compares a drop with its threshold: "at least", or "more than" where
// the site reads its protocol so.
func meetsDrop(drop *float64, threshold float64, p clinical.SetPolicy) bool {
	if drop == nil {
		return false
	}
	if p.Comparison == clinical.MoreThan {
		return Above(*drop, threshold)
	}
	return AtLeast(*drop, threshold)
}

func (s Set) thresholds() (systolic, diastolic float64) { return DropsOf(s.Kind) }

// DropsOf are the drops in mmHg of F-SYS and F-DIA for a kind of set, for pages that judge
// where no server answers.
func DropsOf(kind string) (systolic, diastolic float64) {
	if kind == SittingToStanding {
		return seatedSystolicDrop, seatedDiastolicDrop
	}
	return systolicDrop, diastolicDrop
}

// meetsSystolic is F-SYS, meetsDiastolic F-DIA, at one reading.
func (s Set) meetsSystolic(u Upright, p clinical.SetPolicy) bool {
	threshold, _ := s.thresholds()
	return meetsDrop(u.SystolicDrop, threshold, p)
}

func (s Set) meetsDiastolic(u Upright, p clinical.SetPolicy) bool {
	_, threshold := s.thresholds()
	return meetsDrop(u.DiastolicDrop, threshold, p)
}

// meetsLow is F-LOW: a comparable standing systolic under 90 where the baseline
// was at least 90.
func (s Set) meetsLow(u Upright) bool {
	return u.standing() && u.Counts() && Below(*u.Systolic, lowSystolic) && AtLeast(*s.Baseline.Systolic, lowSystolic)
}

// criteriaOf lists every criterion met over the whole set.
func criteriaOf(set Set, raw rawSet, s surroundings) []string {
	p := s.policy.Sets
	out := []string{}
	add := func(met bool, criterion string) {
		if met {
			out = append(out, criterion)
		}
	}
	anyUpright := func(meets func(Upright) bool) bool { return slices.ContainsFunc(set.Upright, meets) }
	add(anyUpright(func(u Upright) bool { return set.meetsSystolic(u, p) }), CritSystolic)
	add(anyUpright(func(u Upright) bool { return set.meetsDiastolic(u, p) }), CritDiastolic)
	add(anyUpright(set.meetsLow), CritLow)
	add(symptomLimited(set, raw), CritStopped)
	if set.PulseRise != nil {
		threshold := pulseRise
		if AgeOr65(s.birthDate, set.StartedAt, s.zone) < youngAge {
			threshold = pulseRiseYoung
		}
		add(AtLeast(*set.PulseRise, threshold), CritPulse)
		add(set.PulseRisePercent != nil && AtLeast(*set.PulseRisePercent, p.PulseRiseNotablePercent), CritNotable)
	}
	add(set.SupineHypertension() && set.SystolicDrop != nil && AtLeast(*set.SystolicDrop, supineDrop), CritSupine)
	return out
}

// symptomLimited is F-STOP: stopped early with a symptom, or a loss of
// consciousness at a member other than the baseline.
func symptomLimited(set Set, raw rawSet) bool {
	if set.StoppedEarly && len(set.Symptoms) > 0 {
		return true
	}
	lost := func(r Reading) bool { return slices.Contains(r.Symptoms, clinical.LossOfConsciousness) }
	return slices.ContainsFunc(raw.upright, lost) || slices.ContainsFunc(raw.others, lost)
}

// findingOf is the finding: the first of positive, inconclusive, symptoms_only
// and negative that applies.
func findingOf(set Set, p clinical.SetPolicy) string {
	for _, c := range []string{CritSystolic, CritDiastolic, CritLow, CritStopped} {
		if set.Meets(c) {
			return Positive
		}
	}
	switch {
	case inconclusive(set, p):
		return Inconclusive
	case len(set.Symptoms) > 0:
		return SymptomsOnly
	}
	return Negative
}

func inconclusive(set Set, p clinical.SetPolicy) bool {
	b := set.Baseline
	if b == nil || b.Systolic == nil || Below(*b.Systolic, lowSystolic) {
		return true
	}
	if b.Minutes != nil && Below(*b.Minutes, restMinutes) {
		return true
	}
	if set.StoppedEarly && len(set.Symptoms) == 0 {
		return true
	}
	return !slices.ContainsFunc(set.Upright, func(u Upright) bool {
		return u.standing() && u.Counts() && u.minutesBetween(p.StandingFromMinutes, p.StandingToMinutes)
	})
}

// timingOf is F-TIME and F-SUSTAIN, from the first reading in time that meets
// F-SYS or F-DIA.
func timingOf(set Set, p clinical.SetPolicy) (timing, sustained Word) {
	meets := func(u Upright) bool { return set.meetsSystolic(u, p) || set.meetsDiastolic(u, p) }
	first := slices.IndexFunc(set.Upright, meets)
	if first < 0 {
		return "", ""
	}
	var later []Upright
	for _, u := range set.Upright[first+1:] {
		if u.Counts() {
			later = append(later, u)
		}
	}
	switch {
	case len(later) == 0:
		sustained = "unknown"
	case slices.ContainsFunc(later, meets):
		sustained = "yes"
	default:
		sustained = "no"
	}
	u := set.Upright[first]
	switch {
	case u.Minutes == nil:
		return "", sustained
	case possiblyInitial(u, later, meets):
		return PossibleInitial, sustained
	case AtMost(*u.Minutes, classicMinutes):
		return Classic, sustained
	}
	return Delayed, sustained
}

// possiblyInitial: a large drop within half a minute, gone at the readings that
// follow within 3.5 minutes. A cuff cannot confirm it.
func possiblyInitial(u Upright, later []Upright, meets func(Upright) bool) bool {
	large := Above(*u.SystolicDrop, initialSystolicDrop) ||
		u.DiastolicDrop != nil && Above(*u.DiastolicDrop, initialDiastolicDrop)
	if !large || !AtMost(*u.Minutes, initialMinutes) {
		return false
	}
	seen := false
	for _, l := range later {
		if l.Minutes == nil || !AtMost(*l.Minutes, classicMinutes) {
			continue
		}
		if meets(l) {
			return false
		}
		seen = true
	}
	return seen
}

// responseOf is F-RESPONSE: the pulse rise per mmHg of systolic drop at the
// standing reading with a pulse that meets F-SYS and is nearest to 3 min.
func responseOf(set Set, s surroundings) (ratio *float64, response Word) {
	if set.Kind != LyingToStanding {
		return nil, ""
	}
	best, bestDistance := -1, math.Inf(1)
	for n, u := range set.Upright {
		if !u.standing() || u.PulseRise == nil || !set.meetsSystolic(u, s.policy.Sets) {
			continue
		}
		distance := math.Inf(1)
		if u.Minutes != nil {
			distance = math.Abs(*u.Minutes - targetMinutes)
		}
		if best < 0 || distance < bestDistance && !near(distance, bestDistance) {
			best, bestDistance = n, distance
		}
	}
	if best < 0 {
		return nil, ""
	}
	u := set.Upright[best]
	ratio = ptr(*u.PulseRise / *u.SystolicDrop)
	switch {
	case s.pulseUnreliable(set.StartedAt):
		return ratio, Unreliable
	case *ratio < 0:
		return ratio, Falling
	case Below(*ratio, bluntedRatio):
		return ratio, Blunted
	}
	return ratio, Brisk
}
