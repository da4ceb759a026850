// Package dosereview holds what a pharmacist records of the doses of a stay, and
// decides for how long that stands. It is pure: the assessment, the last review and
// the day come in, an answer comes out. It recommends no dose.
package dosereview

import (
	"cmp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// What came of a review.
const (
	NoChange  records.DoseOutcome = "no_change"
	Suggested records.DoseOutcome = "suggested" // a suggestion was made to the prescriber
	Held      records.DoseOutcome = "held"      // the prescriber held a drug
	Other     records.DoseOutcome = "other"     // the note says what
)

// Outcomes lists every outcome in the order of the form.
var Outcomes = []records.DoseOutcome{NoChange, Suggested, Held, Other}

// Draft is what the form of a review holds.
type Draft struct {
	Outcome   records.DoseOutcome
	Note      string
	LookAgain string // the day from which the stay is in the queue again, as 2006-01-02 in the site's zone

	Suggestions []records.DoseSuggestion // of the outcome suggested alone
}

// DraftOf is what the form of a recorded review held.
func DraftOf(r records.DoseReview) Draft {
	return Draft{Outcome: r.Outcome, Note: r.Note, LookAgain: r.LookAgain, Suggestions: r.Suggestions}
}

// Same reports whether two forms held the same.
func (d Draft) Same(e Draft) bool {
	return d.Outcome == e.Outcome && d.Note == e.Note && d.LookAgain == e.LookAgain && slices.Equal(d.Suggestions, e.Suggestions)
}

// Limits of a draft.
const (
	MaxNote = 1000 // characters
	MaxDays = 90   // between the day of the review and the day to look again; common practice has no figure: a limit against slips of the key
)

// Problem is what keeps a draft from being recorded.
type Problem string

// The problems.
const (
	NoOutcome   Problem = "no_outcome"
	NoteMissing Problem = "note_missing" // of the outcome other
	NoteLong    Problem = "note_long"
	NoDay       Problem = "no_day"
	DayPast     Problem = "day_past" // or today
	DayFar      Problem = "day_far"
	NotOurs     Problem = "suggests_else" // suggestions stand with another outcome, twice of a drug, or of no class
)

// Check lists what is wrong with a draft on a day of the site's zone.
func (d Draft) Check(today string) []Problem {
	var out []Problem
	if !slices.Contains(Outcomes, d.Outcome) {
		out = append(out, NoOutcome)
	}
	switch {
	case d.Outcome == Other && strings.TrimSpace(d.Note) == "":
		out = append(out, NoteMissing)
	case utf8.RuneCountInString(d.Note) > MaxNote:
		out = append(out, NoteLong)
	}
	if d.misfits() {
		out = append(out, NotOurs)
	}
	day, err := time.Parse(time.DateOnly, d.LookAgain)
	from, _ := time.Parse(time.DateOnly, today)
	switch days := day.Sub(from).Hours() / 24; {
	case err != nil:
		out = append(out, NoDay)
	case days <= 0:
		out = append(out, DayPast)
	case days > MaxDays:
		out = append(out, DayFar)
	}
	return out
}

// misfits reports whether suggestions cannot be recorded as they are.
func (d Draft) misfits() bool {
	seen := map[string]bool{}
	for _, s := range d.Suggestions {
		if d.Outcome != Suggested || seen[s.Drug] || s.Drug == "" || !slices.Contains(Classes, s.Class) {
			return true
		}
		seen[s.Drug] = true
	}
	return false
}

// EvidenceOf is what stands in an assessment.
func EvidenceOf(a alerts.Assessment) records.DoseEvidence {
	e := records.DoseEvidence{Flags: []records.DoseFlag{}, Positive: []string{}, Raised: []string{}}
	for _, f := range a.Review.Flags {
		e.Flags = append(e.Flags, records.DoseFlag{Rule: f.Rule, Drugs: slices.Clone(f.Drugs), Facts: slices.Clone(f.Facts)})
	}
	for _, set := range a.Digest.Sets {
		if set.Finding == trends.Positive {
			e.Positive = append(e.Positive, set.Facts...)
		}
	}
	for _, c := range a.Digest.Changes {
		if c.Lowering && c.Up() {
			e.Raised = append(e.Raised, raiseKey(c))
		}
	}
	return e
}

func raiseKey(c trends.Change) string {
	return strings.Join([]string{c.Drug, c.Change, c.Route, c.At.UTC().Format(time.RFC3339)}, " ")
}

// News is what stands now and was not there at a review.
type News struct {
	Flags  []alerts.Flag
	Sets   []trends.Set
	Raised []trends.Change
}

// Any reports whether there is anything new.
func (n News) Any() bool { return len(n.Flags)+len(n.Sets)+len(n.Raised) > 0 }

// NewsSince tells what of an assessment was not there at a review: a flag whose rule
// did not stand, or that names a drug it did not name; a positive set none of whose
// readings was one of a positive set; a listed start, raise or resumption of a
// blood-pressure-lowering drug. A dose given, an order renewed, or a reading that
// joins a positive set is nothing new: the facts of a flag grow with every dose, and
// a stay would never be reviewed.
func NewsSince(a alerts.Assessment, stood records.DoseEvidence) News {
	var news News
	for _, f := range a.Review.Flags {
		if isNew(f, stood.Flags) {
			news.Flags = append(news.Flags, f)
		}
	}
	known := func(list []string) func(string) bool {
		return func(s string) bool { return slices.Contains(list, s) }
	}
	for _, set := range a.Digest.Sets {
		if set.Finding == trends.Positive && !slices.ContainsFunc(set.Facts, known(stood.Positive)) {
			news.Sets = append(news.Sets, set)
		}
	}
	for _, c := range a.Digest.Changes {
		if c.Lowering && c.Up() && !slices.Contains(stood.Raised, raiseKey(c)) {
			news.Raised = append(news.Raised, c)
		}
	}
	return news
}

func isNew(f alerts.Flag, stood []records.DoseFlag) bool {
	n := slices.IndexFunc(stood, func(old records.DoseFlag) bool { return old.Rule == f.Rule })
	return n < 0 || slices.ContainsFunc(f.Drugs, func(drug string) bool { return !slices.Contains(stood[n].Drugs, drug) })
}

// Place is where in the queue a stay with a flag stands.
type Place string

// The places, in the order of the queue.
const (
	ToReview Place = "to_review" // asked for, or the day to look again has come
	Reviewed Place = "reviewed"  // until a day, or new evidence
	Flagged  Place = "flagged"   // flags stand and no review is asked for
)

// Places lists every place in order.
var Places = []Place{ToReview, Reviewed, Flagged}

// Standing is where a stay stands, and why a review does not hold any more.
type Standing struct {
	Place Place
	Due   bool // the day to look again has come
	News  News // since the last review
}

// StandingOf decides where in the queue a stay stands on a day of the site's zone
// (2006-01-02). ok is false where no flag stands, and of a patient who died of a fall: it is in
// no queue. The last review holds until its day, or until new evidence, whichever comes first.
func StandingOf(a alerts.Assessment, last *records.DoseReview, today string) (st Standing, ok bool) {
	if len(a.Review.Flags) == 0 || a.Died() {
		return Standing{}, false
	}
	st.Place = Flagged
	if a.Review.Needed {
		st.Place = ToReview
	}
	if last == nil {
		return st, true
	}
	st.Due = today >= last.LookAgain // days of one form compare as text
	st.News = NewsSince(a, last.Evidence)
	switch {
	case st.Due:
		st.Place = ToReview
	case !st.News.Any():
		st.Place = Reviewed
	}
	return st, true
}

// Matches reports whether a drug is meant by what somebody typed: a blood-pressure-
// lowering group, a kind of antithrombotic or a drug by any part of its name of three
// letters or more, or the word contributing or pressor. Case, digits and signs do not count, so that
// "alpha-blocker" means the group "alpha-1 blocker". Nothing typed means every drug.
func Matches(s trends.Substance, typed string) bool {
	wanted := lettersOf(typed)
	switch {
	case wanted == "":
		return true
	case wanted == "contributing":
		return s.Contributing()
	case wanted == "pressor":
		return s.Pressor()
	}
	name, group := lettersOf(s.Name), lettersOf(cmp.Or(string(s.Group()), clinical.Antithrombotic(s.ATC)))
	if len(wanted) < 3 {
		return name == wanted || group == wanted
	}
	return strings.Contains(name, wanted) || strings.Contains(group, wanted)
}

// InText reports whether a charted text holds what was typed, of three letters or more.
func InText(charted, typed string) bool {
	wanted := lettersOf(typed)
	return len(wanted) >= 3 && strings.Contains(lettersOf(charted), wanted)
}

// Names reports whether what was typed is another name of a drug, such as a trade name.
func Names(typed, drug string) bool {
	list, _ := clinical.Drug{Text: typed}.Ingredients()
	return slices.ContainsFunc(list, func(i clinical.Ingredient) bool { return i.Name == drug })
}

// Same reports whether two things typed mean the same group, drug or word.
func Same(a, b string) bool { return lettersOf(a) == lettersOf(b) }

func lettersOf(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, s)
}
