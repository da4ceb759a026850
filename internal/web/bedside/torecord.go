package bedside

import (
	"slices"
	"time"

	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// recordLineOf says what became of a set on its way to the record.
func (s *service) recordLineOf(c *frame.Request, stayID, setID string, now time.Time) (parts.RecordLine, error) {
	t := s.Times(now, true)
	if s.Outbox == nil {
		return parts.RecordLineOf(t, nil, now), nil
	}
	all, err := s.Outbox.OutgoingOf(c.Request.Context(), stayID)
	of := slices.DeleteFunc(all, func(o records.Outgoing) bool { return o.Thing != setID })
	return parts.RecordLineOf(t, of, now), err
}

// lateOf names what of a unit's patients the record has not taken, each stay once a kind.
func (s *service) lateOf(c *frame.Request, unit string, now time.Time) (out []frame.Link, err error) {
	if s.Outbox == nil {
		return nil, nil
	}
	late, err := s.Outbox.LateOutgoing(c.Request.Context(), unit, now.Add(-parts.LateAfter))
	for _, o := range late {
		link := frame.Link{Name: text.Say("torecord.stay", o.StayID, parts.What(o)), URL: frame.StayURL(o.StayID)}
		if !slices.Contains(out, link) {
			out = append(out, link)
		}
	}
	return out, err
}
