package episodes

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// The rules of what contradicts itself in the data, and of the feeds. The other
// rules of episodes are those of the list.
const (
	CImplausible = "C-IMPLAUSIBLE" // a value that cannot be, in the latest set
	CFatal       = "C-FATAL"       // a fall charted as fatal, and a set after it
	CBefore      = "C-BEFORE"      // a fall of this stay before its admission
	CEnded       = "C-ENDED"       // a precaution that ended before it began
	CTwice       = "C-TWICE"       // two stays of one patient on the unit at once
	CFeed        = "C-FEED"        // a feed is not read
)

// Contradictions lists the rules of what contradicts itself.
var Contradictions = []string{CImplausible, CFatal, CBefore, CEnded, CTwice}

// Conditions is all that holds of one stay and asks for an episode: what is owed at its
// moment, and the rechecks that fall due by the moment before.
func Conditions(a alerts.Assessment, p clinical.Policy, before time.Time) []Condition {
	if a.Died() {
		return contradictions(a, p) // nothing else is asked for
	}
	var out []Condition
	out = append(out, fallsWithoutSet(a, p)...)
	out = append(out, providerToTell(a, p)...)
	out = append(out, clearanceOwed(a)...)
	out = append(out, rechecksDue(a, before)...)
	out = append(out, precautionsMissing(a)...)
	out = append(out, doseReview(a)...)
	return append(out, contradictions(a, p)...)
}

// ChartOf is every fact of a digest that can be evidence of a condition.
func ChartOf(d trends.Digest) []records.FactName {
	out := []records.FactName{{Kind: clinical.KindStay, SourceID: d.StayID}}
	for _, s := range d.Sets {
		out = append(out, factsOf(clinical.KindVitals, s.Facts)...)
	}
	for _, c := range d.Changes {
		out = append(out, factsOf(clinical.KindOrder, c.Orders)...)
	}
	for _, f := range d.Falls {
		out = append(out, records.FactName{Kind: clinical.KindFall, SourceID: f.SourceID})
	}
	for _, t := range d.Treatments {
		out = append(out, records.FactName{Kind: clinical.KindTreatment, SourceID: t.SourceID})
	}
	for _, f := range d.Precautions {
		out = append(out, records.FactName{Kind: clinical.KindPrecaution, SourceID: f.SourceID})
	}
	return union(out)
}

// setKey names a set within its stay: by its set_id, else by its start. Both stay
// as they are when a late reading joins the set or a value is corrected.
func setKey(s trends.Set) string {
	if !s.Inferred() {
		return "set " + s.SetID
	}
	return "set of " + moment(s.StartedAt)
}

func fallKey(f trends.FallFact) string { return "fall " + f.SourceID }

func readings(s trends.Set) []records.FactName { return factsOf(clinical.KindVitals, s.Facts) }

// reasonOf is the reason by which a tier rule holds, nil where it does not.
func reasonOf(a alerts.Assessment, rule string) *alerts.Reason {
	for n, r := range a.Reasons {
		if r.Rule == rule {
			return &a.Reasons[n]
		}
	}
	return nil
}

// fallsWithoutSet: a fall after which no set that can be read was taken, from
// T-FALL on until there is one.
func fallsWithoutSet(a alerts.Assessment, p clinical.Policy) []Condition {
	var out []Condition
	if blockedByInjury(a) {
		return nil // the clearance is owed, and no set before it
	}
	for _, f := range a.Digest.Falls {
		if latest := a.Digest.LatestInterpretable(); latest != nil && !latest.StartedAt.Before(f.At) {
			continue
		}
		answer := answerToFall(a, f)
		out = append(out, Condition{
			Kind: FallWithoutSet, StayID: a.Digest.StayID, Trigger: fallKey(f), Rule: alerts.TFall,
			Figures: alerts.FellOf(f, 0), Since: fallOwedSince(a, f),
			Facts:  []records.FactName{{Kind: clinical.KindFall, SourceID: f.SourceID}},
			Opens:  trends.InWindow(f.At, a.At, clinical.Hours(p.Tiers.RecentHours)),
			Answer: answer, Quiet: answer != nil,
		})
	}
	return out
}

