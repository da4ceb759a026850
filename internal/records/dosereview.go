package records

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"
)

// DoseReview is a review of the doses of a stay as it was recorded. It is never changed;
// a later one of the same stay stands in its place.
type DoseReview struct {
	StayID    string
	Number    int64 // of the stay's reviews, from 1, without a gap
	AccountID int64
	Who       string // the account's name
	At        time.Time
	Outcome   DoseOutcome
	Note      string
	LookAgain string // the day from which the stay is in the queue again, as 2006-01-02 in the site's zone
	Evidence  DoseEvidence

	Suggestions []DoseSuggestion // of drugs, of the outcome that is one
	Steps       []ReviewStep     // what was said of the review after it, the first first
}

// DoseSuggestion is what a review suggests of one drug. It never holds a dose.
type DoseSuggestion struct {
	Drug  string          `json:"drug"`
	Class SuggestionClass `json:"class"`
}

// SuggestionClass is the kind of a suggestion; which there are stands in internal/dosereview.
type SuggestionClass string

// ReviewStep is what somebody said of a review after it was recorded. It is never changed.
type ReviewStep struct {
	StayID    string
	Review    int64 // the number of the review
	Number    int64 // of the review's steps, from 1, without a gap
	What      StepWhat
	AccountID int64
	Who       string // the account's name
	At        time.Time
	Answer    string // of Answered, a word of dosereview.Answers
	Note      string // why it was taken back
}

// StepWhat is what a step does to a review.
type StepWhat string

// What steps do.
const (
	Answered  StepWhat = "answered" // by the prescriber
	TakenBack StepWhat = "taken_back"
)

// Last is the last step of a kind, nil where there is none.
func (r DoseReview) Last(what StepWhat) *ReviewStep {
	for n := len(r.Steps) - 1; n >= 0; n-- {
		if r.Steps[n].What == what {
			return &r.Steps[n]
		}
	}
	return nil
}

// LastStanding is the last review of a stay that was not taken back; nil where none stands.
func LastStanding(reviews []DoseReview) *DoseReview {
	for n := len(reviews) - 1; n >= 0; n-- {
		if reviews[n].Last(TakenBack) == nil {
			return &reviews[n]
		}
	}
	return nil
}

// DoseOutcome is what came of a review; which there are stands in internal/dosereview.
type DoseOutcome string

// DoseEvidence is what stood when a review was made.
type DoseEvidence struct {
	Flags    []DoseFlag `json:"flags"`
	Positive []string   `json:"positive"` // readings of the positive sets
	Raised   []string   `json:"raised"`   // listed starts, raises and resumptions of blood-pressure-lowering drugs
}

// DoseFlag is a flag as it stood.
type DoseFlag struct {
	Rule  string   `json:"rule"`
	Drugs []string `json:"drugs"`
	Facts []string `json:"facts"`
}

// Mark names the evidence in a few letters: the form of a review carries that of
// the page on which it was filled in, so that nobody signs for what they have not
// seen. Doses given and orders renewed are no part of it.
func (e DoseEvidence) Mark() string {
	for n := range e.Flags {
		e.Flags = slices.Clone(e.Flags)
		e.Flags[n].Facts = nil
	}
	body, _ := json.Marshal(e) // texts alone: it cannot fail
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:8])
}
