package bedside

import (
	"context"

	"plumbline/internal/clinical"
)

// Teller knows who was told of the emergency of a set after it was stored; its error carries
// clinical.NotFound where nobody was.
type Teller interface {
	Told(ctx context.Context, stayID, setID, whom string) (Told, error)
}

// ToldOf are those who were told of the emergency of a set: with it, or after it was stored.
func ToldOf(ctx context.Context, kept Kept, later Teller) ([]Told, error) {
	out := kept.Told
	for _, whom := range Whoms {
		told, err := later.Told(ctx, kept.StayID, kept.ID, whom)
		switch {
		case err == nil:
			out = append(out, told)
		case clinical.CodeOf(err) != clinical.NotFound:
			return nil, err
		}
	}
	return out, nil
}
