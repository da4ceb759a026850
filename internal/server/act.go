package server

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/care"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/text"
)

// tasked is what lets somebody act on the episodes of one kind, and close them, who
// may not act on all: it is the work that the episode asks for.
var tasked = map[episodes.Kind]auth.Permission{
	episodes.DoseReview: auth.ReviewDoses,
	episodes.FeedStale:  auth.ManagePolicy,
}

// mayAct reports whether an account may do to an episode what needs a permission: of
// a patient where it may see the patient and is on the unit, of a feed where it may
// see the feeds.
func mayAct(a auth.Account, e episodes.Episode, needs ...auth.Permission) bool {
	task, some := tasked[e.Kind]
	if !a.May(needs...) && !(some && a.May(task)) {
		return false
	}
	if e.Kind == episodes.FeedStale {
		return a.May(auth.ViewFeeds)
	}
	return a.May(auth.ViewList, auth.ViewNames) && a.OnUnit(e.Unit)
}

// permitsEpisode looks up the episode. Whether there is none, it is another unit's,
// or the account may not do this, the answer is the same.
func (s *server) permitsEpisode(c *gin.Context, r rule, a auth.Account) bool {
	if s.Episodes == nil {
		s.notFound(c)
		return false
	}
	h, err := s.Episodes.Episode(c.Request.Context(), c.Param("episode"))
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		s.fail(c, err)
		return false
	}
	if err == nil {
		c.Set(episodeKey, h)
	}
	if err != nil || !mayAct(a, h.Episode, r.needs...) {
		s.refuse(c, r, s.notFound)
		return false
	}
	return true
}

// episodeOf is the episode of a route under the rule onEpisode.
func episodeOf(c *gin.Context) care.History {
	h, _ := c.Get(episodeKey)
	found, _ := h.(care.History)
	return found
}

// noteOf names an episode in the audit.
func noteOf(e episodes.Episode) string {
	if e.ID == "" {
		return "no such episode"
	}
	return string(e.Kind) + " " + e.ID
}

// Where an action leads back to: pages of this site alone, named by a word.
const (
	backToUnit = "unit"
	backToStay = "stay"
)

func backURL(e episodes.Episode, back string) string {
	switch {
	case e.StayID == "":
		return "/feeds#" + anchor(e.ID)
	case back == backToStay:
		return stayURL(e.StayID) + "#" + anchor(e.ID)
	}
	return episodesURL(e.Unit) + "#" + anchor(e.ID)
}

// episodeForms are the forms of what an account may do with an episode.
type episodeForms struct {
	URL, ID string
	About   string // what it is about, for those who hear the page
	Seen    int    // events that the page shows or rests on
	Back    string
	Take    string // the words of the button; "" where it cannot be taken
	Release bool
	Defer   *deferForm
	Close   *closeForm
}

type deferForm struct {
	Spans  []choiceView
	Reason string
	Open   bool
}

type closeForm struct {
	Reasons []choiceView
	Note    string
	Open    bool
}

type choiceView struct {
	Value, Text string
	On          bool
}

// spans are for how long something may be put off, in hours.
var spans = []int{1, 2, 4, 8, 12, 24, 48, 72}

// formsOf are the forms that the state of an episode leaves to an account; nil for
// one that is done, or where the account may do nothing.
func formsOf(e episodes.Episode, a auth.Account, back, about string) *episodeForms {
	if !e.Active() || !mayAct(a, e, auth.ActOnEpisodes) {
		return nil
	}
	f := &episodeForms{URL: "/episodes/" + e.ID, ID: e.ID, About: about, Seen: e.Events, Back: back}
	if e.State == episodes.Taken && e.Who != a.Name {
		f.Take = text.Say("episodes.take-over", e.Who)
		return f
	}
	if f.Release = e.State == episodes.Taken; !f.Release {
		f.Take = text.Say("episodes.take")
	}
	f.Defer = &deferForm{}
	for _, hours := range spans {
		if span := time.Duration(hours) * time.Hour; span <= episodes.Longest[e.Kind] {
			f.Defer.Spans = append(f.Defer.Spans, choiceView{Value: strconv.Itoa(hours), Text: text.Span(span)})
		}
	}
	if mayAct(a, e, auth.CloseEpisodes) {
		f.Close = &closeForm{}
		for _, reason := range episodes.Closings[e.Kind] {
			f.Close.Reasons = append(f.Close.Reasons, choiceView{Value: reason, Text: text.ClosingReasons[reason]})
		}
	}
	return f
}

func (s *server) takeEpisode(c *gin.Context) {
	verb, e := episodes.Take, episodeOf(c).Episode
	if e.State == episodes.Taken && e.Who != accountOf(c).Name {
		verb = episodes.TakeOver // what the button said, if the state is the one that was seen
	}
	s.actOnEpisode(c, verb)
}

func (s *server) releaseEpisode(c *gin.Context) { s.actOnEpisode(c, episodes.Release) }
func (s *server) deferEpisode(c *gin.Context)   { s.actOnEpisode(c, episodes.Defer) }
func (s *server) closeEpisode(c *gin.Context)   { s.actOnEpisode(c, episodes.Close) }

