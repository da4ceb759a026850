package huddle

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// Orders of the list.
const (
	byRank    = "rank"
	byBed     = "bed"
	byRecheck = "recheck"
)

// choice is what a reader has chosen to see of a list. It stands in the address, so
// that it can be kept, sent on and printed. The zero value is the whole list.
type choice struct {
	tiers    []string // in the order of the tiers; nil for all
	from, to string   // beds, ends included; "" for no end
	asked    asked    // the questions that a patient must answer with yes
	given    string   // only what is somebody's: nobody, mine or a name; "" for all
	sort     string   // one of the orders; "" for byRank
	noNames  bool     // beds alone, for a screen that others see
	unknown  []string // what the address asked for and no filter is, as "owed=bogus"; it is left out
}

// asked are the chosen answers of each question of the page, by its parameter. A patient
// is shown who is among the answers of every question that has one: questions narrow, the
// answers of one question add up.
type asked map[string][]string

// Parameters of a choice.
const (
	tierParam  = "tier"
	fromParam  = "from"
	toParam    = "to"
	givenParam = "given"
	sortParam  = "sort"
	namesParam = "names"
	owedParam  = "owed"  // what is owed: one of owedWords
	hourParam  = "hour"  // when the set is: overdue or an hour of the day
	lacksParam = "lacks" // a precaution that is missing
	markParam  = "mark"  // a mark of the patient: one of marks
	newParam   = "new"   // what has happened since the last huddle: one of newWords
	off        = "off"
	nobody     = "nobody"
	mine       = "mine"
)

// questions are the parameters of what is asked, in the order in which they are shown.
var questions = []string{owedParam, hourParam, lacksParam, markParam, newParam}

// Bounds of what is read from an address.
const (
	maxBed     = 40  // bytes of the name of a bed
	maxGiven   = 256 // bytes of a name: those of an account's 64 characters
	maxAnswers = 12  // of one question
)

// choiceOf reads a choice from an address. What it does not know is left out, and named.
func choiceOf(q url.Values) choice {
	c := choice{
		from: shortText(q.Get(fromParam)), to: shortText(q.Get(toParam)), noNames: q.Get(namesParam) == off,
	}
	if given := strings.TrimSpace(q.Get(givenParam)); len(given) <= maxGiven {
		c.given = given
	} else {
		c = c.without(givenParam, given)
	}
	for _, tier := range alerts.Tiers {
		if slices.Contains(q[tierParam], tier) {
			c.tiers = append(c.tiers, tier)
		}
	}
	for _, tier := range q[tierParam] {
		if tier != "" && !slices.Contains(alerts.Tiers, tier) {
			c = c.without(tierParam, tier)
		}
	}
	if len(c.tiers) == len(alerts.Tiers) {
		c.tiers = nil
	}
	switch s := q.Get(sortParam); s {
	case byBed, byRecheck:
		c.sort = s
	case "", byRank:
	default:
		c = c.without(sortParam, s)
	}
	for _, question := range questions {
		for _, a := range q[question] {
			switch {
			case strings.TrimSpace(a) == "" || c.asks(question, a):
			case !isAnswer(question, a):
				c = c.without(question, a)
			case len(c.asked[question]) < maxAnswers:
				c = c.with(question, a)
			}
		}
	}
	return c
}

// isAnswer reports whether a question can be answered by a word.
func isAnswer(question, answer string) bool {
	switch question {
	case owedParam:
		return slices.Contains(owedWords, answer)
	case hourParam:
		hour, err := time.Parse("15", answer)
		return answer == overdue || err == nil && hour.Format("15") == answer
	case lacksParam:
		return slices.Contains(clinical.Precautions, answer)
	case markParam:
		return slices.Contains(marks, answer)
	}
	return slices.Contains(newWords, answer)
}

// maxUnknown is how many unknown filters are named.
const maxUnknown = 5

