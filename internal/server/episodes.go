package server

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/alerts"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
)

func episodesURL(unit string) string { return unitURL(unit) + "/episodes" }

// anchor is the id of an episode on every page that shows it.
func anchor(id string) string { return "e-" + id }

// unitOf is the unit that the page of a request is about; "" where there is none.
func unitOf(c *gin.Context) string {
	if seen, ok := c.Get(stayKey); ok {
		return seen.(seenStay).view.Assessment.Digest.Stay.Unit
	}
	if seen, ok := c.Get(fallKey); ok {
		return unitOfFall(seen.(seenFall).fall)
	}
	return c.Param("unit")
}

// owedLine says on the list how many episodes are owed. It is no part of the list
// that is kept for a minute: somebody may take one at any moment.
type owedLine struct {
	Text string
	URL  string // "" where the reader may not follow
}

func (s *server) owedLine(a auth.Account, unit string, g given) *owedLine {
	if s.Episodes == nil {
		return nil
	}
	l := &owedLine{}
	if a.May(auth.ViewNames) {
		l.URL = episodesURL(unit)
	}
	if l.Text = text.Owed(g.owed); g.err != nil {
		l.Text = text.Say("episodes.uncounted")
	}
	return l
}

// episodesView is what is owed on a unit, and what ended of late.
type episodesView struct {
	frame
	Unit   link
	Self   string
	Moment *moment
	Says   string
	Kinds  []kindView
	Ended  []episodeView
	Tally  string // the address of the tally; "" where the reader may not see it
}

type kindView struct {
	ID, Name string
	Episodes []episodeView
}

// episodeView is one episode, on whichever page.
type episodeView struct {
	ID     string // for links to it
	Name   string // what it is about, as its heading
	Bed    *bedView
	Why    string
	Rule   *ruleLink
	Facts  string
	State  string // as a word of the rules
	Says   string // where it stands
	Since  *moment
	Events []eventView // nil where the page shows none
	Review string      // the address of the dose review that it asks for; "" for none, or who may not review
	Forms  *episodeForms
}

// bedView names the patient of an episode on a page about several.
type bedView struct {
	Bed, Name, StayID, URL string
	Listed                 bool // the patient is on the unit's list
}

type eventView struct {
	At   *moment
	Says string
}

// endedHours is for how long the unit's page lists what has ended: since this time
// yesterday, so that each shift sees what the one before it has done.
const endedHours = 24

func (s *server) episodesPage(c *gin.Context) {
	if c.Query("as_of") != "" {
		s.tell(c, http.StatusBadRequest, text.Say("episodes.only-now"), text.Say("episodes.only-now-says"))
		return
	}
	unit, now, a := c.Param("unit"), s.Clock(), accountOf(c)
	list, err := s.Board.Live(c.Request.Context(), unit, s.minute())
	if err != nil {
		s.fail(c, err)
		return
	}
	var owed []episodes.Episode
	var ended []care.History
	if s.Episodes != nil {
		owed, err = s.Episodes.Unit(c.Request.Context(), unit)
		if err == nil {
			ended, err = s.Episodes.Ended(c.Request.Context(), unit, now.Add(-endedHours*time.Hour), now.Add(time.Minute))
		}
	}
	if err != nil {
		s.fail(c, err)
		return
	}
	t := times{s.Board.Catalogue(now), true}
	v := episodesView{
		frame: s.frame(c, text.Say("episodes.title", unit)).at(episodesURL(unit)).live(now),
		Unit:  link{Name: unit, URL: unitURL(unit)}, Self: episodesURL(unit), Moment: t.plain(now), Says: text.Owed(owed),
	}
	if a.May(auth.ViewUnitFigures) {
		v.Tally = episodesURL(unit) + "/tally"
	}
	beds := bedsOf(list)
	for _, kind := range episodes.Kinds {
		k := kindView{ID: "k-" + string(kind), Name: text.EpisodeKinds[kind]}
		for _, e := range owed {
			if e.Kind == kind {
				ev := s.episodeView(t, e)
				ev.Bed = bedIn(beds, e.StayID)
				ev.offer(e, a, backToUnit)
				k.Episodes = append(k.Episodes, ev)
			}
		}
		if k.Episodes != nil {
			v.Kinds = append(v.Kinds, k)
		}
	}
	for _, h := range ended {
		ev := s.episodeView(t, h.Episode)
		ev.Bed = bedIn(beds, h.Episode.StayID)
		v.Ended = append(v.Ended, ev)
	}
	s.show(c, http.StatusOK, "episodes", v)
}

