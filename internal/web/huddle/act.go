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

// backURL is the page that a form came from, at the thing that it was about.
func backURL(e records.Episode, back string) string {
	at := "#" + parts.Anchor(episodes.KeyOf(e.Kind, e.StayID, e.ID))
	switch {
	case e.StayID == "":
		return "/feeds" + at
	case back == parts.BackToAsk:
		return frame.AskedURL
	case back == parts.BackToStay:
		return frame.StayURL(e.StayID) + at
	case strings.HasPrefix(back, parts.BackToList):
		return listURL(e.Unit, strings.TrimPrefix(back, parts.BackToList)) + at
	}
	return frame.EpisodesURL(e.Unit) + at
}

// listURL is the list of a unit as somebody had chosen to see it.
func listURL(unit, chosen string) string {
	if q, err := url.ParseQuery(chosen); err == nil {
		if kept := choiceOf(q).query().Encode(); kept != "" {
			return frame.UnitURL(unit) + "?" + kept
		}
	}
	return frame.UnitURL(unit)
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

func (s *service) giveEpisode(c *frame.Request) (frame.Page, error) {
	return s.actOnEpisode(c, episodes.Give)
}

func (s *service) tellOfEpisode(c *frame.Request) (frame.Page, error) {
	return s.actOnEpisode(c, episodes.Tell)
}

// closeEpisode closes for a reason. Where the reason is an answer to a recheck it is
// charted, and the chart decides for how long it counts.
func (s *service) closeEpisode(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Facts != nil && episodes.AnswerOf(frame.EpisodeOf(c).Episode.Kind, form.Get("reason")) != "" {
		return s.actOnEpisode(c, episodes.Answer)
	}
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
	action := s.actionOf(form, verb, frame.AccountOf(c).Name, now)
	if verb == episodes.Tell && episodes.About(frame.EpisodeOf(c).Episode).IsZero() {
		action.ToldAt = s.notYesterday(action.ToldAt, now)
	}
	var e records.Episode
	if verb == episodes.Answer {
		e, err = s.answerEpisode(c, form, action, now)
	} else {
		e, err = s.Episodes.Act(c.Request.Context(), id, action, now)
	}
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
func (s *service) actionOf(form url.Values, verb episodes.Verb, who string, now time.Time) episodes.Action {
	a := episodes.Action{
		Do: verb, Who: who, Reason: strings.TrimSpace(form.Get("reason")), Note: strings.TrimSpace(form.Get("note")),
		Name: strings.Join(strings.Fields(form.Get("name")), " "), Saw: parts.ReadSeen(form.Get("seen")),
	}
	if hours, err := strconv.Atoi(form.Get("hours")); err == nil && slices.Contains(parts.Spans, hours) {
		a.Until = now.Add(time.Duration(hours) * time.Hour)
	}
	if verb == episodes.Tell {
		a.ToldAt = s.clockOf(form, now)
	}
	return a
}

// clockOf is the time that a form tells, zero for none.
func (s *service) clockOf(form url.Values, now time.Time) time.Time {
	if form.Get("at") == parts.AtOnce {
		return now
	}
	return clockBefore(form.Get("at"), s.Zone, now)
}

// clockBefore is the last moment by now at which a clock showed a time of the day; zero for what is none. A time of
// the next minutes is that of a clock that runs ahead: it means now.
func clockBefore(clock string, zone *time.Location, now time.Time) time.Time {
	at, ok := clinical.ClockBefore(strings.TrimSpace(clock), now.Add(clockSkew).Add(1), zone)
	switch {
	case !ok:
		return time.Time{}
	case at.After(now):
		return now.Truncate(time.Minute)
	}
	return at
}

// notYesterday takes a time of yesterday that lies more than half a day back for one of today,
// which lies ahead: nothing tells since when it can have been.
func (s *service) notYesterday(at, now time.Time) time.Time {
	if !at.IsZero() && now.Sub(at) > 12*time.Hour && at.In(s.Zone).Day() != now.In(s.Zone).Day() {
		return at.In(s.Zone).AddDate(0, 0, 1)
	}
	return at
}

// clockSkew is how far ahead of the server a clock at the bedside may be.
const clockSkew = 5 * time.Minute

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
	ctx := c.Request.Context()
	h, err := s.Episodes.Episode(ctx, frame.EpisodeOf(c).Episode.ID)
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
	thing, err := s.thingOf(c, h.Episode)
	if err != nil {
		return nil, err
	}
	t := s.Times(s.Clock(), true)
	v := notDoneView{
		Layout: s.Layout(c, text.Say("episodes.not-done")).Live(s.Clock()), Back: backURL(h.Episode, form.Get("back")),
		Why: frame.Sentence(why), Episode: parts.ThingOf(t, thing),
	}
	if seen := a.Saw[h.Episode.ID]; seen > 0 && seen < len(h.Events) {
		v.Since = parts.EventsOf(t, h.Events[seen:])
	}
	v.Episode.Events = parts.EventsOf(t, h.Events)
	if v.Episode.Bed, err = s.bedNow(c, h.Episode); err != nil {
		return nil, err
	}
	v.Episode.Offer(t, thing, frame.AccountOf(c), form.Get("back"))
	v.Typed = v.Episode.Forms.Fill(form, a.Do)
	return frame.Show(status, "episode", v)
}

// thingOf is the thing that an episode belongs to, as it stands.
func (s *service) thingOf(c *frame.Request, e records.Episode) (episodes.Thing, error) {
	if e.StayID == "" {
		return episodes.ThingOf(e, nil), nil
	}
	all, err := s.Episodes.Stay(c.Request.Context(), e.StayID)
	return episodes.ThingOf(e, care.Now(all)), err
}

// doneAlready reports whether an action is what the person did just before: an event of it
// stands after what they had seen.
func doneAlready(h care.History, a episodes.Action) bool {
	whats := map[episodes.Verb]records.EpisodeWhat{
		episodes.Take: episodes.TakenOn, episodes.TakeOver: episodes.TakenOn, episodes.Release: episodes.Released,
		episodes.Defer: episodes.PutOff, episodes.Close: episodes.Closed, episodes.Give: episodes.Given,
		episodes.Answer: episodes.AnswerGiven, episodes.Tell: episodes.ToldOf,
	}
	what := whats[a.Do]
	if a.Do == episodes.Give && a.Name == "" {
		what = episodes.Released
	}
	seen := a.Saw[h.Episode.ID]
	if seen < 1 || seen > len(h.Events) {
		return false
	}
	return slices.ContainsFunc(h.Events[seen:], func(v records.EpisodeEvent) bool {
		return v.Who == a.Who && v.What == what && v.Note == a.Note && v.Name == a.Name && v.ToldAt.Equal(a.ToldAt) &&
			(v.Reason == a.Reason || a.Do == episodes.Tell)
	})
}

// bedNow names the patient of an episode; nil for a feed.
func (s *service) bedNow(c *frame.Request, e records.Episode) (*parts.BedView, error) {
	if e.StayID == "" {
		return nil, nil
	}
	list, err := s.Patients.Live(c.Request.Context(), e.Unit, s.Now(c))
	return bedIn(bedsOf(list), e.StayID), err
}
