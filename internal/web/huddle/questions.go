package huddle

import (
	"maps"
	"slices"
	"strconv"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/parts"
)

// Answers of the questions of the page, as they stand in the address.
const (
	aSet, aTell, aClearance, aPrecautions, aReview, aData = "set", "tell", "clearance", "precautions", "review", "data"

	overdue = "overdue"

	fell, bleeds, lost, chest, low, unread = "fell", "bleeds", "lost", "chest", "low", "unread"
	cuff, blocked, silent                  = "cuff", "blocked", "silent"

	newFall, newPositive, newCleared, newDose, newHere = "fall", "positive", "cleared", "dose", "here"
)

var (
	owedWords = []string{aSet, aTell, aClearance, aPrecautions, aReview, aData}
	marks     = []string{fell, bleeds, lost, chest, low, unread, cuff, blocked, silent}
	newWords  = []string{newFall, newPositive, newCleared, newDose, newHere}
)

// owedWord is the question of what is owed that an episode belongs to.
func owedWord(k records.EpisodeKind) string {
	switch k {
	case episodes.TellProvider:
		return aTell
	case episodes.ClearanceOwed:
		return aClearance
	case episodes.DataContradiction:
		return aData
	case episodes.PrecautionsMissing:
		return aPrecautions
	case episodes.DoseReview:
		return aReview
	}
	return aSet
}

// answerWord is an answer in words; one that the catalogue does not know as it stands.
func answerWord(question, answer string) string {
	switch {
	case question == lacksParam:
		return text.Word(answer)
	case question == hourParam && answer == overdue:
		return text.RecheckStates[alerts.Overdue]
	case question == hourParam:
		return text.Say("huddle.hour", answer)
	}
	if word, ok := text.ListAnswers[question+"-"+answer]; ok {
		return word
	}
	return answer
}

// only says of a question what was chosen.
func only(question string, said []string) string {
	all := text.Or(said)
	switch question {
	case owedParam:
		return text.Say("huddle.only-owed", all)
	case hourParam:
		return text.Say("huddle.only-hour", all)
	case lacksParam:
		return text.Say("huddle.only-lacks", all)
	case markParam:
		return text.Say("huddle.only-mark", all)
	}
	return text.Say("huddle.only-new", all)
}

// holds reports whether a patient is among those chosen.
func (l lister) holds(a alerts.Assessment) bool {
	if !l.chosen.holds(a) {
		return false
	}
	for question, wanted := range l.chosen.asked {
		given := l.answersOf(a, question)
		if len(wanted) > 0 && !slices.ContainsFunc(wanted, func(w string) bool { return slices.Contains(given, w) }) {
			return false
		}
	}
	return l.chosen.given == "" || slices.ContainsFunc(l.owedTo(a), l.isGiven)
}

// isGiven reports whether a thing is with whom the choice names.
func (l lister) isGiven(t episodes.Thing) bool {
	if !t.Active() {
		return false
	}
	switch l.chosen.given {
	case nobody:
		return t.Nobodys()
	case mine:
		return l.sees.me != "" && t.Owner() == l.sees.me
	}
	return l.sees.names && t.Owner() == l.chosen.given
}

// answersOf are the answers that a patient gives to a question.
func (l lister) answersOf(a alerts.Assessment, question string) (out []string) {
	switch question {
	case markParam:
		for _, m := range l.marks[a.Digest.StayID] {
			out = append(out, m.Kind)
		}
		return trends.Distinct(out) // two of one kind are one patient
	case newParam:
		return l.news[a.Digest.StayID]
	default:
		for _, t := range l.owedTo(a) {
			if t.Active() {
				out = append(out, l.answersOfThing(a, t, question)...)
			}
		}
	}
	return out
}

// answersOfThing are the answers that one thing that is owed gives to a question.
func (l lister) answersOfThing(a alerts.Assessment, t episodes.Thing, question string) []string {
	word := owedWord(t.Kind)
	switch {
	case question == owedParam:
		return []string{word}
	case question == hourParam && word == aSet && t.Due != nil && t.Due.At != nil:
		return []string{l.hourOf(t)}
	case question == lacksParam && word == aPrecautions:
		return a.Precautions.Missing
	}
	return nil
}

// hourOf is the hour of the day at which a set is due, or that it is overdue.
func (l lister) hourOf(t episodes.Thing) string {
	if t.Due.At.Before(l.answer.at) {
		return overdue
	}
	return t.Due.At.In(l.Zone).Format("15")
}

// newsOf says of each stay what has happened to it since the last huddle.
func newsOf(s alerts.Since) map[string][]string {
	out := map[string][]string{}
	add := func(a alerts.Assessment, word string) { out[a.Digest.StayID] = append(out[a.Digest.StayID], word) }
	for _, f := range s.Falls {
		add(f.Of, newFall)
	}
	for _, p := range s.Positives {
		add(p.Of, newPositive)
	}
	for _, a := range s.Cleared {
		add(a, newCleared)
	}
	for _, d := range s.Doses {
		add(d.Of, newDose)
	}
	for _, a := range s.Arrived {
		add(a, newHere)
	}
	return out
}

// markView is a mark of a patient: one word for what must not be missed.
type markView struct{ Kind, Word, Says string }

