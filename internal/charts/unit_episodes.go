package charts

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// quiet reports whether a count says nothing at all.
func quiet(c episodes.Count) bool {
	return c.Opened+c.Reopened+c.Arrived+c.StillOpen == 0 && len(c.Evidence)+len(c.Person) == 0
}

// episodes draws the load of episodes and tells how they ended. Periods before the
// first one known are missing, not quiet: the program may not have kept any then.
func (b *unitBuilder) episodes() {
	p := UnitPanel{Panel: Panel{
		ID: "episodes", Title: text.Say("overtime.episodes"), Says: text.Say("overtime.episodes-says"), Empty: text.Say("overtime.episodes-none"),
		Table: Table{Head: []string{
			b.by(), text.Say("overtime.col-opened"), text.Say("overtime.col-per100days"), text.Say("overtime.col-limits"),
			text.Say("overtime.col-evidence"), text.Say("overtime.col-person"), text.Say("overtime.col-open"), text.Say("overtime.col-age"),
		}},
	}}
	known := slices.IndexFunc(b.Episodes, func(of []episodes.Count) bool { return len(of) > 0 && !quiet(of[0]) })
	if known < 0 {
		b.charts.Panels = append(b.charts.Panels, p)
		return
	}
	p.Empty = ""
	if known > 0 {
		p.Notes = append(p.Notes, text.Say("overtime.episodes-from", b.Period(b.Figures.Periods[known].Period, b.By)))
	}
	counts, days := make([]int, len(b.Episodes)), make([]float64, len(b.Episodes))
	for n, of := range b.Episodes {
		if n >= known && len(of) > 0 {
			counts[n], days[n] = of[0].Opened+of[0].Reopened, b.Figures.Periods[n].PatientDays/hundred
		}
	}
	points := trends.UChart(counts, days)
	rules, thin := trends.RunRules(points), thinness(days)
	places := []place{}
	for n, u := range b.Figures.Periods {
		at := place{
			name: b.Period(u.Period, b.By), short: b.short(u.Period), value: points[n].Value, point: points[n],
			rules: rules[n], thin: thin[n],
		}
		row := []string{b.periodName(u.Period), dash, dash, dash, dash, dash, dash, dash}
		if n >= known && len(b.Episodes[n]) > 0 {
			c := b.Episodes[n][0]
			byEvidence, byPerson := c.Ended()
			rate := dash
			if points[n].Value != nil {
				rate = fmt.Sprintf(rates, *points[n].Value)
				at.says = text.Say("overtime.episodes-one", counts[n], *points[n].Value, byEvidence, byPerson, c.StillOpen)
			}
			row = []string{
				b.periodName(u.Period), opened(c), rate, limits(points[n], rates),
				strconv.Itoa(byEvidence), strconv.Itoa(byPerson), strconv.Itoa(c.StillOpen), age(c.AtEnding),
			}
		}
		places = append(places, at)
		p.Table.Rows = append(p.Table.Rows, row)
	}
	p.Notes = append(p.Notes, beyondAxis(places)...)
	p.More = []Table{b.endings(known)}
	b.add(p, places, axes{}, false)
}

func opened(c episodes.Count) string {
	out := strconv.Itoa(c.Opened + c.Reopened)
	if c.Reopened > 0 {
		out += " (" + text.Say("overtime.again", c.Reopened) + ")"
	}
	return out
}

func age(d *time.Duration) string {
	if d == nil {
		return dash
	}
	return text.Span(*d)
}

// endings adds up, over the periods, the openings of each kind and how they ended.
func (b *unitBuilder) endings(known int) Table {
	t := Table{Head: []string{text.Say("overtime.col-kind"), text.Say("overtime.col-opened"), text.Say("overtime.col-ended")}}
	for _, kind := range episodes.Kinds {
		n, ended := 0, map[string]int{}
		for _, of := range b.Episodes[known:] {
			for _, c := range of {
				if c.Kind != kind {
					continue
				}
				n += c.Opened + c.Reopened
				for reason, m := range c.Evidence {
					ended[text.Ending(reason)] += m
				}
				_, byPerson := c.Ended()
				if byPerson > 0 {
					ended[text.Say("overtime.by-person")] += byPerson
				}
			}
		}
		if n == 0 && len(ended) == 0 {
			continue
		}
		t.Rows = append(t.Rows, []string{text.EpisodeKinds[kind], strconv.Itoa(n), endingWords(ended)})
	}
	return t
}

// endingWords lists how many ended in which way, the most frequent first.
func endingWords(ended map[string]int) string {
	if len(ended) == 0 {
		return dash
	}
	words := make([]string, 0, len(ended))
	for reason := range ended {
		words = append(words, reason)
	}
	slices.SortFunc(words, func(a, c string) int { return cmp.Or(cmp.Compare(ended[c], ended[a]), cmp.Compare(a, c)) })
	for n, reason := range words {
		words[n] = fmt.Sprintf("%d: %s", ended[reason], reason)
	}
	return strings.Join(words, "; ")
}
