package server

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/text"
)

// Outcomes that the audit names.
const (
	allowed = "allowed"
	refused = "refused"
)

// record writes an entry of the audit for the request.
func (s *server) record(c *gin.Context, e audit.Entry) error {
	if s.Note == nil {
		return nil
	}
	e.At, e.From, e.What = s.Clock(), from(c).address.String(), c.Request.Method+" "+c.FullPath()
	if e.Who == "" {
		e.Who = whoOf(c)
	}
	return s.Note(c.Request.Context(), e)
}

// note is record for what is still to be served. It answers itself and returns
// false where the entry cannot be written: what cannot be recorded is not shown.
func (s *server) note(c *gin.Context, e audit.Entry) bool {
	if err := s.record(c, e); err != nil {
		s.Log.Error("a request was not served: it could not be recorded", "route", c.FullPath(), "error", err)
		s.tell(c, http.StatusServiceUnavailable, text.Say("message.not-recorded"), text.Say("message.not-recorded-says"))
		return false
	}
	return true
}

// noteRoute records a request that its rule has let through or refused, before it
// is served. Every refusal is recorded. What is let through is not where the page
// holds no patient data, nor on routes that record by themselves what became of
// them.
func (s *server) noteRoute(c *gin.Context, r rule, outcome string) bool {
	e := audit.Entry{Did: audit.View, Outcome: outcome}
	if !isReading(c) {
		e.Did = audit.Change
	}
	if c.GetHeader(refreshHeader) != "" {
		e.Note = "the page refreshed itself"
	}
	switch {
	case r.who == ofUnit:
		e.Unit = c.Param("unit")
	case r.who == ofStay:
		e.Stay = c.Param("stay")
		if seen, ok := c.Get(stayKey); ok {
			e.Unit = seen.(seenStay).view.Assessment.Digest.Stay.Unit
		}
	case r.who == ofEpisode:
		h := episodeOf(c).Episode
		e.Stay, e.Unit, e.Note = h.StayID, h.Unit, noteOf(h)
	case r.who == ofFall:
		if seen, ok := c.Get(fallKey); ok {
			e.Unit, e.Stay, e.AsOf = unitOfFall(seen.(seenFall).fall), seen.(seenFall).fall.StayID, seen.(seenFall).at
		}
	case c.FullPath() == "/feeds" && accountOf(c).May(auth.ViewHeldRows):
		e.Note = "rows held back"
	case strings.HasPrefix(c.FullPath(), "/accounts") && !isReading(c) && outcome == refused: // what is done is recorded with its name
		e.Did, e.Note = audit.Manage, c.Param("account")
	case strings.HasPrefix(c.FullPath(), "/tokens") && !isReading(c) && outcome == refused: // likewise
		e.Did, e.Note = audit.Manage, c.Param("token")
	case outcome == refused: // a function that the account may not use
	default:
		return true
	}
	if when, ok := s.momentOf(c); ok && !when.live && r.who != ofFall {
		e.AsOf = when.at
	}
	return s.note(c, e)
}

// refuse records that a rule refused the request, and then answers it.
func (s *server) refuse(c *gin.Context, r rule, answer func(*gin.Context)) {
	if s.noteRoute(c, r, refused) {
		answer(c)
	}
}

// noteSignIn records who came in, or that somebody did not. A name is recorded only
// if there is such an account: people type passwords into the wrong field.
func (s *server) noteSignIn(c *gin.Context, name, outcome string) bool {
	e := audit.Entry{Did: audit.SignIn, Outcome: outcome}
	if a, err := s.Accounts.Named(c.Request.Context(), name); err == nil {
		e.Who = a.Name
	} else {
		e.Note = "no such account"
	}
	return s.note(c, e)
}

// AuditQuery is what the page of the audit asks for: the newest entries, before a
// number where that is not 0.
type AuditQuery struct {
	Who, Stay, Unit string
	Before          int64
	Limit           int
}

const auditPage = 100 // entries

type auditView struct {
	frame
	OfWho, OfStay, OfUnit string // asked for
	Entries               []auditLine
	Older                 string // the address of older ones; "" where there are none
	Head                  string
}

type auditLine struct {
	N                                        int64
	At, Who, From, Did, What, Unit, Stay, As string
	Outcome, Note                            string
}

// auditPage lists who saw or changed what, the newest first: of everybody, of one
// account, of one stay, or of one unit: whoever opened a list of the unit saw every
// patient on it, and the entry names none of them.
func (s *server) auditPage(c *gin.Context) {
	q := AuditQuery{Who: strings.TrimSpace(c.Query("who")), Stay: strings.TrimSpace(c.Query("stay")), Unit: strings.TrimSpace(c.Query("unit")), Limit: auditPage + 1}
	if before := c.Query("before"); before != "" {
		n, err := strconv.ParseInt(before, 10, 64)
		if err != nil || n < 1 {
			s.tell(c, http.StatusBadRequest, text.Say("audit.no-part"), text.Say("audit.no-part-says"))
			return
		}
		q.Before = n
	}
	if !s.note(c, audit.Entry{Did: audit.View, Stay: q.Stay, Unit: q.Unit, Outcome: allowed, Note: "the audit"}) {
		return
	}
	entries, head, err := s.Audit(c.Request.Context(), q)
	if err != nil {
		s.fail(c, err)
		return
	}
	v := auditView{frame: s.frame(c, text.Say("audit.heading")).at("/audit"), OfWho: q.Who, OfStay: q.Stay, OfUnit: q.Unit, Head: head.String()}
	if len(entries) > auditPage {
		entries = entries[:auditPage]
		v.Older = "/audit?" + url.Values{"who": {q.Who}, "stay": {q.Stay}, "unit": {q.Unit}, "before": {strconv.FormatInt(entries[auditPage-1].N, 10)}}.Encode()
	}
	for _, e := range entries {
		l := auditLine{N: e.N, At: s.seconds(e.At), Who: e.Who, From: e.From, Did: e.Did, What: e.What, Unit: e.Unit, Stay: e.Stay, Outcome: e.Outcome, Note: e.Note}
		if !e.AsOf.IsZero() {
			l.As = s.seconds(e.AsOf)
		}
		v.Entries = append(v.Entries, l)
	}
	s.show(c, http.StatusOK, "audit", v)
}

func (s *server) seconds(t time.Time) string { return t.In(s.Zone).Format("2006-01-02 15:04:05") }

// AuditReader reads the audit, the newest first, and where the chain ends.
type AuditReader func(context.Context, AuditQuery) ([]audit.Entry, audit.Head, error)
