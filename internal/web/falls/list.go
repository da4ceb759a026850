package falls

import (
	"net/http"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// fallStates say how the set after a fall stands.
func fallStates() map[string]string {
	return map[string]string{
		alerts.SetInTime: text.Say("fall.set-in-time"), alerts.SetLate: text.Say("fall.set-late"),
		alerts.SetOpen:    text.Say("fall.set-open"),
		alerts.SetMissing: text.Say("fall.set-missing"), alerts.SetNotOwed: text.Say("fall.set-not-owed"),
	}
}

// setAfterWord is how the set after a fall stands. Of a stay that has ended none is
// awaited any more.
func setAfterWord(f assess.Fall, state string, now time.Time) string {
	if (state == alerts.SetOpen || state == alerts.SetMissing) && stayOver(f, now) {
		return text.Say("fall.set-never")
	}
	return fallStates()[state]
}

func stayOver(f assess.Fall, now time.Time) bool {
	out := f.Now.Assessment.Digest.Stay.DischargedAt
	return out != nil && !out.After(now)
}

// fallsView lists the falls of a unit.
type fallsView struct {
	frame.Layout
	Unit     string
	List     string // the address of the ranked list
	From, To string // months, as the fields hold them
	Period   string
	Count    string
	Falls    []fallLine
	Left     int // falls that are not listed, being more than the page shows
	Error    string
}

type fallLine struct {
	At                              *frame.Moment
	URL, Bed, Name, PatientID       string
	Injury, Assisted                string
	Bleeds                          string // the drugs that make it bleed; "" for none
	Tier, TierName, Lead, State, ID string
}

// fallsShown are the falls that the page lists at most.
const fallsShown = 200

// fallsMonths are the months that the page lists where none are asked for.
const fallsMonths = 6

func (s *service) fallsPage(c *frame.Request) (frame.Page, error) {
	unit, now := c.Param("unit"), s.Now(c)
	v := fallsView{
		Layout: s.Layout(c, text.Say("falls.title", unit)).At(frame.FallsURL(unit)), Unit: unit, List: frame.UnitURL(unit),
	}
	from, to, ok := s.months(c, now)
	if !ok {
		v.Error = text.Say("falls.bad-months")
	}
	v.From, v.To = from.In(s.Zone).Format("2006-01"), to.In(s.Zone).Add(-time.Hour).Format("2006-01")
	v.Period = text.Say(
		"falls.period", from.In(s.Zone).Format("January 2006"), to.In(s.Zone).Add(-time.Hour).Format("January 2006"),
	)
	falls, err := s.Falls.Falls(c.Request.Context(), unit, from, to, now)
	if err != nil {
		return nil, err
	}
	v.Count = text.Plural(len(falls), text.Say("counts.fall"), text.Say("counts.falls"))
	if len(falls) > fallsShown {
		v.Left, falls = len(falls)-fallsShown, falls[:fallsShown]
	}
	t := s.Times(now, false)
	for _, f := range falls {
		v.Falls = append(v.Falls, s.fallLine(t, f))
	}
	status := http.StatusOK
	if !ok {
		status = http.StatusUnprocessableEntity
	}
	return frame.Show(status, "falls", v)
}

func (s *service) fallLine(t frame.Times, f assess.FallOnUnit) fallLine {
	d := f.Now.Assessment.Digest
	l := fallLine{
		At: t.MomentAgo(f.FellAt), URL: frame.FallURL(f.SourceID), ID: f.SourceID, Bed: d.Stay.Bed, Name: d.Stay.Name,
		PatientID: d.Stay.PatientID,
		Injury:    text.Injury(f.Injury), Assisted: text.Assisted(f.Assisted),
		State:    setAfterWord(f.Fall, f.After.State, t.At),
		TierName: text.Say("falls.not-known"),
	}
	for _, known := range d.Falls {
		if known.SourceID == f.SourceID {
			l.Bleeds = text.Bleeds(known)
		}
	}
	if a := f.Before; a != nil {
		before := s.Times(a.At, false)
		l.Bed = a.Digest.Stay.Bed
		l.Tier, l.TierName = a.Tier, text.TierNames[a.Tier]
		if len(a.Reasons) > 0 {
			l.Lead = before.Brief(a.Reasons[0])
		}
	}
	return l
}

// months reads the first and the last month asked for, or takes the latest ones:
// from the start of the first until the end of the last. False where they cannot be
// read or stand in the wrong order; the latest ones are then shown.
func (s *service) months(c *frame.Request, now time.Time) (from, to time.Time, ok bool) {
	year, month, _ := now.In(s.Zone).Date()
	start := func(y int, m time.Month) time.Time { return clinical.DayStart(y, m, 1, s.Zone) }
	from, to = start(year, month-fallsMonths+1), start(year, month+1)
	read := func(name string, byDefault time.Time, later time.Month) (time.Time, bool) {
		word := strings.TrimSpace(c.Query(name))
		if word == "" {
			return byDefault, true
		}
		m, err := time.Parse("2006-01", word)
		return start(m.Year(), m.Month()+later), err == nil
	}
	first, okFrom := read("from", from, 0)
	last, okTo := read("to", to, 1)
	if !okFrom || !okTo || !first.Before(last) {
		return from, to, false
	}
	return first, last, true
}
