package parts

import (
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

// LowBrief is the same in a row; "" where there is none.
func LowBrief(t frame.Times, low *trends.AtRest) string {
	if low == nil {
		return ""
	}
	return t.LowAtRestBrief(*low)
}
