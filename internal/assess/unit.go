package assess

import (
	"context"
	"slices"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/trends"
)

// staysAtOnce is how many stays are held in memory at a time for a unit's figures.
const staysAtOnce = 100

// Unit works out the figures of a unit over months or weeks from from until to,
// by what is known now. The error is clinical.NotFound for a unit that no stay
// has ever named.
func (s *Service) Unit(ctx context.Context, unit string, from, to time.Time, by string, now time.Time) (trends.UnitFigures, error) {
	if err := s.known(ctx, unit); err != nil {
		return trends.UnitFigures{}, err
	}
	stays, err := s.Store.Between(ctx, unit, from, to)
	if err != nil {
		return trends.UnitFigures{}, err
	}
	p := policy.For(ctx, s.Policy).Policy
	tally := trends.NewUnitTally(unit, trends.Periods(from, to, by, s.Zone), p.Unit, s.Zone, now)
	for some := range slices.Chunk(stays, staysAtOnce) {
		versions, err := s.Store.Versions(ctx, some)
		if err != nil {
			return trends.UnitFigures{}, err
		}
		for _, stay := range some {
			if c := clinical.ChartAt(stay, versions[stay], now); c.Stay != nil {
				tally.Add(s.unitStay(c, p))
			}
		}
	}
	return tally.Figures(), nil
}

func (s *Service) unitStay(c clinical.Chart, p clinical.Policy) trends.UnitStay {
	d := s.digest(c, p)
	return trends.UnitStay{
		Presences: trends.PresencesOf(c),
		Falls:     d.Falls,
		Sets:      d.Sets,
		Systolics: trends.SystolicsOf(c, p.Plausible),
		Rechecks:  alerts.RechecksOf(d, p, s.Zone),
	}
}
