package dosereview

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// What may be suggested of a drug. None of them is a dose.
const (
	Lower    records.SuggestionClass = "lower"
	Stop     records.SuggestionClass = "stop"
	MoveHour records.SuggestionClass = "move_hour"
	Split    records.SuggestionClass = "split"
	Change   records.SuggestionClass = "change" // for another drug
)

// Classes lists every class in the order of the form.
var Classes = []records.SuggestionClass{Lower, Stop, MoveHour, Split, Change}

// What a prescriber may answer.
const (
	Agreed   = "agreed"
	Declined = "declined"
	Thinks   = "thinks" // not decided yet
)

// Answers lists every answer in the order of the page.
var Answers = []string{Agreed, Declined, Thinks}

// MaxWhy is how many characters the reason for taking a review back may have.
const MaxWhy = 500

// WhyProblem is what is wrong with the reason for taking a review back; "" for nothing.
func WhyProblem(why string) Problem {
	switch why = strings.TrimSpace(why); {
	case why == "":
		return NoteMissing
	case len([]rune(why)) > MaxWhy:
		return NoteLong
	}
	return ""
}

// Became is what the facts tell of a suggestion after it was made. They moved together at
// most; nothing here says that one caused the other.
type Became struct {
	// Change is the first change of the drug's ordered dose after the suggestion (E-CHANGE);
	// nil where there is none by then.
	Change *trends.Change
	// AsSuggested is true where that change is of the class that was suggested.
	AsSuggested bool
	// Unseen is true of a class that ordered daily doses do not tell: another hour, the same
	// dose in more parts.
	Unseen bool
	// Around is how the drop lies around that change (T-AROUND); nil where there is no change,
	// or none of a drug that lowers the pressure.
	Around *trends.Around
	Before SetCount // of the sets before the suggestion
	After  SetCount // of those after the change, or without one after the suggestion
	Falls  int      // after the suggestion
}

// SetCount counts sets that can be read, and gives the median of their systolic drops from
// lying to standing in mmHg; nil where none has one.
type SetCount struct {
	Sets, Positive int
	Drop           *float64
}

// done are the changes that do what a class suggests.
var done = map[records.SuggestionClass][]string{
	Lower: {trends.Lowered}, Stop: {trends.StoppedDrug, trends.Held}, Change: {trends.StoppedDrug, trends.Held},
}

// BecameOf tells what became of a suggestion that was made at a moment, by what a digest
// knows. A change at that very moment is no answer to it.
func BecameOf(s records.DoseSuggestion, at time.Time, d trends.Digest) Became {
	b := Became{Unseen: done[s.Class] == nil}
	from := at
	for n, c := range d.Changes { // in time order
		if c.Drug != s.Drug || !c.At.After(at) {
			continue
		}
		b.Change, from = &d.Changes[n], c.At
		b.AsSuggested = slices.Contains(done[s.Class], c.Change)
		for k, around := range d.Serial.Around {
			if around.Drug == c.Drug && around.Change == c.Change && around.At.Equal(c.At) {
				b.Around = &d.Serial.Around[k]
			}
		}
		break
	}
	b.Before = countSets(d.Sets, func(t time.Time) bool { return t.Before(at) })
	b.After = countSets(d.Sets, func(t time.Time) bool { return t.After(from) })
	for _, f := range d.Falls {
		if f.At.After(at) {
			b.Falls++
		}
	}
	return b
}

func countSets(sets []trends.Set, within func(time.Time) bool) SetCount {
	var c SetCount
	var drops []float64
	for _, set := range sets {
		if !within(set.StartedAt) || !set.Interpretable() {
			continue
		}
		c.Sets++
		if set.Finding == trends.Positive {
			c.Positive++
		}
		if set.Kind == trends.LyingToStanding && set.SystolicDrop != nil {
			drops = append(drops, *set.SystolicDrop)
		}
	}
	c.Drop = trends.MedianOf(drops)
	return c
}
