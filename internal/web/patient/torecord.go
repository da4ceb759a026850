package patient

import (
	"plumbline/internal/clinical"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// notInTheChart says what of a stay the record has not taken.
func (s *service) notInTheChart(c *frame.Request, chart clinical.Chart) ([]string, error) {
	if s.Outbox == nil {
		return nil, nil
	}
	now := s.Clock()
	all, err := s.Outbox.OutgoingOf(c.Request.Context(), chart.StayID)
	return parts.NotInTheChart(s.Times(now, true), all, chart, now), err
}