// providerToTell: the provider is to be told of the latest set that can be read,
// and of a low lying pressure after it. One set is one thing to tell, whatever of
// it holds.
func providerToTell(a alerts.Assessment, p clinical.Policy) []Condition {
	out := badSet(a, p)
	for _, low := range lowLying(a) {
		if !slices.ContainsFunc(out, func(c Condition) bool { return c.Trigger == low.Trigger }) {
			out = append(out, low)
		}
	}
	return out
}

// badSet: the latest set that can be read was stopped by symptoms or met a low
// standing pressure, from T-STOPPED or T-LOW on until there is a later one.
func badSet(a alerts.Assessment, p clinical.Policy) []Condition {
	set := a.Digest.LatestInterpretable()
	if set == nil {
		return nil
	}
	rule := ""
	switch {
	case set.Meets(trends.CritStopped):
		rule = alerts.TStopped
	case set.Meets(trends.CritLow) && set.SystolicDrop != nil && trends.AtLeast(*set.SystolicDrop, p.Tiers.LowDrop):
		rule = alerts.TLow
	default:
		return nil
	}
	c := Condition{
		Kind: TellProvider, StayID: a.Digest.StayID, Trigger: setKey(*set), Since: set.StartedAt, Facts: readings(*set),
	}
	if r := reasonOf(a, rule); r != nil {
		c.Opens, c.Rule, c.Figures = true, rule, r.Figures
	}
	return []Condition{c}
}

// lowLying: the lying pressure of a set was low, from T-LOW-LYING on until a later
// set can be read. One that cannot be read says nothing to the contrary: standing
// is usually withheld in this state, so most sets in it cannot.
func lowLying(a alerts.Assessment) []Condition {
	sets := a.Digest.Sets
	for n := len(sets) - 1; n >= 0; n-- {
		set := sets[n]
		if set.LyingPressure == trends.LowLying {
			c := Condition{
				Kind: TellProvider, StayID: a.Digest.StayID, Trigger: setKey(set), Since: set.StartedAt, Facts: readings(set),
			}
			if r := reasonOf(a, alerts.TLowLying); r != nil && n == len(sets)-1 {
				c.Opens, c.Rule, c.Figures = true, alerts.TLowLying, r.Figures
			}
			return []Condition{c}
		}
		if set.Interpretable() {
			return nil
		}
	}
	return nil
}

// blockedByInjury reports whether nobody may stand the patient before a provider says so.
func blockedByInjury(a alerts.Assessment) bool {
	return slices.Contains(a.Recheck.Missing, alerts.InjuryUncleared)
}

// answerToFall is the answer that has put the recheck after a fall off; nil where none has.
func answerToFall(a alerts.Assessment, f trends.FallFact) *PutOffBy {
	if i := demandOf(a, f); i != nil {
		return putOffBy(*i, a.At)
	}
	return nil
}

// demandOf is the demand for a set after a fall; nil where none is open.
func demandOf(a alerts.Assessment, f trends.FallFact) *alerts.Instance {
	n := slices.IndexFunc(a.Recheck.Open, func(i alerts.Instance) bool {
		return i.Rule == alerts.RFall && i.Facts[0] == f.SourceID
	})
	if n < 0 {
		return nil
	}
	return &a.Recheck.Open[n]
}

// fallOwedSince is since when a set after a fall has been owed: since the fall, and where an
// answer has put it off, since its time was over.
func fallOwedSince(a alerts.Assessment, f trends.FallFact) time.Time {
	if i := demandOf(a, f); i != nil && i.Answer != nil {
		return i.Due
	}
	return f.At
}

// putOffBy is the answer that has put a demand off; nil where none has, or its time is over.
func putOffBy(i alerts.Instance, at time.Time) *PutOffBy {
	if i.Answer == nil || !i.Due.After(at) {
		return nil
	}
	return &PutOffBy{Answer: i.Answer.Answer, Until: i.Due, Fact: records.FactName{Kind: clinical.KindAnswer, SourceID: i.Answer.SourceID}}
}

