package alerts

import (
	"cmp"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The recheck rules, in table order: of two with the same due time the one
// higher in the table is shown.
const (
	RFall     = "R-FALL"
	RStopped  = "R-STOPPED"
	RTreated  = "R-TREATED"
	RPositive = "R-POSITIVE"
	RRepeat   = "R-REPEAT"
	RDrug     = "R-DRUG"
	RVolume   = "R-VOLUME"
	RAdmit    = "R-ADMIT"
	RWeekly   = "R-WEEKLY"

	// RAnswer is no demand: it says how answers put demands off.
	RAnswer = "R-ANSWER"
)

var recheckOrder = []string{RFall, RStopped, RTreated, RPositive, RRepeat, RDrug, RVolume, RAdmit, RWeekly}

// States of a recheck.
const (
	Overdue   = "overdue"
	Due       = "due"
	Scheduled = "scheduled"
	NotNeeded = "not_needed"
	Blocked   = "blocked"
)

// Why a recheck cannot be done, or what to do before it, in the order in which it is said.
const (
	InjuryUncleared   = "injury_uncleared"    // stand only when cleared by the provider
	InjuryNoClearance = "injury_no_clearance" // stood since, and nobody cleared it: ask before standing again
	InjuryUnknown     = "injury_unknown"      // check for injury before standing
	FractureCoded     = "fracture_coded"      // with the code after it, see FractureOf: ask before standing
	CannotWalk        = "not_ambulatory"
)

// Instance is one rule's demand for a recheck.
type Instance struct {
	Rule    string
	Trigger time.Time
	Due     time.Time
	// MetFrom is the earliest start of an interpretable set that meets the
	// demand; nil where the demand stands as long as its rule applies.
	MetFrom *time.Time
	Facts   []string
	Drug    string      // of R-DRUG
	Change  string      // of R-DRUG
	Set     *SetFigures // of R-POSITIVE: the latest positive set
	// Answer is the answer that has moved Due; nil where none has (R-ANSWER). Answered
	// counts the answers that could move the demand; AskProvider tells that no further
	// one will.
	Answer      *trends.AnswerFact
	Answered    int
	AskProvider bool
}

// metBy reports whether an interpretable set meets the demand.
func (i Instance) metBy(sets []trends.Set) bool {
	return i.MetFrom != nil && interpretableFrom(sets, *i.MetFrom) != nil
}

// interpretableFrom is the start of the first interpretable set that starts at or
// after t, nil where there is none.
func interpretableFrom(sets []trends.Set, t time.Time) *time.Time {
	for _, set := range sets {
		if set.Interpretable() && !set.StartedAt.Before(t) {
			return &set.StartedAt
		}
	}
	return nil
}

// Recheck is the earliest unmet demand, or none.
type Recheck struct {
	State   string
	DueAt   *time.Time
	Rule    string
	Missing []string // of InjuryUncleared to CannotWalk, in their order
	// Answer is the answer that moved the demand shown, nil where none did; Answered and
	// AskProvider are those of the demand.
	Answer      *trends.AnswerFact
	Answered    int
	AskProvider bool
	Facts       []string
	Drug        string
	Change      string
	Set         *SetFigures
	Open        []Instance // every unmet demand, earliest first, after answers have moved them
}

// routine reports whether the recheck is one that the calendar asks for.
func (r Recheck) routine() bool { return r.Rule == RAdmit || r.Rule == RWeekly }

// situation is one stay at one moment, with what several rules ask of it.
type situation struct {
	trends.Digest
	exposures trends.Exposures
	policy    clinical.Policy
	zone      *time.Location
	at        time.Time
	past      bool // Serial holds no trend: see worsening
}

func (s situation) within(t time.Time, hours float64) bool {
	return trends.InWindow(t, s.at, clinical.Hours(hours))
}

// interpretableSince reports whether an interpretable set starts at or after t.
func (s situation) interpretableSince(t time.Time) bool {
	return interpretableFrom(s.Sets, t) != nil
}

// AtRisk tells whether the stay is one that is screened on admission and weekly.
func AtRisk(d trends.Digest, p clinical.Policy, zone *time.Location, at time.Time) bool {
	return trends.AgeOr65(d.Stay.BirthDate, at, zone) >= p.Recheck.AtRiskAge ||
		len(d.RiskDrugs) > 0 || len(d.Falls) > 0 || len(d.NeurologicCodes()) > 0 || len(d.HistoryCodes()) > 0
}

// instances lists every demand that a rule makes of the stay, met or not.
func (s situation) instances() []Instance {
	once := s.onceInstances()
	if !AtRisk(s.Digest, s.policy, s.zone, s.at) {
		once = slices.DeleteFunc(once, func(i Instance) bool { return i.Rule == RAdmit })
	}
	return slices.Concat(once, s.weekly(), s.standingInstances())
}

// onceInstances are the demands that one event makes and one set meets; R-ADMIT
// among them whether or not the stay is at risk.
func (s situation) onceInstances() []Instance {
	p := s.policy.Recheck
	var out []Instance
	for _, f := range s.Falls {
		out = append(out, after(RFall, f.At, p.FallHours, f.At, f.SourceID))
	}
	for _, set := range s.Sets {
		if set.Meets(trends.CritStopped) {
			out = append(out, after(RStopped, set.StartedAt, p.StoppedHours, set.StartedAt.Add(1), set.Facts...))
		}
	}
	for _, t := range s.Treatments {
		if t.What != "other" && s.positiveBefore(t.At) { // an uncharted kind is not "other"
			out = append(out, after(RTreated, t.At, p.TreatedHours, t.At.Add(clinical.Minutes(p.TreatedMetMinutes)), t.SourceID))
		}
	}
	for _, c := range s.Changes {
		if c.OwesRecheck && c.Up() {
			i := after(RDrug, c.At, p.DrugHours, c.At.Add(clinical.Hours(p.DrugMetHours)), c.Orders...)
			i.Drug, i.Change = c.Drug, c.Change
			out = append(out, i)
		}
	}
	return append(out, after(RAdmit, s.Stay.AdmittedAt, p.AdmitHours, s.Stay.AdmittedAt))
}

// weekly is the regular set of a stay at risk.
func (s situation) weekly() []Instance {
	latest := s.LatestInterpretable()
	if latest == nil || !AtRisk(s.Digest, s.policy, s.zone, s.at) {
		return nil
	}
	due := latest.StartedAt.Add(clinical.Hours(24 * s.policy.Recheck.WeeklyDays))
	return []Instance{standing(RWeekly, latest.StartedAt, due, latest.Facts)}
}

func after(rule string, trigger time.Time, hours float64, metFrom time.Time, facts ...string) Instance {
	return Instance{Rule: rule, Trigger: trigger, Due: trigger.Add(clinical.Hours(hours)), MetFrom: &metFrom, Facts: facts}
}

func standing(rule string, trigger, due time.Time, facts []string) Instance {
	return Instance{Rule: rule, Trigger: trigger, Due: due, Facts: facts}
}

// standingInstances are the demands that are open while their rule applies.
func (s situation) standingInstances() []Instance {
	p := s.policy.Recheck
	var out []Instance
	latest := s.LatestInterpretable()
	if positive := s.LatestPositive(); positive != nil && !s.Serial.Cleared {
		trigger, facts := latest.StartedAt, latest.Facts
		if up, ok := trends.LatestUp(s.Changes); ok && up.At.After(trigger) {
			trigger, facts = up.At, up.Orders
		}
		hours := p.PositiveHours
		if s.stablePositive() {
			hours = p.PositiveStableHours
		}
		facts = trends.Distinct(append(slices.Clone(positive.Facts), facts...))
		i, set := standing(RPositive, trigger, trigger.Add(clinical.Hours(hours)), facts), SetOf(*positive)
		i.Set = &set
		out = append(out, i)
	}
	if set := s.LatestSet(); set != nil && s.mustRepeat(*set) {
		out = append(out, standing(RRepeat, set.StartedAt, set.StartedAt.Add(clinical.Hours(p.RepeatHours)), set.Facts))
	}
	if s.volumeOwed(s.exposures.Net48, s.at) {
		out = append(out, standing(RVolume, s.at, s.at, s.exposures.Net48.Facts))
	}
	return out
}

// volumeOwed is the trigger of R-VOLUME at a moment, for the fluid balance that ends there.
func (s situation) volumeOwed(net trends.Balance, at time.Time) bool {
	p := s.policy.Recheck
	if !net.Usable || !trends.AtMost(*net.NetML, p.VolumeNet48hML) {
		return false
	}
	return !slices.ContainsFunc(s.Sets, func(set trends.Set) bool {
		return set.Interpretable() && trends.InWindow(set.StartedAt, at, clinical.Hours(p.VolumeQuietHours))
	})
}

// worsening is the trend of the drop, worked out anew where the situation is one of
// the past.
func (s situation) worsening() bool {
	if s.past {
		return trends.Worsens(s.Sets, s.policy)
	}
	return s.Serial.Trend == trends.Worsening
}

func (s situation) positiveBefore(t time.Time) bool {
	return slices.ContainsFunc(s.Sets, func(set trends.Set) bool {
		return set.Finding == trends.Positive && set.StartedAt.Before(t)
	})
}

// stablePositive: the last interpretable sets, three by policy, are positive, none of them
// symptom_limited or low_standing_systolic, and the drop is not growing.
func (s situation) stablePositive() bool {
	many := s.policy.Recheck.PositiveStableSets
	var last []trends.Set
	for n := len(s.Sets) - 1; n >= 0 && len(last) < many; n-- {
		if s.Sets[n].Interpretable() {
			last = append(last, s.Sets[n])
		}
	}
	return len(last) == many && !slices.ContainsFunc(last, func(set trends.Set) bool {
		return set.Finding != trends.Positive || set.Meets(trends.CritStopped) || set.Meets(trends.CritLow)
	}) && !s.worsening()
}

// mustRepeat is the trigger of R-REPEAT.
func (s situation) mustRepeat(set trends.Set) bool {
	if set.Finding == trends.SymptomsOnly {
		return true
	}
	if set.Finding != trends.Inconclusive {
		return false
	}
	if len(set.Symptoms) > 0 {
		return true // dizzy, and no pressure that tells
	}
	putInChair := set.Inferred() && set.Kind == trends.LyingToSitting && !set.StoppedEarly
	if putInChair {
		return false
	}
	quiet := clinical.Hours(s.policy.Recheck.RepeatQuietHours)
	return !slices.ContainsFunc(s.Sets, func(other trends.Set) bool {
		told := other.Finding == trends.Positive || other.Finding == trends.Negative
		return told && trends.InWindow(other.StartedAt, set.StartedAt, quiet)
	})
}

// recheck picks the earliest unmet demand.
func (s situation) recheck() Recheck {
	if s.diedAt() != nil {
		return Recheck{State: NotNeeded, Missing: []string{}}
	}
	open := s.open()
	r := Recheck{State: NotNeeded, Missing: s.beforeStanding(), Open: open}
	if len(open) == 0 {
		return r
	}
	first := open[0]
	r.DueAt, r.Rule, r.Facts, r.Drug, r.Change = &first.Due, first.Rule, first.Facts, first.Drug, first.Change
	r.Set, r.Answer, r.Answered, r.AskProvider = first.Set, first.Answer, first.Answered, first.AskProvider
	r.State = stateOf(first.Due, s.at, s.policy.Recheck)
	if s.Stay.NotAmbulatory {
		r.Missing = append(r.Missing, CannotWalk)
	}
	if slices.Contains(r.Missing, InjuryUncleared) || s.Stay.NotAmbulatory {
		r.State = Blocked
	}
	return r
}

// open lists the unmet demands after answers have moved them, earliest first; of those
// due at one moment the one whose rule is higher in the table, then one that was moved.
func (s situation) open() []Instance {
	var open []Instance
	for _, i := range s.instances() {
		if !i.metBy(s.Sets) {
			open = append(open, s.moved(i))
		}
	}
	slices.SortStableFunc(open, func(a, b Instance) int {
		return cmp.Or(a.Due.Compare(b.Due),
			cmp.Compare(slices.Index(recheckOrder, a.Rule), slices.Index(recheckOrder, b.Rule)),
			cmp.Compare(boolInt(a.Answer == nil), boolInt(b.Answer == nil)))
	})
	return open
}

// stateOf is how a demand that is due at a time stands at a moment.
func stateOf(due, at time.Time, p clinical.RecheckPolicy) string {
	switch {
	case due.Before(at):
		return Overdue
	case !due.After(at.Add(clinical.Hours(p.DueWithinHours))):
		return Due
	}
	return Scheduled
}
