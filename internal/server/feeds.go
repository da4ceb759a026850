package server

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"

	"plumbline/internal/auth"
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

// feedsView is the page of the feeds' health.
type feedsView struct {
	frame
	State     string
	FolderSet bool
	Trouble   string
	At        *moment
	Files     []fileView
	Held      []HeldRow
	HeldTotal int
	Waiting   int
	Episodes  []episodeView // owed of the feeds
}

type fileView struct {
	Name  string
	Read  *moment
	Rows  int
	Error string
}

func (s *server) feedPage(c *gin.Context) {
	h, state := s.feedHealth(c.Request.Context())
	now := s.Clock()
	t := times{s.Board.Catalogue(now), true}
	v := feedsView{
		frame: s.frame(c, "Feeds").at("/feeds").live(now), State: state, FolderSet: h.FolderSet, Trouble: h.Trouble,
		HeldTotal: h.HeldTotal, Waiting: h.Waiting,
	}
	if s.Held != nil && state != feedUnknown && accountOf(c).May(auth.ViewHeldRows) {
		var err error
		if v.Held, err = s.Held(c.Request.Context()); err != nil {
			s.fail(c, err)
			return
		}
	}
	var err error
	if v.Episodes, err = s.feedEpisodes(c, now); err != nil {
		s.fail(c, err)
		return
	}
	v.Refresh = !actable(v.Episodes) // what is being typed must not be swept away
	if !h.LastRead.IsZero() {
		v.At = t.ago(h.LastRead)
	}
	for _, f := range h.Files {
		fv := fileView{Name: f.Name, Rows: f.Rows, Error: f.Error}
		if !f.LastRead.IsZero() {
			fv.Read = t.ago(f.LastRead)
		}
		v.Files = append(v.Files, fv)
	}
	s.show(c, http.StatusOK, "feeds", v)
}