// without is the choice that names a filter it does not know.
func (c choice) without(param, value string) choice {
	said := param + "=" + strings.ToValidUTF8(value, "")
	if short := []rune(said); len(short) > maxBed {
		said = string(short[:maxBed]) + "…"
	}
	if len(c.unknown) < maxUnknown && !slices.Contains(c.unknown, said) {
		c.unknown = append(slices.Clip(c.unknown), said)
	}
	return c
}

// among is the choice without the name that it asks for, where that is nobody of the unit's.
func (c choice) among(people []string) choice {
	if c.given == "" || c.given == nobody || c.given == mine || slices.Contains(people, c.given) {
		return c
	}
	c, c.given = c.without(givenParam, c.given), ""
	return c
}

func shortText(s string) string {
	if s = strings.TrimSpace(s); len(s) <= maxBed {
		return s
	}
	return ""
}

// asks reports whether an answer of a question is chosen.
func (c choice) asks(question, answer string) bool { return slices.Contains(c.asked[question], answer) }

// with is the choice with an answer more, or without it where it was chosen.
func (c choice) with(question, answer string) choice {
	all := asked{}
	for q, a := range c.asked {
		all[q] = slices.Clone(a)
	}
	if n := slices.Index(all[question], answer); n >= 0 {
		all[question] = slices.Delete(all[question], n, n+1)
	} else {
		all[question] = append(all[question], answer)
		slices.Sort(all[question])
	}
	c.asked = all
	return c
}

// query is the choice as it stands in an address: one way of writing each.
func (c choice) query() url.Values {
	q := url.Values{}
	for _, tier := range c.tiers {
		q.Add(tierParam, tier)
	}
	for question, all := range c.asked {
		for _, a := range all {
			q.Add(question, a)
		}
	}
	set := func(name, value string) {
		if value != "" {
			q.Set(name, value)
		}
	}
	set(fromParam, c.from)
	set(toParam, c.to)
	set(sortParam, c.sort)
	set(givenParam, c.given)
	if c.noNames {
		q.Set(namesParam, off)
	}
	return q
}

// holds reports whether a patient is chosen by tier and bed; lister.holds knows the rest.
func (c choice) holds(a alerts.Assessment) bool {
	return (c.tiers == nil || slices.Contains(c.tiers, a.Tier)) && alerts.BedWithin(a.Digest.Stay.Bed, c.from, c.to)
}

// ordered is the list in the chosen order.
func (c choice) ordered(list []alerts.Assessment) []alerts.Assessment {
	switch c.sort {
	case byBed:
		list = slices.Clone(list)
		slices.SortStableFunc(list, func(a, b alerts.Assessment) int {
			return alerts.CompareBeds(a.Digest.Stay.Bed, b.Digest.Stay.Bed)
		})
	case byRecheck:
		list = slices.Clone(list)
		slices.SortStableFunc(list, func(a, b alerts.Assessment) int {
			x, y := a.Recheck.DueAt, b.Recheck.DueAt
			switch {
			case x == nil && y == nil:
				return 0
			case x == nil:
				return 1
			case y == nil:
				return -1
			}
			return x.Compare(*y)
		})
	}
	return list
}

// words says what the choice leaves, "" for all.
func (c choice) words() []string {
	var out []string
	var names []string
	for _, tier := range c.tiers {
		names = append(names, text.TierNames[tier])
	}
	if len(names) > 0 {
		out = append(out, text.List(names))
	}
	switch {
	case c.from != "" && c.to != "":
		out = append(out, text.Say("huddle.beds-from-to", c.from, c.to))
	case c.from != "":
		out = append(out, text.Say("huddle.beds-from", c.from))
	case c.to != "":
		out = append(out, text.Say("huddle.beds-to", c.to))
	}
	for _, question := range questions {
		var said []string
		for _, a := range c.asked[question] {
			said = append(said, answerWord(question, a))
		}
		if len(said) > 0 {
			out = append(out, only(question, said))
		}
	}
	switch c.given {
	case "":
	case nobody:
		out = append(out, text.Say("huddle.only-unnamed"))
	case mine:
		out = append(out, text.Say("huddle.only-mine"))
	default:
		out = append(out, text.Say("huddle.only-given", c.given))
	}
	return out
}
