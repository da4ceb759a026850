package server

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/text"
)

// feedLine is how the feeds stand, in a line on the list.
type feedLine struct {
	State   string // one of the states below
	At      *moment
	Held    string // "3 rows held back"; "" for none
	Waiting string
	Linked  bool // the reader may see the page of the feeds
}

// The states of the feeds: no data, stale data and an error are not the same.
const (
	feedKnown   = "known"
	feedUnset   = "unset"
	feedNever   = "never"
	feedUnknown = "unknown"
	feedFailing = "failing"
)

func (s *server) feedHealth(ctx context.Context) (FeedHealth, string) {
	if s.Feeds == nil {
		return FeedHealth{}, feedUnknown
	}
	h, err := s.Feeds(ctx)
	switch {
	case err != nil:
		s.Log.Error("the feeds' health could not be told", "error", err)
		return h, feedUnknown
	case h.Trouble != "":
		return h, feedFailing
	case !h.LastRead.IsZero():
		return h, feedKnown
	case !h.FolderSet:
		return h, feedUnset
	}
	return h, feedNever
}

func (s *server) feedLine(ctx context.Context) feedLine {
	h, state := s.feedHealth(ctx)
	l := feedLine{State: state}
	if h.HeldTotal > 0 {
		l.Held = text.Plural(h.HeldTotal, "row held back", "rows held back")
	}
	if h.Waiting > 0 {
		l.Waiting = text.Plural(h.Waiting, "row waits for its stay", "rows wait for their stay")
	}
	if !h.LastRead.IsZero() {
		l.At = times{s.Board.Catalogue(s.Clock()), true}.ago(h.LastRead)
	}
	return l
}

// heldShown are the rows held back of one page.
const heldShown = 50

// fixedShown are the rows put right last that the page names.
const fixedShown = 10

// feedsView is the page of the feeds' health.
type feedsView struct {
	frame
	State     string
	FolderSet bool
	Trouble   string
	Since     *moment // since when nothing was read, where that is so
	At        *moment
	Said      string // what has just been done
	Ends      string // and what became of the rows
	Problems  []string
	Kinds     []feedKindView
	Telling   []channelView
	Files     []fileView
	FilesMore bool // only the last are listed
	SeesRows  bool
	Held      []heldLine
	HeldTotal int
	HeldPart  string // "rows 51 to 100 of 214"
	Earlier   string // the address of the part before
	Later     string // and of the one behind
	OfKind    string // the kind of which rows are shown alone
	Fixed     []fixedLine
	Waiting   int
	Episodes  []episodeView // owed of the feeds
}

type heldLine struct {
	HeldRow
	URL string
}

type fixedLine struct {
	FixedRow
	When *moment
}

// feedKindView is one kind of facts of one feed.
type feedKindView struct {
	Feed, Kind                                         string
	Read, New, Newest                                  *moment
	Lag                                                string
	Accepted, Unchanged, Superseded, Waiting, HeldBack int
	HeldNow, WaitingNow                                int
	HeldURL                                            string
}

// channelView is how telling by one channel goes.
type channelView struct {
	Name, Trouble   string
	Sent, Failing   *moment
	Oldest          *moment
	Waiting, Failed int
}

type fileView struct {
	Name, Folder string
	Read         *moment
	Rows         int
	Unchanged    int
	HeldBack     int
	Error        string
}

func (s *server) feedPage(c *gin.Context) { s.showFeeds(c, http.StatusOK, "", nil) }

