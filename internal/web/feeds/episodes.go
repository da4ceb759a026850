package feeds

import (
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// feedEpisodes lists what is owed of the feeds.
func (s *service) feedEpisodes(c *frame.Request, now time.Time) ([]parts.Episode, error) {
	if s.Episodes == nil {
		return nil, nil
	}
	list, err := s.Episodes.Unit(c.Request.Context(), "")
	t := s.Times(now, true)
	var out []parts.Episode
	for _, e := range list {
		v := parts.EpisodeOf(t, e)
		v.Offer(t, episodes.ThingOf(e, nil), frame.AccountOf(c), "")
		out = append(out, v)
	}
	return out, err
}