// marksOf are the marks of a patient.
func (l lister) marksOf(a alerts.Assessment) []markView {
	var out []markView
	add := func(kind, says string) {
		out = append(out, markView{kind, text.ListSigns[kind], says})
	}
	from := l.answer.at.Add(-clinical.Hours(l.policy.Tiers.RecentHours))
	if events := alerts.FellOrFainted(a, from); len(events) > 0 {
		word := text.ListSigns[fell]
		if !slices.ContainsFunc(events, func(e alerts.Event) bool { return !e.Fainted }) {
			word = text.ListSigns["fainted"]
		}
		out = append(out, markView{fell, word, l.Event(events[0])})
	}
	if drugs := bleedersOf(a); len(drugs) > 0 {
		add(bleeds, text.List(drugs))
	}
	if set := a.ChestPain; set != nil {
		word := text.ListSigns[chest]
		if slices.Contains(set.AtRest, clinical.HoldChestPain) {
			word = text.ListSigns["chest-rest"]
		}
		out = append(out, markView{chest, word, l.ChestPainBrief(*set)})
	}
	for _, e := range a.Emergencies {
		m := markView{unread, text.ListSigns[unread], l.EmergencyBrief(e)}
		switch e.What {
		case clinical.LossOfConsciousness:
			m.Kind, m.Word = lost, text.ListSigns[lost]
		case clinical.HoldChestPain:
			m.Kind, m.Word = chest, text.ListSigns[chest]
		}
		out = append(out, m)
	}
	if a.LowAtRest != nil {
		add(low, l.LowAtRestBrief(*a.LowAtRest))
	}
	if limbs := parts.LimbsOf(a); len(limbs) > 0 {
		add(cuff, text.List(limbs))
	}
	if a.Recheck.State == alerts.Blocked {
		add(blocked, text.List(text.Missing(a.Recheck.Missing)))
	}
	if l.quiet(a) {
		add(silent, l.QuietBrief(a.Digest.NewestVitals))
	}
	return out
}

// bleedersOf are the drugs of a patient that make a fall bleed (E-GIVEN), by name.
func bleedersOf(a alerts.Assessment) []string {
	var out []string
	for _, g := range a.Exposures.LastGiven {
		if !g.LineOnly && clinical.Antithrombotic(g.ATC) != "" {
			out = append(out, g.Name)
		}
	}
	return trends.Distinct(out)
}

// questions are the questions of the page. They count the whole unit, whatever is chosen.
func (l lister) questions(unit string) []parts.Question {
	counts := map[string]map[string]int{}
	for _, q := range questions {
		counts[q] = map[string]int{}
	}
	people, unowned := map[string]int{}, 0
	for _, a := range l.answer.list {
		for _, q := range []string{markParam, newParam} {
			for _, answer := range l.answersOf(a, q) {
				counts[q][answer]++
			}
		}
		for _, t := range l.owedTo(a) {
			if !t.Active() {
				continue
			}
			for _, q := range []string{owedParam, hourParam, lacksParam} {
				for _, answer := range l.answersOfThing(a, t, q) {
					counts[q][answer]++
				}
			}
			if t.Nobodys() {
				unowned++
			} else if name := t.Owner(); name != "" && l.sees.names {
				people[name]++
			}
		}
	}
	ask := func(name, question string, order []string) parts.Question {
		v := parts.Question{Name: name}
		for _, answer := range order {
			if n := counts[question][answer]; n > 0 || l.chosen.asks(question, answer) {
				v.Answers = append(v.Answers, parts.Answer{
					Name: answerWord(question, answer), Count: strconv.Itoa(n),
					URL: l.address(unit, l.chosen.with(question, answer)), On: l.chosen.asks(question, answer),
				})
			}
		}
		return v
	}
	out := []parts.Question{ask(text.Say("huddle.ask-owed", l.Short(l.answer.nextShift)), owedParam, owedWords)}
	if l.chosen.asks(owedParam, aSet) || len(l.chosen.asked[hourParam]) > 0 {
		out = append(out, ask(text.Say("huddle.ask-hour"), hourParam, l.hours(counts[hourParam])))
	}
	if l.chosen.asks(owedParam, aPrecautions) || len(l.chosen.asked[lacksParam]) > 0 {
		out = append(out, ask(text.Say("huddle.ask-lacks"), lacksParam, slices.Sorted(maps.Keys(counts[lacksParam]))))
	}
	out = append(out, l.whose(unit, people, unowned),
		ask(text.Say("huddle.ask-mark"), markParam, marks),
		ask(text.Say("huddle.ask-new", l.Short(l.answer.since.From)), newParam, newWords))
	return slices.DeleteFunc(out, func(q parts.Question) bool { return len(q.Answers) == 0 })
}

// whose asks whose it is.
func (l lister) whose(unit string, people map[string]int, unowned int) parts.Question {
	v := parts.Question{Name: text.Say("huddle.ask-whose")}
	add := func(name, given, count string) {
		c := l.chosen
		if c.given = given; l.chosen.given == given {
			c.given = ""
		}
		v.Answers = append(v.Answers, parts.Answer{Name: name, Count: count, URL: l.address(unit, c), On: l.chosen.given == given})
	}
	if unowned > 0 || l.chosen.given == nobody {
		add(text.Say("huddle.whose-nobody"), nobody, strconv.Itoa(unowned))
	}
	if l.sees.acts || l.chosen.given == mine {
		add(text.Say("huddle.whose-mine"), mine, "")
	}
	for _, name := range slices.Sorted(maps.Keys(people)) {
		add(name, name, strconv.Itoa(people[name]))
	}
	return v
}

// hours are the hours of the day in the order in which they come, what is overdue first.
func (l lister) hours(counts map[string]int) []string {
	now := l.answer.at.In(l.Zone).Hour()
	after := func(hour string) int {
		h, err := strconv.Atoi(hour)
		if err != nil {
			return -1
		}
		return (h - now + 24) % 24
	}
	keys := slices.Sorted(maps.Keys(counts))
	slices.SortStableFunc(keys, func(x, y string) int { return after(x) - after(y) })
	return keys
}
