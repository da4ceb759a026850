package alerts

import (
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

// Why a recheck cannot be done, or what to do before it.
const (
	InjuryUncleared = "injury_uncleared" // stand only when cleared by the provider
	InjuryUnknown   = "injury_unknown"   // check for injury before standing
	CannotWalk      = "not_ambulatory"
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
	Drug    string // of R-DRUG
	Change  string // of R-DRUG
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
	Missing []string // of InjuryUncleared, InjuryUnknown, CannotWalk
	Facts   []string
	Drug    string
	Change  string
	Open    []Instance // every unmet demand, earliest first
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
		if f.Injury != "death" {
			out = append(out, after(RFall, f.At, p.FallHours, f.At, f.SourceID))
		}
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
		out = append(out, standing(RPositive, trigger, trigger.Add(clinical.Hours(hours)), facts))
	}
	if set := s.LatestSet(); set != nil && s.mustRepeat(*set) {
		out = append(out, standing(RRepeat, set.StartedAt, set.StartedAt.Add(clinical.Hours(p.RepeatHours)), set.Facts))
	}
	net := s.exposures.Net48
	quiet := latest == nil || !s.within(latest.StartedAt, p.VolumeQuietHours)
	if net.Usable && trends.AtMost(*net.NetML, p.VolumeNet48hML) && quiet {
		out = append(out, standing(RVolume, s.at, s.at, net.Facts))
	}
	return out
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
	putInChair := set.Inferred() && set.Kind == trends.LyingToSitting && !set.StoppedEarly
	if set.Finding != trends.Inconclusive || putInChair {
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
	var open []Instance
	for _, i := range s.instances() {
		if !i.metBy(s.Sets) {
			open = append(open, i)
		}
	}
	slices.SortStableFunc(open, func(a, b Instance) int {
		if c := a.Due.Compare(b.Due); c != 0 {
			return c
		}
		return slices.Index(recheckOrder, a.Rule) - slices.Index(recheckOrder, b.Rule)
	})
	r := Recheck{State: NotNeeded, Missing: []string{}, Open: open}
	if len(open) == 0 {
		return r
	}
	first := open[0]
	r.DueAt, r.Rule, r.Facts, r.Drug, r.Change = &first.Due, first.Rule, first.Facts, first.Drug, first.Change
	r.State = stateOf(first.Due, s.at, s.policy.Recheck)
	r.Missing = s.hindrances()
	if slices.Contains(r.Missing, InjuryUncleared) || slices.Contains(r.Missing, CannotWalk) {
		r.State = Blocked
	}
	return r
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

// hindrances say why a recheck cannot be done, or what must be done before it:
// an injury of a fall not followed by an interpretable set, a patient charted as
// not ambulatory.
func (s situation) hindrances() []string {
	out := []string{}
	uncleared, unknown := false, false
	for _, f := range s.Falls {
		if s.interpretableSince(f.At) {
			continue
		}
		uncleared = uncleared || f.Injury == "moderate" || f.Injury == "major"
		unknown = unknown || f.Injury == ""
	}
	if uncleared {
		out = append(out, InjuryUncleared)
	}
	if unknown {
		out = append(out, InjuryUnknown)
	}
	if s.Stay.NotAmbulatory {
		out = append(out, CannotWalk)
	}
	return out
}
