package feeds

import (
	"net/http"

	"plumbline/internal/audit"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// wayView is how one way to the record stands.
type wayView struct {
	Channel, Answer  string
	Waiting, Refused int
	Oldest, Taken    *frame.Moment
}

// unsentLine is a message that the record has not taken.
type unsentLine struct {
	Number                             int64
	Channel, What, Unit, State, Answer string
	Queued                             *frame.Moment
	Attempts                           int
}

// unsentShown are the messages that the page names; the command names all.
const unsentShown = 100

// takeOutbox tells how sending to the record goes. What the record answers may name a patient: it is for
// who sees rows held back.
func (s *service) takeOutbox(c *frame.Request, v *feedsView, t frame.Times, states []records.OutboxState) error {
	now := s.Clock()
	v.RecordQuiet = true
	for _, o := range states {
		way := wayView{
			Channel: o.Channel, Waiting: o.Waiting, Refused: o.Refused, Oldest: t.MomentIfAny(o.Oldest), Taken: t.MomentIfAny(o.LastSent),
		}
		if v.SeesRows {
			way.Answer = o.Trouble
		}
		v.ToRecord = append(v.ToRecord, way)
		late := !o.Oldest.IsZero() && now.Sub(o.Oldest) >= parts.LateAfter
		v.RecordAlert = v.RecordAlert || late || o.Refused > 0
		v.RecordQuiet = v.RecordQuiet && o.Waiting+o.Refused == 0
	}
	if !v.SeesRows || s.Outbox == nil {
		return nil
	}
	unsent, err := s.Outbox.Unsent(c.Request.Context(), unsentShown)
	for _, o := range unsent {
		state := text.Say("torecord.waits")
		if o.State == records.SendRefused {
			state = text.Say("torecord.was-refused")
		}
		v.Unsent = append(v.Unsent, unsentLine{
			Number: o.Number, Channel: o.Channel, What: parts.What(o), Unit: o.Unit, State: state, Answer: o.Answer,
			Queued: t.Moment(o.QueuedAt), Attempts: o.Attempts,
		})
	}
	return err
}

// retryOutgoing has what the record refused sent again.
func (s *service) retryOutgoing(c *frame.Request) (frame.Page, error) {
	if s.Outbox == nil {
		return frame.NotFound()
	}
	e := records.AuditEntry{Did: audit.Change, Outcome: frame.Allowed, Note: "sending again what the record refused"}
	if err := s.Noted(c, e); err != nil {
		return nil, err
	}
	if _, err := s.Outbox.RetryOutgoing(c.Request.Context(), 0, s.Clock()); err != nil {
		return nil, err
	}
	return s.showFeeds(c, http.StatusOK, text.Say("torecord.retried"), nil)
}
