package patient

import (
	"context"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/report"
)

// charted is who charted on pages, by the moment at which that was received and by the id of
// the set that it was. "" where two did at one moment.
type charted struct {
	at  map[time.Time]string
	set map[string]string
}

func (s *service) chartedBy(ctx context.Context, stayID string) (charted, error) {
	by := charted{map[time.Time]string{}, map[string]string{}}
	if s.Charted == nil {
		return by, nil
	}
	messages, err := s.Charted.Charted(ctx, stayID)
	for _, m := range messages {
		at := m.ReceivedAt.UTC()
		if who, two := by.at[at]; two && who != m.Who {
			by.at[at] = ""
		} else {
			by.at[at] = m.Who
		}
		by.set[m.ID] = m.Who
	}
	return by, err
}

// who charted a version of a fact; "" where that is not known: a feed carries no name.
func (by charted) who(f report.FactVersion) string {
	if f.Feed != clinical.BedsideFeed || f.RecordedAt == nil {
		return ""
	}
	return by.at[f.RecordedAt.UTC()]
}
