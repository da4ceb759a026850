package frame

import (
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/text"
)

// Outcomes that the audit names.
const (
	Allowed = "allowed"
	Refused = "refused"
)

// Record writes an entry of the audit for the request.
func (s *Frame) Record(c *gin.Context, e records.AuditEntry) error {
	if s.Note == nil {
		return nil
	}
	e.At, e.From, e.What = s.Clock(), CameFrom(c).Address.String(), c.Request.Method+" "+c.FullPath()
	if e.Who == "" {
		e.Who = whoOf(c)
	}
	return s.Note(c.Request.Context(), e)
}

// Noted is Record for what is still to be served. What cannot be recorded is not shown:
// the error says so to the reader.
func (s *Frame) Noted(c *gin.Context, e records.AuditEntry) error {
	if err := s.Record(c, e); err != nil {
		s.Log.Error("a request was not served: it could not be recorded", "route", c.FullPath(), "error", err)
		return &Message{
			http.StatusServiceUnavailable, text.Say("message.not-recorded"), text.Say("message.not-recorded-says"),
		}
	}
	return nil
}

// noteRoute records a request that its rule has let through or refused, before it
// is served. Every refusal is recorded. A request that was let through is recorded too,
// with two exceptions: pages that hold no patient data, and routes whose handlers record
// what became of the request.
func (s *Frame) noteRoute(c *gin.Context, r Rule, outcome string) error {
	if r.machines && outcome == Allowed {
		return nil
	}
	e := records.AuditEntry{Did: audit.View, Outcome: outcome}
	if !isReading(c) {
		e.Did = audit.Change
	}
	if c.GetHeader(refreshHeader) != "" {
		e.Note = "the page refreshed itself"
	}
	switch {
	case r.who == ofUnit:
		e.Unit = c.Param("unit")
	case r.who == ofScreen:
		e.Unit = AccountOf(c).Units[0]
	case r.who == ofStay:
		e.Stay = c.Param("stay")
		e.Unit = placeOf(c).Unit
	case r.who == ofEpisode:
		h := EpisodeOf(c).Episode
		e.Stay, e.Unit, e.Note = h.StayID, h.Unit, NoteOf(h)
	case r.who == ofFall:
		e.Unit, e.Stay = placeOf(c).Unit, placeOf(c).StayID
		if seen, ok := c.Get(fallKey); ok {
			e.AsOf = seen.(SeenFall).At
		}
	case c.FullPath() == "/feeds" && AccountOf(c).May(records.ViewHeldRows):
		e.Note = "rows held back"
	// What is done to accounts and tokens is recorded by their pages, with a name.
	case strings.HasPrefix(c.FullPath(), "/accounts") && !isReading(c) && outcome == Refused:
		e.Did, e.Note = audit.Manage, c.Param("account")
	case strings.HasPrefix(c.FullPath(), "/tokens") && !isReading(c) && outcome == Refused:
		e.Did, e.Note = audit.Manage, c.Param("token")
	case outcome == Refused: // a function that the account may not use
	default:
		return nil
	}
	if when, ok := s.momentOf(c); ok && !when.Live && r.who != ofFall && !r.machines {
		e.AsOf = when.At
	}
	return s.Noted(c, e)
}

// refuse records that a rule refused the request, and returns why; where that cannot be
// recorded, that error instead.
func (s *Frame) refuse(c *gin.Context, r Rule, why error) error {
	if err := s.noteRoute(c, r, Refused); err != nil {
		return err
	}
	return why
}
