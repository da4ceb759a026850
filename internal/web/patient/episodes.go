package patient

import (
	"plumbline/internal/care"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// stayEpisodes lists every episode of the stay with its history: as it stands, with
// what the account may do, or as it stood at another moment.
func (s *service) stayEpisodes(c *frame.Request, when frame.Asked, stayID string) ([]parts.Episode, error) {
	if s.Episodes == nil {
		return nil, nil
	}
	histories, err := s.Episodes.Stay(c.Request.Context(), stayID)
	if err != nil {
		return nil, err
	}
	at := when.At
	if when.Live {
		at = s.Clock() // not cut to the minute: what was just done is shown
	} else {
		histories = care.AsOf(histories, at)
	}
	t := s.Times(at, when.Live)
	var out []parts.Episode
	for _, h := range histories {
		v := parts.EpisodeOf(t, h.Episode)
		v.Events = parts.EventsOf(t, h.Events)
		if when.Live {
			v.Offer(h.Episode, frame.AccountOf(c), parts.BackToStay)
		}
		out = append(out, v)
	}
	return out, nil
}