// clearanceOwed: a fall with an injury after which the patient must not stand, from
// T-CLEARANCE on until a provider has cleared it or a set has shown that the patient
// stands. The provider owes it; one for each fall.
func clearanceOwed(a alerts.Assessment) []Condition {
	r := reasonOf(a, alerts.TClearance)
	if r == nil {
		return nil
	}
	var out []Condition
	for _, id := range r.Facts {
		since := time.Time{}
		for _, f := range a.Digest.Falls {
			if f.SourceID == id {
				since = f.At
			}
		}
		out = append(out, Condition{
			Kind: ClearanceOwed, StayID: a.Digest.StayID, Trigger: clearanceKey(id), Rule: alerts.TClearance,
			Figures: r.Figures, Since: since, Facts: factsOf(clinical.KindFall, []string{id}), Opens: true,
		})
	}
	return out
}

func clearanceKey(fall string) string { return "clearance after fall " + fall }

// rechecksDue: every demand for a recheck that is overdue or falls due by the moment
// before, not the earliest alone: a fall behind an overdue admission screen must be told.
// Demands of one rule and trigger are one. R-VOLUME is due at the moment itself and never
// overdue.
func rechecksDue(a alerts.Assessment, before time.Time) []Condition {
	if a.Recheck.State == alerts.Blocked {
		return nil // nobody may do it now
	}
	var out []Condition
	for _, i := range a.Recheck.Open {
		overdue := i.Due.Before(a.At)
		if !overdue && i.Due.After(before) {
			continue
		}
		state := alerts.Due
		if overdue {
			state = alerts.Overdue
		}
		c := Condition{
			Kind: RecheckOverdue, StayID: a.Digest.StayID, Trigger: i.Rule + " " + instanceKey(a.Digest, i), Rule: i.Rule,
			Figures: alerts.RecheckOf(i, state), Since: i.Due, Facts: instanceFacts(a.Digest, i), Opens: true,
			Quiet: !overdue, Answer: putOffBy(i, a.At),
		}
		out = join(out, c)
	}
	return out
}

// join adds a condition to a list, or to the one of the same identity in it.
func join(list []Condition, c Condition) []Condition {
	for n := range list {
		if held := &list[n]; held.Trigger == c.Trigger {
			held.Facts, held.Quiet = union(held.Facts, c.Facts), held.Quiet && c.Quiet
			if c.Since.Before(held.Since) {
				held.Since = c.Since
			}
			if c.Answer == nil {
				held.Answer = nil
			}
			if f, ok := held.Figures.(alerts.RecheckFigures); ok {
				f.Drug, f.Change = "", "" // several: the sentence names none
				held.Figures = f
			}
			return list
		}
	}
	return append(list, c)
}

// setAt is the set that a demand's trigger is, nil where it is something else.
func setAt(d trends.Digest, i alerts.Instance) *trends.Set {
	for n := len(d.Sets) - 1; n >= 0; n-- {
		if d.Sets[n].StartedAt.Equal(i.Trigger) {
			return &d.Sets[n]
		}
	}
	return nil
}

// instanceKey names the trigger of a demand within its rule: by the fact itself
// where there is one, so that a corrected time changes nothing.
func instanceKey(d trends.Digest, i alerts.Instance) string {
	switch i.Rule {
	case alerts.RAdmit:
		return "admission"
	case alerts.RFall, alerts.RTreated:
		return i.Facts[0]
	case alerts.RDrug:
		return moment(i.Trigger)
	case alerts.RVolume: // its trigger is the moment itself
		if latest := d.LatestInterpretable(); latest != nil {
			return "after " + setKey(*latest)
		}
		return "in this stay"
	}
	if set := setAt(d, i); set != nil {
		return setKey(*set)
	}
	return moment(i.Trigger)
}