func bedsOf(list []alerts.Assessment) map[string]clinical.Stay {
	out := make(map[string]clinical.Stay, len(list))
	for _, a := range list {
		out[a.Digest.StayID] = a.Digest.Stay
	}
	return out
}

func bedIn(beds map[string]clinical.Stay, stayID string) *bedView {
	stay, listed := beds[stayID]
	return &bedView{Bed: stay.Bed, Name: stay.Name, StayID: stayID, URL: stayURL(stayID), Listed: listed}
}

func (s *server) episodeView(t times, e episodes.Episode) episodeView {
	v := episodeView{
		ID: anchor(e.ID), Name: text.EpisodeKinds[e.Kind], Why: t.EpisodeWhy(e.Rule, e.Figures),
		State: string(e.State), Says: t.EpisodeState(e), Since: t.plain(e.RaisedAt),
	}
	if _, explained := s.ruleTexts()[e.Rule]; explained {
		rule := s.rule(e.Rule)
		v.Rule = &rule
	}
	facts := make([]string, len(e.Facts))
	for n, f := range e.Facts {
		facts[n] = string(f.Kind) + " " + f.SourceID
	}
	v.Facts = strings.Join(facts, ", ")
	return v
}

// offer puts on the episode what an account may do about it.
func (v *episodeView) offer(e episodes.Episode, a auth.Account, back string) {
	about := v.Name
	if v.Bed != nil { // those who hear the page hear which of several it is
		about = text.Say("episodes.about", v.Name, cmp.Or(v.Bed.Bed, v.Bed.StayID))
	}
	v.Forms = formsOf(e, a, back, about)
	if e.Kind == episodes.DoseReview && e.Active() && a.May(auth.ReviewDoses, auth.ViewStay) && a.OnUnit(e.Unit) {
		v.Review = reviewURL(e.StayID)
	}
}

func eventsOf(t times, events []episodes.Event) []eventView {
	out := make([]eventView, len(events))
	for n, v := range events {
		out[n] = eventView{t.plain(v.At), t.EpisodeEvent(v)}
	}
	return out
}

// stayEpisodes lists every episode of the stay with its history: as it stands, with
// what the account may do, or as it stood at another moment.
func (s *server) stayEpisodes(c *gin.Context, when asked, stayID string) ([]episodeView, error) {
	if s.Episodes == nil {
		return nil, nil
	}
	histories, err := s.Episodes.Stay(c.Request.Context(), stayID)
	if err != nil {
		return nil, err
	}
	at := when.at
	if when.live {
		at = s.Clock() // not cut to the minute: what was just done is shown
	} else {
		histories = care.AsOf(histories, at)
	}
	t := times{s.Board.Catalogue(at), when.live}
	var out []episodeView
	for _, h := range histories {
		v := s.episodeView(t, h.Episode)
		v.Events = eventsOf(t, h.Events)
		if when.live {
			v.offer(h.Episode, accountOf(c), backToStay)
		}
		out = append(out, v)
	}
	return out, nil
}

// feedEpisodes lists what is owed of the feeds.
func (s *server) feedEpisodes(c *gin.Context, now time.Time) ([]episodeView, error) {
	if s.Episodes == nil {
		return nil, nil
	}
	list, err := s.Episodes.Unit(c.Request.Context(), "")
	t := times{s.Board.Catalogue(now), true}
	var out []episodeView
	for _, e := range list {
		v := s.episodeView(t, e)
		v.offer(e, accountOf(c), "")
		out = append(out, v)
	}
	return out, err
}

// actable reports whether any of them has a form.
func actable(list []episodeView) bool {
	return slices.ContainsFunc(list, func(v episodeView) bool { return v.Forms != nil })
}
