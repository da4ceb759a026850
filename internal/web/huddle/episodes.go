package huddle

import (
	"net/http"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

func (s *service) owedLine(a records.Account, unit string, g standing) *frame.OwedLine {
	if s.Episodes == nil {
		return nil
	}
	l := &frame.OwedLine{}
	if a.May(records.ViewNames) {
		l.URL = frame.EpisodesURL(unit)
	}
	if l.Text = text.Owed(g.things); g.err != nil {
		l.Text = text.Say("episodes.uncounted")
	}
	return l
}

// episodesView is what is owed on a unit, and what ended of late.
type episodesView struct {
	frame.Layout
	Unit   frame.Link
	Self   string
	Moment *frame.Moment
	Says   string
	Kinds  []kindView
	Ended  []parts.Episode
	Tally  string // the address of the tally; "" where the reader may not see it
}

type kindView struct {
	ID, Name string
	Episodes []parts.Episode
}

// endedHours is for how long the unit's page lists what has ended: since this time
// yesterday, so that each shift sees what the one before it has done.
const endedHours = 24

func (s *service) episodesPage(c *frame.Request) (frame.Page, error) {
	if c.Query("as_of") != "" {
		return frame.Tell(http.StatusBadRequest, text.Say("episodes.only-now"), text.Say("episodes.only-now-says"))
	}
	unit, now, a := c.Param("unit"), s.Clock(), frame.AccountOf(c)
	when := frame.Asked{At: s.Now(c), Live: true}
	kept, err := s.answerAbout(c.Request.Context(), unit, when)
	if err != nil {
		return nil, err
	}
	list := kept.answer.list
	g := s.standingOn(c.Request.Context(), unit, when, kept.answer)
	if g.err != nil {
		return nil, g.err
	}
	owed := g.owed()
	var ended []care.History
	if s.Episodes != nil {
		ended, err = s.Episodes.Ended(c.Request.Context(), unit, now.Add(-endedHours*time.Hour), now.Add(time.Minute))
	}
	if err != nil {
		return nil, err
	}
	t := s.Times(now, true)
	v := episodesView{
		Layout: s.Layout(c, text.Say("episodes.title", unit)).At(frame.EpisodesURL(unit)).Live(now),
		Unit:   frame.Link{Name: unit, URL: frame.UnitURL(unit)}, Self: frame.EpisodesURL(unit), Moment: t.Moment(now),
		Says: text.Owed(owed),
	}
	if a.May(records.ViewUnitFigures) {
		v.Tally = frame.EpisodesURL(unit) + "/tally"
	}
	beds := bedsOf(list)
	for _, kind := range episodes.Kinds {
		k := kindView{ID: "k-" + string(kind), Name: text.EpisodeKinds[kind]}
		for _, e := range owed {
			if e.Kind == kind {
				ev := parts.ThingOf(t, e)
				ev.Bed = bedIn(beds, e.StayID)
				ev.Offer(t, e, a, parts.BackToUnit)
				k.Episodes = append(k.Episodes, ev)
			}
		}
		if k.Episodes != nil {
			v.Kinds = append(v.Kinds, k)
		}
	}
	for _, h := range ended {
		ev := parts.EpisodeOf(t, h.Episode)
		ev.Bed = bedIn(beds, h.Episode.StayID)
		v.Ended = append(v.Ended, ev)
	}
	return frame.Show(http.StatusOK, "episodes", v)
}

func bedsOf(list []alerts.Assessment) map[string]clinical.Stay {
	out := make(map[string]clinical.Stay, len(list))
	for _, a := range list {
		out[a.Digest.StayID] = a.Digest.Stay
	}
	return out
}

func bedIn(beds map[string]clinical.Stay, stayID string) *parts.BedView {
	stay, listed := beds[stayID]
	return &parts.BedView{Bed: stay.Bed, Name: stay.Name, StayID: stayID, URL: frame.StayURL(stayID), Listed: listed}
}
