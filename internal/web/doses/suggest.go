package doses

import (
	"context"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/audit"
	"plumbline/internal/clinical"
	"plumbline/internal/dosereview"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// suggestView is a drug of the form with what may be suggested of it.
type suggestView struct {
	ID, Drug string
	Options  []suggestOption
}

type suggestOption struct {
	Value, Says string
	On          bool
}

// suggestedPart parts the drug from the class in a field: no name of a drug has it.
const suggestedPart = "|"

// reviewed are the drugs of a stay that a review may suggest something of, by name.
func reviewed(seen frame.SeenStay) []string {
	a := seen.View.Assessment
	var out []string
	for _, d := range trends.DrugDosesAt(a.Digest, a.Exposures, a.At) {
		if ofReview(d.Substance) {
			out = append(out, d.Name)
		}
	}
	return trends.Distinct(out)
}

func suggestsOf(seen frame.SeenStay, typed *dosereview.Draft) []suggestView {
	var out []suggestView
	for n, drug := range reviewed(seen) {
		v := suggestView{ID: "suggest-" + strconv.Itoa(n+1), Drug: drug}
		for _, class := range dosereview.Classes {
			s := records.DoseSuggestion{Drug: drug, Class: class}
			v.Options = append(v.Options, suggestOption{
				Value: drug + suggestedPart + string(class), Says: text.SuggestionClasses[class],
				On: typed != nil && slices.Contains(typed.Suggestions, s),
			})
		}
		out = append(out, v)
	}
	return out
}

// suggestionsIn reads the suggestions of a form. One of a drug that is not offered names none,
// so that it is refused.
func suggestionsIn(fields []string, seen frame.SeenStay) []records.DoseSuggestion {
	var out []records.DoseSuggestion
	drugs := reviewed(seen)
	for _, f := range fields {
		if f == "" {
			continue
		}
		drug, class, _ := strings.Cut(f, suggestedPart)
		if !slices.Contains(drugs, drug) {
			drug = ""
		}
		out = append(out, records.DoseSuggestion{Drug: drug, Class: records.SuggestionClass(class)})
	}
	return out
}

// offerBack puts the form that takes it back to each review that stands.
func offerBack(lines []parts.ReviewLine, stay string) {
	for n, l := range lines {
		if l.TakenBack == "" {
			lines[n].BackTo = frame.ReviewURL(stay) + "/" + strconv.FormatInt(l.Number, 10) + "/take-back"
		}
	}
}

// oweAgain makes the review of a stay owed again where the one that closed its episode was taken
// back. It is taken back by then: where this cannot be done, the log says so.
func (s *service) oweAgain(c *frame.Request, stay string) {
	if s.Episodes == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(c.Request.Context()), frame.MaxAnswerIn)
	defer cancel()
	now := s.Clock()
	reviews, err := s.DoseReviews.DoseReviewsOf(ctx, []string{stay}, now)
	if err == nil {
		err = s.Episodes.TakeReviewBack(ctx, stay, reviews[stay], now)
	}
	if err != nil {
		s.Log.Error("a dose review was taken back and its episode could not be opened again; look at the stay",
			"stay", stay, "error", err)
	}
}

// takeBack takes a review back, with its reason. It holds no longer, and what it closed is owed
// again; the review stays where it was.
func (s *service) takeBack(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	seen, stay := frame.StayOf(c), c.Param("stay")
	why := strings.TrimSpace(form.Get("why"))
	number, err := strconv.ParseInt(c.Param("review"), 10, 64)
	switch {
	case err != nil || s.DoseReviews == nil || !seen.When.Live:
		return frame.NotFound()
	case dosereview.WhyProblem(why) != "":
		return frame.Tell(
			http.StatusUnprocessableEntity, text.Say("dosereview.not-back"), text.Say("dosereview.back-why", dosereview.MaxWhy),
		)
	}
	account := frame.AccountOf(c)
	_, err = s.DoseReviews.AddReviewStep(c.Request.Context(), records.ReviewStep{
		StayID: stay, Review: number, What: records.TakenBack, AccountID: account.ID, Who: account.Name, At: s.Clock(), Note: why,
	})
	outcome := "taken back"
	if err != nil {
		outcome = "not taken back: " + string(clinical.CodeOf(err))
	}
	if noted := s.Record(c, records.AuditEntry{
		Did: audit.Change, Stay: stay, Unit: seen.View.Assessment.Digest.Stay.Unit, Outcome: outcome, Note: "dose review " + c.Param("review"),
	}); noted != nil {
		s.Log.Error("that a dose review was taken back is not in the audit; that it was asked for is", "error", noted)
	}
	switch clinical.CodeOf(err) {
	case "", clinical.Conflict: // pressed twice, or by two: it is taken back
		s.oweAgain(c, stay)
		return frame.SeeOther(frame.ReviewURL(stay) + "#h-reviews")
	case clinical.NotFound:
		return frame.NotFound()
	}
	return nil, err
}
