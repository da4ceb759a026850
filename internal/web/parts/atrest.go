package parts

import (
	"slices"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// Low is a low pressure at rest, for whoever is about to stand the patient.
type Low struct {
	Says string
	At   *frame.Moment
	Mind string // what to know of it; "" where the template says it
}

// LowOf is a low pressure at rest as a page tells it; nil where there is none.
func LowOf(t frame.Times, low *trends.AtRest) *Low {
	if low == nil {
		return nil
	}
	return &Low{Says: text.LowAtRest(*low), At: t.MomentAgo(low.At)}
}

// ChestOf is pain in the chest at a set of the last hours as a page tells it; nil where there is none.
func ChestOf(t frame.Times, set *trends.Set) *Low {
	if set == nil {
		return nil
	}
	return &Low{Says: text.ChestPain(*set), At: t.MomentAgo(set.StartedAt)}
}

// EmergenciesOf are emergencies that no rule of the list tells, as a page tells them.
func EmergenciesOf(t frame.Times, all []trends.Emergency) (out []Low) {
	for _, e := range all {
		mind := text.Say("parts.emergency-mind")
		if e.What == trends.CouldNotRead {
			mind = text.Say("parts.unread-mind")
		}
		out = append(out, Low{text.Emergency(e), t.MomentAgo(e.At), mind})
	}
	return out
}

// EmergencyBriefs are the same in a row.
func EmergencyBriefs(t frame.Times, all []trends.Emergency) (out []string) {
	for _, e := range all {
		out = append(out, t.EmergencyBrief(e))
	}
	return out
}

// ChestBrief is the same in a row; "" where there is none, or where the latest set, which
// stands in the row too, tells it.
func ChestBrief(t frame.Times, a alerts.Assessment) string {
	set, latest := a.ChestPain, a.Digest.LatestSet()
	if set == nil || slices.Contains(set.AtRest, clinical.HoldChestPain) && latest.StartedAt.Equal(set.StartedAt) {
		return ""
	}
	return t.ChestPainBrief(*set)
}

// LowBrief is the same in a row; "" where there is none.
func LowBrief(t frame.Times, low *trends.AtRest) string {
	if low == nil {
		return ""
	}
	return t.LowAtRestBrief(*low)
}

// urgent are the emergencies and low pressures of the last hours, in few words each.
func urgent(t frame.Times, a alerts.Assessment) []string {
	all := append(EmergencyBriefs(t, a.Emergencies), ChestBrief(t, a), LowBrief(t, a.LowApart()))
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}

// MindOf is what speaks against standing a patient, or asks for a look before, for who is asked whether that may be:
// emergencies and low pressures of the last hours, injuries, a coded fracture, limbs.
func MindOf(t frame.Times, a alerts.Assessment) []string {
	return slices.Concat(urgent(t, a), text.Missing(a.Recheck.Missing), LimbsOf(a))
}