// showFeeds shows the page of the feeds, with what has just been done.
func (s *server) showFeeds(c *gin.Context, status int, said string, ends *RowEnds) {
	h, state := s.feedHealth(c.Request.Context())
	now := s.Clock()
	t := times{s.Board.Catalogue(now), true}
	v := feedsView{
		frame: s.frame(c, text.Say("feeds.title")).at("/feeds").live(now), State: state, FolderSet: h.FolderSet, Trouble: h.Trouble,
		HeldTotal: h.HeldTotal, Waiting: h.Waiting, Said: said, FilesMore: len(h.Files) >= filesShown,
		SeesRows: s.Desk != nil && state != feedUnknown && accountOf(c).May(auth.ViewHeldRows),
	}
	if ends != nil {
		v.Ends = text.Say("feeds.ends", ends.Accepted, ends.Unchanged, ends.Superseded, ends.Waiting, ends.Quarantined)
		v.Problems = ends.Problems[:min(len(ends.Problems), heldShown)]
	}
	if v.SeesRows {
		if err := s.heldOf(c, &v, t); err != nil {
			s.fail(c, err)
			return
		}
	}
	var err error
	if v.Episodes, err = s.feedEpisodes(c, now); err != nil {
		s.fail(c, err)
		return
	}
	// What is being typed must not be swept away, nor what was done be hidden.
	v.Refresh = said == "" && !actable(v.Episodes)
	v.At, v.Since = t.unlessZero(h.LastRead), t.unlessZero(h.SilentSince)
	for _, k := range h.Kinds {
		v.Kinds = append(v.Kinds, feedKindViewOf(t, k))
	}
	for _, ch := range h.Telling {
		v.Telling = append(v.Telling, channelView{
			Name: ch.Name, Trouble: ch.Trouble, Waiting: ch.Waiting, Failed: ch.Failed,
			Sent: t.unlessZero(ch.LastSent), Failing: t.unlessZero(ch.FailingSince), Oldest: t.unlessZero(ch.Oldest),
		})
	}
	for _, f := range h.Files {
		v.Files = append(v.Files, fileView{
			Name: f.Name, Folder: f.Folder, Rows: f.Rows, Unchanged: f.Unchanged, HeldBack: f.Quarantined, Error: f.Error, Read: t.unlessZero(f.LastRead),
		})
	}
	s.show(c, status, "feeds", v)
}

// unlessZero is the moment with its age, nil for a time that there is not.
func (t times) unlessZero(at time.Time) *moment {
	if at.IsZero() {
		return nil
	}
	return t.ago(at)
}

func feedKindViewOf(t times, k FeedKind) feedKindView {
	v := feedKindView{
		Feed: k.Feed, Kind: string(k.Kind), Read: t.unlessZero(k.ReadAt), New: t.unlessZero(k.NewAt), Newest: t.unlessZero(k.NewestAt),
		Lag:      text.Say("feeds.unknown-lag"),
		Accepted: k.Accepted, Unchanged: k.Unchanged, Superseded: k.Superseded, Waiting: k.Waiting, HeldBack: k.Quarantined,
		HeldNow: k.HeldNow, WaitingNow: k.WaitingNow,
	}
	if !k.NewAt.IsZero() && !k.NewestAt.IsZero() {
		v.Lag = text.Span(k.NewAt.Sub(k.NewestAt))
	}
	v.HeldURL = "/feeds?kind=" + url.QueryEscape(string(k.Kind)) + "#held"
	return v
}

// heldOf fills in the part of the rows held back that is asked for, and those put
// right last.
func (s *server) heldOf(c *gin.Context, v *feedsView, t times) error {
	page, err := strconv.Atoi(c.DefaultQuery("page", "1"))
	if err != nil || page < 1 || page > 1_000_000 {
		page = 1
	}
	kind := clinical.Kind(c.Query("kind"))
	if !slices.Contains(clinical.Kinds, kind) {
		kind = ""
	}
	from := (page - 1) * heldShown
	rows, err := s.Desk.Held(c.Request.Context(), kind, from, heldShown+1)
	if err != nil {
		return err
	}
	address := func(page int) string {
		return "/feeds?" + url.Values{"kind": {string(kind)}, "page": {strconv.Itoa(page)}}.Encode() + "#held"
	}
	if page > 1 {
		v.Earlier = address(page - 1)
	}
	if len(rows) > heldShown {
		rows, v.Later = rows[:heldShown], address(page+1)
	}
	for _, h := range rows {
		v.Held = append(v.Held, heldLine{h, "/feeds/held/" + strconv.FormatInt(h.ID, 10)})
	}
	if len(rows) > 0 {
		v.HeldPart = text.Say("feeds.part", from+1, from+len(rows))
	}
	v.OfKind = string(kind)
	fixed, err := s.Desk.Fixed(c.Request.Context(), fixedShown)
	for _, f := range fixed {
		v.Fixed = append(v.Fixed, fixedLine{f, t.ago(f.At)})
	}
	return err
}
