package parts

import (
	"slices"
	"strings"

	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// ReviewLine is a review as the history tells it.
type ReviewLine struct {
	At        *frame.Moment
	Who       string
	Outcome   string
	Note      string
	LookAgain string
	Stood     string // the rules of the flags that stood
}

// reviewLines tells the reviews of a stay, the latest first.
func ReviewLinesOf(t frame.Times, reviews []records.DoseReview) []ReviewLine {
	var out []ReviewLine
	for _, r := range slices.Backward(reviews) {
		var rules []string
		for _, f := range r.Evidence.Flags {
			rules = append(rules, f.Rule)
		}
		out = append(out, ReviewLine{
			t.MomentAgo(r.At), r.Who, text.ReviewOutcomes[r.Outcome], r.Note, text.Day(r.LookAgain), strings.Join(rules, ", "),
		})
	}
	return out
}
