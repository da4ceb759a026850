package huddle

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/audit"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

func backURL(e records.Episode, back string) string {
	switch {
	case e.StayID == "":
		return "/feeds#" + parts.Anchor(e.ID)
	case back == parts.BackToStay:
		return frame.StayURL(e.StayID) + "#" + parts.Anchor(e.ID)
	}
	return frame.EpisodesURL(e.Unit) + "#" + parts.Anchor(e.ID)
}

func (s *service) takeEpisode(c *frame.Request) (frame.Page, error) {
	verb, e := episodes.Take, frame.EpisodeOf(c).Episode
	if e.State == episodes.Taken && e.Who != frame.AccountOf(c).Name {
		verb = episodes.TakeOver // what the button said, if the state is the one that was seen
	}
	return s.actOnEpisode(c, verb)
}

func (s *service) releaseEpisode(c *frame.Request) (frame.Page, error) {
	return s.actOnEpisode(c, episodes.Release)
}

func (s *service) deferEpisode(c *frame.Request) (frame.Page, error) {
	return s.actOnEpisode(c, episodes.Defer)
}

func (s *service) closeEpisode(c *frame.Request) (frame.Page, error) {
	return s.actOnEpisode(c, episodes.Close)
}

// actOnEpisode does what a form asks and leads back to the page that it came from.
// Where it cannot be done, nothing is changed, and a page says why, with what was
// typed.
func (s *service) actOnEpisode(c *frame.Request, verb episodes.Verb) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	now, id := s.Clock(), frame.EpisodeOf(c).Episode.ID
	action := actionOf(form, verb, frame.AccountOf(c).Name, now)
	e, err := s.Episodes.Act(c.Request.Context(), id, action, now)
	switch clinical.CodeOf(err) {
	case "":
		return frame.SeeOther(backURL(e, form.Get("back")))
	case clinical.Conflict:
		return s.notDone(c, http.StatusConflict, form, action, err)
	case clinical.Invalid:
		return s.notDone(c, http.StatusUnprocessableEntity, form, action, err)
	default:
		return nil, err
	}
}

// actionOf reads a form. One that does not say what it showed is out of date.
func actionOf(form url.Values, verb episodes.Verb, who string, now time.Time) episodes.Action {
	a := episodes.Action{
		Do: verb, Who: who, Reason: strings.TrimSpace(form.Get("reason")), Note: strings.TrimSpace(form.Get("note")),
		Seen: -1,
	}
	if n, err := strconv.Atoi(form.Get("seen")); err == nil && n > 0 {
		a.Seen = n
	}
	if hours, err := strconv.Atoi(form.Get("hours")); err == nil && slices.Contains(parts.Spans, hours) {
		a.Until = now.Add(time.Duration(hours) * time.Hour)
	}
	return a
}

// notDoneView says why an action was not done, and shows how the episode stands.
type notDoneView struct {
	frame.Layout
	Back    string
	Why     string
	Since   []parts.EventView // what happened since the page was made
	Typed   []string          // what was typed and has no form any more
	Episode parts.Episode
}

func (s *service) notDone(
	c *frame.Request, status int, form url.Values, a episodes.Action, why error,
) (frame.Page, error) {
	h, err := s.Episodes.Episode(c.Request.Context(), frame.EpisodeOf(c).Episode.ID)
	switch {
	case err != nil:
		return nil, err
	case !frame.MayAct(frame.AccountOf(c), h.Episode, records.ActOnEpisodes): // it has moved to another unit just now
		return frame.NotFound()
	case doneAlready(h, a): // the button was pressed twice
		return frame.SeeOther(backURL(h.Episode, form.Get("back")))
	}
	e := records.AuditEntry{
		Did: audit.Change, Stay: h.Episode.StayID, Unit: h.Episode.Unit,
		Outcome: "not changed: " + string(clinical.CodeOf(why)), Note: frame.NoteOf(h.Episode),
	}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	t := s.Times(s.Clock(), true)
	v := notDoneView{
		Layout: s.Layout(c, text.Say("episodes.not-done")).Live(s.Clock()), Back: backURL(h.Episode, form.Get("back")),
		Why:     frame.Sentence(why),
		Episode: parts.EpisodeOf(t, h.Episode),
	}
	if a.Seen > 0 && a.Seen < len(h.Events) {
		v.Since = parts.EventsOf(t, h.Events[a.Seen:])
	}
	v.Episode.Events = parts.EventsOf(t, h.Events)
	if v.Episode.Bed, err = s.bedNow(c, h.Episode); err != nil {
		return nil, err
	}
	v.Episode.Offer(h.Episode, frame.AccountOf(c), form.Get("back"))
	v.Typed = v.Episode.Forms.Fill(form, a.Do)
	return frame.Show(status, "episode", v)
}

// doneAlready reports whether an action is what the person did just before.
func doneAlready(h care.History, a episodes.Action) bool {
	whats := map[episodes.Verb]records.EpisodeWhat{
		episodes.Take: episodes.TakenOn, episodes.TakeOver: episodes.TakenOn, episodes.Release: episodes.Released,
		episodes.Defer: episodes.PutOff, episodes.Close: episodes.Closed,
	}
	if a.Seen < 1 || len(h.Events) != a.Seen+1 {
		return false
	}
	last := h.Events[a.Seen]
	return last.Who == a.Who && last.What == whats[a.Do] && last.Reason == a.Reason && last.Note == a.Note
}

// bedNow names the patient of an episode; nil for a feed.
func (s *service) bedNow(c *frame.Request, e records.Episode) (*parts.BedView, error) {
	if e.StayID == "" {
		return nil, nil
	}
	list, err := s.Patients.Live(c.Request.Context(), e.Unit, s.Minute())
	return bedIn(bedsOf(list), e.StayID), err
}