// actOnEpisode does what a form asks and leads back to the page that it came from.
// Where it cannot be done, nothing is changed, and a page says why, with what was
// typed.
func (s *server) actOnEpisode(c *gin.Context, verb episodes.Verb) {
	form, ok := s.form(c)
	if !ok {
		return
	}
	now, id := s.Clock(), episodeOf(c).Episode.ID
	action := actionOf(form, verb, accountOf(c).Name, now)
	e, err := s.Episodes.Act(c.Request.Context(), id, action, now)
	switch clinical.CodeOf(err) {
	case "":
		c.Redirect(http.StatusSeeOther, backURL(e, form.Get("back")))
	case clinical.Conflict:
		s.notDone(c, http.StatusConflict, form, action, err)
	case clinical.Invalid:
		s.notDone(c, http.StatusUnprocessableEntity, form, action, err)
	default:
		s.fail(c, err)
	}
}

// actionOf reads a form. One that does not say what it showed is out of date.
func actionOf(form url.Values, verb episodes.Verb, who string, now time.Time) episodes.Action {
	a := episodes.Action{Do: verb, Who: who, Reason: strings.TrimSpace(form.Get("reason")), Note: strings.TrimSpace(form.Get("note")), Seen: -1}
	if n, err := strconv.Atoi(form.Get("seen")); err == nil && n > 0 {
		a.Seen = n
	}
	if hours, err := strconv.Atoi(form.Get("hours")); err == nil && slices.Contains(spans, hours) {
		a.Until = now.Add(time.Duration(hours) * time.Hour)
	}
	return a
}

// notDoneView says why an action was not done, and shows how the episode stands.
type notDoneView struct {
	frame
	Back    string
	Why     string
	Since   []eventView // what happened since the page was made
	Typed   []string    // what was typed and has no form any more
	Episode episodeView
}

func (s *server) notDone(c *gin.Context, status int, form url.Values, a episodes.Action, why error) {
	h, err := s.Episodes.Episode(c.Request.Context(), episodeOf(c).Episode.ID)
	switch {
	case err != nil:
		s.fail(c, err)
		return
	case !mayAct(accountOf(c), h.Episode, auth.ActOnEpisodes): // it has moved to another unit just now
		s.notFound(c)
		return
	case doneAlready(h, a): // the button was pressed twice
		c.Redirect(http.StatusSeeOther, backURL(h.Episode, form.Get("back")))
		return
	}
	e := audit.Entry{Did: audit.Change, Stay: h.Episode.StayID, Unit: h.Episode.Unit, Outcome: "not changed: " + string(clinical.CodeOf(why)), Note: noteOf(h.Episode)}
	if !s.note(c, e) {
		return
	}
	t := times{s.Board.Catalogue(s.Clock()), true}
	v := notDoneView{
		frame: s.frame(c, text.Say("episodes.not-done")).live(s.Clock()), Back: backURL(h.Episode, form.Get("back")), Why: sentence(why),
		Episode: s.episodeView(t, h.Episode),
	}
	if a.Seen > 0 && a.Seen < len(h.Events) {
		v.Since = eventsOf(t, h.Events[a.Seen:])
	}
	v.Episode.Events = eventsOf(t, h.Events)
	if v.Episode.Bed, err = s.bedNow(c, h.Episode); err != nil {
		s.fail(c, err)
		return
	}
	v.Episode.offer(h.Episode, accountOf(c), form.Get("back"))
	v.Typed = v.Episode.Forms.fill(form, a.Do)
	s.show(c, status, "episode", v)
}

// doneAlready reports whether an action is what the person did just before.
func doneAlready(h care.History, a episodes.Action) bool {
	whats := map[episodes.Verb]episodes.What{
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
func (s *server) bedNow(c *gin.Context, e episodes.Episode) (*bedView, error) {
	if e.StayID == "" {
		return nil, nil
	}
	list, err := s.Board.Live(c.Request.Context(), e.Unit, s.minute())
	return bedIn(bedsOf(list), e.StayID), err
}

// fill puts what was typed back into its form, and returns what has no place there.
func (f *episodeForms) fill(form url.Values, verb episodes.Verb) (left []string) {
	choose := func(list []choiceView, value string) {
		for n := range list {
			list[n].On = list[n].Value == value
		}
	}
	switch {
	case verb == episodes.Defer && f != nil && f.Defer != nil:
		f.Defer.Open, f.Defer.Reason = true, form.Get("reason")
		choose(f.Defer.Spans, form.Get("hours"))
	case verb == episodes.Close && f != nil && f.Close != nil:
		f.Close.Open, f.Close.Note = true, form.Get("note")
		choose(f.Close.Reasons, form.Get("reason"))
	default:
		reason := form.Get("reason")
		if said, known := text.ClosingReasons[reason]; known && verb == episodes.Close {
			reason = said
		}
		for _, typed := range []string{reason, form.Get("note")} {
			if typed != "" {
				left = append(left, typed)
			}
		}
	}
	return left
}