func instanceFacts(d trends.Digest, i alerts.Instance) []records.FactName {
	switch i.Rule {
	case alerts.RAdmit:
		return []records.FactName{{Kind: clinical.KindStay, SourceID: d.StayID}}
	case alerts.RFall:
		return factsOf(clinical.KindFall, i.Facts)
	case alerts.RTreated:
		return factsOf(clinical.KindTreatment, i.Facts)
	case alerts.RDrug:
		return factsOf(clinical.KindOrder, i.Facts)
	case alerts.RPositive:
		return positiveFacts(d, i)
	}
	return factsOf(clinical.KindVitals, i.Facts)
}

// positiveFacts are the readings of the latest positive set, and those of the
// set, or the orders of the change, that the demand counts from.
func positiveFacts(d trends.Digest, i alerts.Instance) []records.FactName {
	out := readings(*d.LatestPositive())
	if set := setAt(d, i); set != nil {
		return union(out, readings(*set))
	}
	if up, ok := trends.LatestUp(d.Changes); ok {
		out = append(out, factsOf(clinical.KindOrder, up.Orders)...)
	}
	return union(out)
}

// WholeStay is the trigger of a need that lasts: one episode a stay, opened again
// by each new positive set or fall once it was done.
const WholeStay = "stay"

// precautionsMissing: precautions are needed, and one is missing.
func precautionsMissing(a alerts.Assessment) []Condition {
	if !a.Precautions.Needed || len(a.Precautions.Missing) == 0 {
		return nil
	}
	return []Condition{{
		Kind: PrecautionsMissing, StayID: a.Digest.StayID, Trigger: WholeStay, Rule: alerts.TPrecaution,
		Figures: alerts.MissingFigures{Missing: slices.Clone(a.Precautions.Missing)}, Since: missingSince(a),
		Facts: needFacts(a.Digest), Opens: true,
	}}
}

// missingSince is since when the precautions have been missing: since the latest set or fall
// that asks for them, or since the last of those missing ended, whichever is later.
func missingSince(a alerts.Assessment) time.Time {
	d := a.Digest
	var since time.Time
	later := func(t time.Time) {
		if t.After(since) {
			since = t
		}
	}
	if positive := d.LatestPositive(); positive != nil && !d.Serial.Cleared {
		later(positive.StartedAt)
	}
	if latest := d.LatestInterpretable(); latest != nil && latest.Finding == trends.SymptomsOnly {
		later(latest.StartedAt)
	}
	if latest := d.LatestSet(); latest != nil && latest.Unread() {
		later(latest.StartedAt)
	}
	for _, f := range d.Falls {
		later(f.At)
	}
	for _, f := range d.Precautions {
		if f.To != nil && !f.To.After(a.At) && slices.Contains(a.Precautions.Missing, f.What) {
			later(*f.To)
		}
	}
	return since
}

// needFacts are the falls and readings that make precautions needed.
func needFacts(d trends.Digest) []records.FactName {
	var out []records.FactName
	if positive := d.LatestPositive(); positive != nil && !d.Serial.Cleared {
		out = append(out, readings(*positive)...)
	}
	if latest := d.LatestInterpretable(); latest != nil && latest.Finding == trends.SymptomsOnly {
		out = append(out, readings(*latest)...)
	}
	for _, f := range d.Falls {
		out = append(out, records.FactName{Kind: clinical.KindFall, SourceID: f.SourceID})
	}
	return union(out)
}

// doseReview: from T-REVIEW on, while the stay is not cleared and a flag stands.
// Its evidence is the latest positive set and the listed upward changes of
// blood-pressure-lowering drugs; a dose given or an order renewed is none.
func doseReview(a alerts.Assessment) []Condition {
	positive := a.Digest.LatestPositive()
	flagged := slices.ContainsFunc(a.Review.Flags, alerts.Flag.Asks)
	if positive == nil || a.Digest.Serial.Cleared || !flagged {
		return nil
	}
	c := Condition{
		Kind: DoseReview, StayID: a.Digest.StayID, Trigger: WholeStay, Since: positive.StartedAt, Facts: readings(*positive),
	}
	for _, change := range a.Digest.Changes {
		if change.Lowering && change.Up() {
			c.Facts = append(c.Facts, factsOf(clinical.KindOrder, change.Orders)...)
			if change.At.After(c.Since) {
				c.Since = change.At
			}
		}
	}
	c.Facts = union(c.Facts)
	if r := reasonOf(a, alerts.TReview); r != nil {
		c.Opens, c.Rule, c.Figures = true, alerts.TReview, r.Figures
	}
	return []Condition{c}
}

