package parts

import (
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

type ReasonView struct {
	Text string
	Rule frame.RuleLink
}

type RecheckView struct {
	State   string // as a word of the rules, for its mark
	Word    string
	Due     *frame.Moment
	Why     string
	Rule    *frame.RuleLink
	Missing []string
	// Answered says by what answer it was put off, Ask that no further one will, and Stand
	// for how long the patient stands; each "" where there is no need to say it.
	Answered, Ask, Stand string
}

type PrecautionsView struct {
	Note    string // said in place of a list
	Known   bool
	Missing []string
	InPlace []string
}

func AgeOf(stay clinical.Stay, t frame.Times) string {
	if age, known := trends.AgeOn(stay.BirthDate, t.At, t.Zone); known {
		return text.Say("parts.age", age)
	}
	return text.Say("parts.age-unknown")
}

// ReasonsOf are the reasons of an assessment, the deciding one first. Of a patient who died of
// a fall those are left out that ask for something.
func ReasonsOf(t frame.Times, a alerts.Assessment) []ReasonView {
	out := make([]ReasonView, 0, len(a.Reasons))
	asks := []string{alerts.TGap, alerts.TPrecaution, alerts.TReview}
	for n, r := range a.Reasons {
		if n > 0 && a.Died() && slices.Contains(asks, r.Rule) {
			continue
		}
		out = append(out, ReasonView{t.Reason(r), t.Rule(r.Rule)})
	}
	return out
}

func RecheckOf(t frame.Times, a alerts.Assessment) RecheckView {
	r := a.Recheck
	v := RecheckView{
		State: r.State, Word: text.RecheckStates[r.State], Missing: text.Missing(r.Missing),
		Answered: t.Answered(r), Ask: text.AskProvider(r),
	}
	if r.DueAt != nil {
		v.Stand = text.StandFor(a.Digest.Serial)
		v.Due = DueOf(t, r.State, *r.DueAt)
		v.Why = text.RecheckWhy(r.Rule, r.Drug, r.Change)
		link := t.Rule(r.Rule)
		v.Rule = &link
	}
	return v
}

// DueOf is when a recheck in a state is due. What is blocked is never said to be overdue:
// nobody can take it now.
func DueOf(t frame.Times, state string, at time.Time) *frame.Moment {
	if state == alerts.Blocked && at.Before(t.At) {
		return t.MomentAgo(at)
	}
	return t.MomentDue(at)
}

func PrecautionsOf(a alerts.Assessment) PrecautionsView {
	p := a.Precautions
	v := PrecautionsView{Known: p.InPlace != nil, InPlace: p.InPlace, Missing: p.Missing}
	switch {
	case a.Died():
		v.Missing, v.Note = nil, text.PrecautionsDied
	case p.InPlace == nil && p.Needed:
		v.Note = text.PrecautionsNotTold
	case p.InPlace == nil:
		v.Note = text.PrecautionsNotCarried
	case !p.Needed:
		v.Note = text.PrecautionsNotAsked
	case len(p.Missing) == 0:
		v.Note = text.PrecautionsAll
	}
	return v
}

// RestrictionsOf says which limbs must not be measured, each with its reason.
func RestrictionsOf(t frame.Times, a alerts.Assessment) []string {
	var out []string
	for _, r := range a.Restrictions() {
		out = append(out, t.Restriction(r))
	}
	return out
}

// LimbsOf is RestrictionsOf for a row: each limb once.
func LimbsOf(a alerts.Assessment) []string {
	var out []string
	for _, r := range a.Restrictions() {
		if brief := text.RestrictionBrief(r); !slices.Contains(out, brief) {
			out = append(out, brief)
		}
	}
	return out
}
