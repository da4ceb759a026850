package unit

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// tallyView is the load of episodes of a unit over the last days, and their endings.
type tallyView struct {
	frame.Layout
	Unit        frame.Link
	Episodes    string
	From, To    *frame.Moment
	PatientDays string
	Rows        []tallyRow
	Endings     []endingRow
}

type tallyRow struct {
	Kind                        string
	Opened, Reopened, Arrived   int
	Per100                      string
	Evidence, Person, StillOpen int
	AtTaking, AtEnding          string
}

type endingRow struct {
	How, Why string
	Count    int
}

// tallyDays is over how many whole days before today the page counts, and today.
const tallyDays = 30

func (s *service) tallyPage(c *frame.Request) (frame.Page, error) {
	ctx, unit, now := c.Request.Context(), c.Param("unit"), s.Clock()
	y, m, d := now.In(s.Zone).Date()
	from := clinical.DayStart(y, m, d-tallyDays, s.Zone)
	figures, err := s.Figures.Unit(ctx, unit, from, now, trends.ByMonth, now)
	if err != nil {
		return nil, err
	}
	days := 0.0
	for _, p := range figures.Periods {
		days += p.PatientDays
	}
	var counts []episodes.Count
	if s.Episodes != nil {
		if counts, err = s.Episodes.Tally(ctx, unit, from, now, days); err != nil {
			return nil, err
		}
	}
	t := s.Times(now, false)
	v := tallyView{
		Layout: s.Layout(c, text.Say("tally.title", unit)).At(frame.EpisodesURL(unit)),
		Unit:   frame.Link{Name: unit, URL: frame.UnitURL(unit)}, Episodes: frame.EpisodesURL(unit),
		From: t.Moment(from), To: t.Moment(now), PatientDays: text.Figure(days),
	}
	for _, count := range counts {
		v.Rows = append(v.Rows, tallyRowOf(count))
	}
	if len(counts) > 0 {
		v.Endings = endingsOf(counts[0])
	}
	return frame.Show(http.StatusOK, "tally", v)
}

func tallyRowOf(c episodes.Count) tallyRow {
	r := tallyRow{
		Kind: text.EpisodeKinds[c.Kind], Opened: c.Opened, Reopened: c.Reopened, Arrived: c.Arrived,
		Per100:    parts.Number(c.Per100),
		StillOpen: c.StillOpen, AtTaking: span(c.AtTaking), AtEnding: span(c.AtEnding),
	}
	if c.Kind == "" {
		r.Kind = text.Say("tally.all")
	}
	r.Evidence, r.Person = c.Ended()
	return r
}

func span(d *time.Duration) string {
	if d == nil {
		return parts.Dash
	}
	return text.Span(*d)
}

// endingsOf lists how episodes ended, the most frequent first.
func endingsOf(c episodes.Count) []endingRow {
	var out []endingRow
	add := func(how string, counts map[string]int) {
		for reason, n := range counts {
			out = append(out, endingRow{how, text.Ending(reason), n})
		}
	}
	add(text.Say("tally.by-evidence"), c.Evidence)
	add(text.Say("tally.by-person"), c.Person)
	slices.SortFunc(out, func(a, b endingRow) int {
		if a.Count != b.Count {
			return b.Count - a.Count
		}
		return strings.Compare(a.How+a.Why, b.How+b.Why)
	})
	return out
}
