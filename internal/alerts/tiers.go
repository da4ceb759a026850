package alerts

import (
	"cmp"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// The tiers, most pressing first.
const (
	Now       = "now"
	ThisShift = "this_shift"
	Today     = "today"
	Watch     = "watch"
	None      = "none" // nothing owed by these rules; never "low risk"
)

// Tiers lists the tiers, most pressing first.
var Tiers = []string{Now, ThisShift, Today, Watch, None}

// The tier rules.
const (
	TFall       = "T-FALL"
	TStopped    = "T-STOPPED"
	TLow        = "T-LOW"
	TLowLying   = "T-LOW-LYING"
	TGap        = "T-GAP"
	TPositive   = "T-POSITIVE"
	TFell       = "T-FELL"
	TClearance  = "T-CLEARANCE"
	TOverdue    = "T-OVERDUE"
	TDue        = "T-DUE"
	TReview     = "T-REVIEW"
	TSymptoms   = "T-SYMPTOMS"
	TRoutine    = "T-ROUTINE"
	TSoon       = "T-SOON"
	TPrecaution = "T-PRECAUTION"
	TWatch      = "T-WATCH"
)

// Reason is a tier rule that holds, with its figures and the facts it rests on.
type Reason struct {
	Rule    string
	Figures clinical.Figures
	Facts   []string
}

// Assessment is what is owed to one stay at one moment.
type Assessment struct {
	Digest      trends.Digest
	Exposures   trends.Exposures
	At          time.Time
	Tier        string
	Reasons     []Reason // every tier rule that holds, in table order; the first one decides
	Recheck     Recheck
	Precautions Precautions
	Review      Review
	Rank        int // 1 is first; set by Rank

	// LowAtRest is a systolic at rest under 90 mmHg of the last hours (those of T-LOW-LYING,
	// tiers.recent_hours) with no later one of 90 or more; nil where there is none. It is no rule
	// of the list: whoever is about to stand the patient must see it, a set or not.
	LowAtRest *trends.AtRest

	// ChestPain is the newest set of the last hours (tiers.recent_hours) at which pain in the chest
	// was charted, at rest or upright; nil where there is none. It is no rule of the list either.
	ChestPain *trends.Set

	// Emergencies are those of the last hours (tiers.recent_hours) that no rule ranks, the newest of each kind;
	// none of who died.
	Emergencies []trends.Emergency

	// Warnings are what is asked about before the patient is stood: see Warning.
	Warnings []Warning

	decidedBy int // place of the deciding rule in the table
}

// DecidedBy is the rule that decides the tier, "" in the last tier.
func (a Assessment) DecidedBy() string {
	if len(a.Reasons) == 0 {
		return ""
	}
	return a.Reasons[0].Rule
}

// DecidedByFall reports whether the deciding reason tells of a fall.
func (a Assessment) DecidedByFall() bool {
	by := a.DecidedBy()
	return by == TFall || by == TFell
}

// Assess decides what is owed to one stay at a moment for which its digest holds.
func Assess(d trends.Digest, p clinical.Policy, zone *time.Location, at time.Time) Assessment {
	s := situation{Digest: d, exposures: trends.ExposuresAt(d, p, at), policy: p, zone: zone, at: at}
	a := Assessment{Digest: d, Exposures: s.exposures, At: at, Reasons: []Reason{}}
	a.Recheck = s.recheck()
	a.Precautions = s.precautions()
	a.Review = s.review()
	if low := d.LowAtRest; low != nil && s.within(low.At, p.Tiers.RecentHours) && !a.Died() {
		a.LowAtRest = low
	}
	if !a.Died() {
		a.ChestPain = s.chestPain()
	}
	if !a.Died() {
		a.Emergencies = slices.DeleteFunc(slices.Clone(d.Emergencies), func(e trends.Emergency) bool {
			return !s.within(e.At, p.Tiers.RecentHours)
		})
		a.Warnings = s.warnings(a)
	}
	a.Tier, a.decidedBy = None, len(tierRules)
	for n, rule := range tierRules {
		reason := rule.holds(s, a)
		if reason == nil {
			continue
		}
		reason.Rule = rule.name
		if reason.Facts == nil {
			reason.Facts = []string{}
		}
		if len(a.Reasons) == 0 {
			a.Tier, a.decidedBy = rule.tier, n
		}
		a.Reasons = append(a.Reasons, *reason)
	}
	return a
}

type tierRule struct {
	tier, name string
	// holds returns the reason with its figures, nil where the rule does not hold.
	holds func(situation, Assessment) *Reason
}

// tierRules is the table of tiers: the first rule that holds decides.
var tierRules = []tierRule{
	{Now, TFall, fallWithoutSet},
	{Now, TStopped, func(s situation, _ Assessment) *Reason {
		return s.recentSet(s.LatestInterpretable(), func(set trends.Set) bool { return set.Meets(trends.CritStopped) })
	}},
	{Now, TLow, func(s situation, _ Assessment) *Reason {
		return s.recentSet(s.LatestInterpretable(), func(set trends.Set) bool {
			return set.Meets(trends.CritLow) && set.SystolicDrop != nil && trends.AtLeast(*set.SystolicDrop, s.policy.Tiers.LowDrop)
		})
	}},
	{Now, TLowLying, func(s situation, _ Assessment) *Reason {
		return s.recentSet(s.LatestSet(), func(set trends.Set) bool { return set.LyingPressure == trends.LowLying })
	}},
	{Now, TGap, precautionGap},
	{ThisShift, TPositive, func(s situation, _ Assessment) *Reason {
		return setReason(s.LatestInterpretable(), trends.Positive)
	}},
	{ThisShift, TFell, func(s situation, _ Assessment) *Reason { return s.fallReason(s.recentFalls()) }},
	{ThisShift, TClearance, clearanceOwed},
	{ThisShift, TOverdue, func(_ situation, a Assessment) *Reason {
		return recheckReason(a.Recheck, a.Recheck.State == Overdue && !a.Recheck.routine())
	}},
	{ThisShift, TDue, func(_ situation, a Assessment) *Reason {
		return recheckReason(a.Recheck, a.Recheck.State == Due && !a.Recheck.routine())
	}},
	{Today, TReview, reviewNeeded},
	{Today, TSymptoms, func(s situation, _ Assessment) *Reason {
		set := s.LatestInterpretable()
		if set == nil || set.Finding != trends.SymptomsOnly {
			set = s.unreadLatest()
		}
		if set == nil {
			return nil
		}
		return &Reason{Figures: SymptomFigures{SetOf(*set), set.Finding}, Facts: set.Facts}
	}},
	{Today, TRoutine, func(_ situation, a Assessment) *Reason {
		return recheckReason(a.Recheck, (a.Recheck.State == Overdue || a.Recheck.State == Due) && a.Recheck.routine())
	}},
	{Today, TSoon, func(s situation, a Assessment) *Reason {
		return recheckReason(a.Recheck, a.Recheck.State == Scheduled && !s.beyondSoon(*a.Recheck.DueAt))
	}},
	{Today, TPrecaution, func(s situation, a Assessment) *Reason {
		if !a.Precautions.Needed || len(a.Precautions.Missing) == 0 {
			return nil
		}
		return &Reason{Figures: MissingFigures{a.Precautions.Missing, s.diedAt()}, Facts: a.Precautions.Facts}
	}},
	{Watch, TWatch, watch},
}

func (s situation) beyondSoon(due time.Time) bool {
	return due.After(s.at.Add(clinical.Hours(s.policy.Recheck.ScheduledSoonInHours)))
}

func (s situation) recentFalls() []trends.FallFact {
	var out []trends.FallFact
	for _, f := range s.Falls {
		if s.within(f.At, s.policy.Tiers.RecentHours) {
			out = append(out, f)
		}
	}
	return out
}

func (s situation) fallReason(falls []trends.FallFact) *Reason {
	if len(falls) == 0 {
		return nil
	}
	r := &Reason{}
	for _, f := range falls {
		r.Facts = append(r.Facts, f.SourceID)
	}
	last := slices.MaxFunc(falls, func(a, b trends.FallFact) int {
		return cmp.Or(a.At.Compare(b.At), slices.Index(harm, a.Injury)-slices.Index(harm, b.Injury))
	})
	r.Figures = FellOf(last, len(falls))
	return r
}

// harm orders injuries: of falls at one time the worst is told. An injury that is not
// charted may be any, and stands before one that lets the patient stand.
var harm = []string{"none", "minor", "", "moderate", "major", "death"}

func fallWithoutSet(s situation, _ Assessment) *Reason {
	var falls []trends.FallFact
	for _, f := range s.recentFalls() {
		if !s.interpretableSince(f.At) {
			falls = append(falls, f)
		}
	}
	return s.fallReason(falls)
}

// recentSet is the reason of a set that holds something, in the last 24 h.
func (s situation) recentSet(set *trends.Set, holds func(trends.Set) bool) *Reason {
	if set == nil || !holds(*set) || !s.within(set.StartedAt, s.policy.Tiers.RecentHours) {
		return nil
	}
	return &Reason{Figures: SetOf(*set), Facts: set.Facts}
}

func setReason(set *trends.Set, finding string) *Reason {
	if set == nil || set.Finding != finding {
		return nil
	}
	return &Reason{Figures: SetOf(*set), Facts: set.Facts}
}

// lowestUpright is the upright reading with the lowest counting systolic, the
// one that a sentence about the set names.
func lowestUpright(set trends.Set) *trends.Upright {
	var low *trends.Upright
	for n, u := range set.Upright {
		if u.Counts() && (low == nil || *u.Systolic < *low.Systolic) {
			low = &set.Upright[n]
		}
	}
	return low
}

func precautionGap(s situation, a Assessment) *Reason {
	set := s.gapSet()
	if set == nil || len(a.Precautions.Missing) == 0 {
		return nil
	}
	f := GapFigures{SetFigures: SetOf(*set), Finding: set.Finding, Missing: a.Precautions.Missing, DiedOf: s.diedAt()}
	return &Reason{Figures: f, Facts: set.Facts}
}

// gapSet is the set by which a missing precaution is urgent: the latest that can be read,
// if positive or with symptoms; else the latest of all, if it says nothing of pressures
// and has symptoms. nil where neither is recent.
func (s situation) gapSet() *trends.Set {
	read := s.LatestInterpretable()
	if read != nil && read.Finding == trends.Negative {
		read = nil
	}
	for _, set := range []*trends.Set{read, s.unreadLatest()} {
		if set != nil && s.within(set.StartedAt, s.policy.Tiers.GapHours) {
			return set
		}
	}
	return nil
}

// clearanceOwed: standing is blocked after an injury, and somebody has to decide. After a
// fall with injury death nobody has.
func clearanceOwed(s situation, _ Assessment) *Reason {
	if s.diedAt() != nil {
		return nil
	}
	return s.fallReason(s.blockingFalls())
}

func recheckReason(r Recheck, holds bool) *Reason {
	if !holds {
		return nil
	}
	f := RecheckFigures{DueAt: *r.DueAt, Rule: r.Rule, State: r.State, Drug: r.Drug, Change: r.Change, Set: r.Set}
	return &Reason{Figures: f, Facts: r.Facts}
}

func reviewNeeded(s situation, a Assessment) *Reason {
	if !a.Review.Needed {
		return nil
	}
	var rules, drugs, facts []string
	for _, f := range a.Review.Flags {
		if !f.Asks() {
			continue
		}
		rules = append(rules, f.Rule)
		drugs = append(drugs, f.Drugs...)
		facts = append(facts, f.Facts...)
	}
	set := SetOf(*s.LatestPositive())
	return &Reason{
		Figures: ReviewFigures{Flags: rules, Drugs: trends.Distinct(drugs), SetAt: set.SetAt, Set: &set, DiedOf: s.diedAt()},
		Facts:   trends.Distinct(facts),
	}
}

func watch(s situation, a Assessment) *Reason {
	r, f := &Reason{}, WatchFigures{}
	holds := false
	if positive := s.LatestPositive(); positive != nil {
		var kinds []string
		for _, c := range s.exposures.Contributors {
			if c.Kind != trends.ByDrugs {
				kinds = append(kinds, c.Kind)
				r.Facts = append(r.Facts, c.Facts...)
			}
		}
		if len(kinds) > 0 {
			holds = true
			set := SetOf(*positive)
			f.Contributors, f.SetAt, f.Set = kinds, &positive.StartedAt, &set
			r.Facts = append(r.Facts, positive.Facts...)
		}
	}
	if at := s.Serial.ClearedAt; at != nil && s.within(*at, s.policy.Tiers.ClearedHours) {
		holds = true
		f.ClearedAt = at
		r.Facts = append(r.Facts, s.LatestInterpretable().Facts...)
	}
	if a.Recheck.State == Scheduled && s.beyondSoon(*a.Recheck.DueAt) {
		holds = true
		f.DueAt, f.RecheckRule = a.Recheck.DueAt, a.Recheck.Rule
		r.Facts = append(r.Facts, a.Recheck.Facts...)
	}
	if !holds {
		return nil
	}
	r.Figures, r.Facts = f, trends.Distinct(r.Facts)
	return r
}