// contradictions are the things in one stay's data that cannot both be so, and
// that change what the list says of the patient.
func contradictions(a alerts.Assessment, p clinical.Policy) []Condition {
	d := a.Digest
	var out []Condition
	add := func(rule, key string, f clinical.Figures, since time.Time, opens bool, facts ...records.FactName) {
		out = append(out, Condition{
			Kind: DataContradiction, StayID: d.StayID, Trigger: rule + " " + key, Rule: rule, Figures: f, Since: since,
			Facts: union(facts), Opens: opens,
		})
	}
	if set := d.LatestSet(); set != nil && slices.Contains(set.QualityNotes, trends.NoteImplausible) {
		recent := trends.InWindow(set.StartedAt, a.At, clinical.Hours(p.Tiers.RecentHours))
		add(CImplausible, setKey(*set), ImplausibleFigures{set.StartedAt}, set.StartedAt, recent, readings(*set)...)
	}
	for _, f := range d.Falls {
		fall := records.FactName{Kind: clinical.KindFall, SourceID: f.SourceID}
		if after := firstSetAfter(d, f); f.Injury == "death" && after != nil {
			add(CFatal, fallKey(f), FatalFigures{FellAt: f.At, SetAt: after.StartedAt}, after.StartedAt, true,
				append(readings(*after), fall)...)
		}
		if f.At.Before(d.Stay.AdmittedAt) {
			add(CBefore, fallKey(f), BeforeFigures{FellAt: f.At, AdmittedAt: d.Stay.AdmittedAt}, d.Stay.AdmittedAt, true, fall)
		}
	}
	for _, f := range d.Precautions {
		if f.To != nil && f.To.Before(f.From) {
			add(CEnded, "precaution "+f.SourceID, EndedFigures{What: f.What, From: f.From, To: *f.To}, *f.To, true,
				records.FactName{Kind: clinical.KindPrecaution, SourceID: f.SourceID})
		}
	}
	return out
}

func firstSetAfter(d trends.Digest, f trends.FallFact) *trends.Set {
	for n := range d.Sets {
		if d.Sets[n].StartedAt.After(f.At) {
			return &d.Sets[n]
		}
	}
	return nil
}

// twoStaysAtOnce: one patient twice on the list. The condition is that of the
// stay admitted later, which most often is the one that should not be there.
func twoStaysAtOnce(list []alerts.Assessment) []Condition {
	var out []Condition
	for _, later := range list {
		for _, first := range list {
			a, b := first.Digest, later.Digest
			if a.Stay.PatientID == "" || a.Stay.PatientID != b.Stay.PatientID || !admittedBefore(a, b) {
				continue
			}
			out = append(out, Condition{
				Kind: DataContradiction, StayID: b.StayID, Trigger: CTwice + " with stay " + a.StayID, Rule: CTwice,
				Figures: TwiceFigures{OtherBed: a.Stay.Bed, Bed: b.Stay.Bed, AdmittedAt: b.Stay.AdmittedAt}, Since: b.Stay.AdmittedAt,
				Facts: []records.FactName{{Kind: clinical.KindStay, SourceID: a.StayID}, {Kind: clinical.KindStay, SourceID: b.StayID}}, Opens: true,
			})
		}
	}
	return out
}

// admittedBefore orders two stays; of two admitted at once the id decides.
func admittedBefore(a, b trends.Digest) bool {
	if c := a.Stay.AdmittedAt.Compare(b.Stay.AdmittedAt); c != 0 {
		return c < 0
	}
	return a.StayID < b.StayID
}
