package assess

import (
	"context"
	"time"

	"plumbline/internal/clinical"
)

// Move is from one tier of the list to another.
type Move struct{ From, To string }

// Moves counts the patients of a unit at a moment, and those whose tier one policy
// decides otherwise than another. Nobody is named. The error is clinical.NotFound
// for a unit that no stay has ever named.
func (s *Service) Moves(
	ctx context.Context, unit string, at time.Time, from, to clinical.Policy,
) (patients int, moves map[Move]int, err error) {
	stays, versions, err := s.load(ctx, unit, at)
	if err != nil {
		return 0, nil, err
	}
	moves = map[Move]int{}
	for _, stay := range stays {
		c := clinical.ChartAt(stay, versions[stay], at)
		if !c.OnUnit(unit) {
			continue
		}
		patients++
		if m := (Move{s.assess(c, from, at).Tier, s.assess(c, to, at).Tier}); m.From != m.To {
			moves[m]++
		}
	}
	return patients, moves, nil
}
