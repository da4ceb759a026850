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
}

// LowOf is a low pressure at rest as a page tells it; nil where there is none.
func LowOf(t frame.Times, low *trends.AtRest) *Low {
	if low == nil {
		return nil
	}
	return &Low{text.LowAtRest(*low), t.MomentAgo(low.At)}
}

// ChestOf is pain in the chest at a set of the last hours as a page tells it; nil where there is none.
func ChestOf(t frame.Times, set *trends.Set) *Low {
	if set == nil {
		return nil
	}
	return &Low{text.ChestPain(*set), t.MomentAgo(set.StartedAt)}
}

// FeltOf is an emergency that no set tells as a page tells it; nil where there is none.
func FeltOf(t frame.Times, felt *trends.Felt) *Low {
	if felt == nil {
		return nil
	}
	return &Low{text.Felt(*felt), t.MomentAgo(felt.At)}
}

// FeltBrief is the same in a row; "" where there is none.
func FeltBrief(t frame.Times, felt *trends.Felt) string {
	if felt == nil {
		return ""
	}
	return t.FeltBrief(*felt)
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
