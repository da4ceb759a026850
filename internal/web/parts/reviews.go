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
	Number    int64
	Suggests  []string // of each drug what was suggested
	Answer    string   // what the prescriber answered, or that nobody has; "" where nothing was suggested
	TakenBack string   // who took it back, when and why; "" for one that stands
	BackTo    string   // where it is taken back; "" for who may not
}

// reviewLines tells the reviews of a stay, the latest first.
func ReviewLinesOf(t frame.Times, reviews []records.DoseReview) []ReviewLine {
	var out []ReviewLine
	for _, r := range slices.Backward(reviews) {
		var rules []string
		for _, f := range r.Evidence.Flags {
			rules = append(rules, f.Rule)
		}
		l := ReviewLine{
			At: t.MomentAgo(r.At), Who: r.Who, Outcome: text.ReviewOutcomes[r.Outcome], Note: r.Note, LookAgain: text.Day(r.LookAgain),
			Stood: strings.Join(rules, ", "), Number: r.Number, Answer: AnswerTo(t, r),
		}
		for _, s := range r.Suggestions {
			l.Suggests = append(l.Suggests, SuggestionOf(s))
		}
		if back := r.Last(records.TakenBack); back != nil {
			l.TakenBack = text.Say("dosereview.taken-back", t.Time(back.At), back.Who, back.Note)
		}
		out = append(out, l)
	}
	return out
}

// SuggestionOf is a drug with what was suggested of it.
func SuggestionOf(s records.DoseSuggestion) string {
	return text.Say("dosereview.suggestion", s.Drug, text.SuggestionClasses[s.Class])
}

// AnswerTo says what was answered to a review's suggestions, or for how long nobody has; ""
// where nothing was suggested, or the review was taken back.
func AnswerTo(t frame.Times, r records.DoseReview) string {
	if len(r.Suggestions) == 0 || r.Last(records.TakenBack) != nil {
		return ""
	}
	a := r.Last(records.Answered)
	if a == nil {
		return text.Say("dosereview.unanswered", t.Ago(r.At))
	}
	return text.Say("dosereview.answered", text.SuggestionAnswers[a.Answer], a.Who, t.Time(a.At))
}
