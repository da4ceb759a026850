package assess

import (
	"cmp"
	"context"
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Place is the unit by which a stay or a fall may be seen.
type Place struct{ StayID, Unit string }

// StayPlace is the unit of a stay as it was known at a moment, or its last one. It costs
// the same whether there is such a stay or not, and reads no other fact of it. The error
// is clinical.NotFound where the stay was not known.
func (s *Service) StayPlace(ctx context.Context, stayID string, at time.Time) (Place, error) {
	versions, err := s.Store.StayItself(ctx, stayID)
	if err != nil {
		return Place{}, err
	}
	c := clinical.ChartAt(stayID, versions, at)
	if c.Stay == nil {
		return Place{}, clinical.Errorf(clinical.NotFound, "no stay %q was known then; check the stay_id and the moment", stayID)
	}
	return Place{stayID, c.Stay.Unit}, nil
}

// FallPlace is the unit of a fall by what is known now: where the patient was when
// falling; where the patient was on none, that of the stay. It costs the same whether
// there is such a fall or not. The error is clinical.NotFound where none is known.
func (s *Service) FallPlace(ctx context.Context, sourceID string, now time.Time) (Place, error) {
	versions, err := s.Store.FallItself(ctx, sourceID)
	if err != nil {
		return Place{}, err
	}
	var stays []string
	for _, v := range versions {
		if v.Kind == clinical.KindStay {
			stays = append(stays, v.SourceID)
		}
	}
	slices.Sort(stays)
	for _, stay := range slices.Compact(stays) {
		c := clinical.ChartAt(stay, versions, now)
		if c.Stay == nil {
			continue
		}
		for _, r := range slices.Concat(c.Records, c.Removed) {
			if b, ok := r.Body.(clinical.Fall); ok && r.SourceID == sourceID {
				return Place{stay, cmp.Or(unitAt(trends.PresencesOf(c), b.FellAt), c.Stay.Unit)}, nil
			}
		}
	}
	return Place{}, errNoFall(sourceID)
}

// unitAt is the unit where a patient was at a moment; "" for none.
func unitAt(presences []trends.Presence, at time.Time) (unit string) {
	for _, where := range presences {
		if where.Holds(at) {
			unit = where.Unit
		}
	}
	return unit
}

func errNoFall(sourceID string) error {
	return clinical.Errorf(clinical.NotFound, "no fall %q is known; check its source_id", sourceID)
}
