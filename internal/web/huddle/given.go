package huddle

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// Assignments keeps who was given what is owed. They are only ever added to.
type Assignments interface {
	Assign(ctx context.Context, a records.Assignment) error
	// Assigned lists those of a unit later than from and not later than to, in the
	// order in which they were made.
	Assigned(ctx context.Context, unit string, from, to time.Time) ([]records.Assignment, error)
}

// given says who has each thing that is owed on a unit: to whom it was given at the
// huddle, and who has taken or put off its episode.
type given struct {
	to    map[string]records.Assignment // by key
	acted map[string]records.Episode    // taken or put off, by id; of now alone
	owed  []records.Episode             // every episode of the unit that is owed
	err   error                         // why they could not be told
	state string                        // names all of it, for what is kept
}

// givenOn is what had been given to whom at a moment. Where the episodes cannot be read,
// the assignments alone are told.
func (s *service) givenOn(ctx context.Context, unit string, when frame.Asked) (given, error) {
	g := given{acted: map[string]records.Episode{}}
	sum := sha256.New()
	if s.Episodes != nil && when.Live {
		if g.owed, g.err = s.Episodes.Unit(ctx, unit); g.err != nil {
			s.Log.Error("the episodes of a unit could not be told", "error", g.err)
		}
		for _, e := range g.owed {
			if e.State == episodes.Taken || e.State == episodes.Deferred {
				g.acted[e.ID] = e
				_, _ = fmt.Fprintf(sum, "%q %q %q %d\n", e.ID, e.State, e.Who, e.Until.Unix())
			}
		}
	}
	if s.Assignments != nil {
		at := when.At
		if when.Live {
			at = s.Clock() // what was given a moment ago is to be seen at once
		}
		all, err := s.Assignments.Assigned(ctx, unit, at.Add(-episodes.LongestAssignment), at)
		if err != nil {
			return given{}, err
		}
		g.to = episodes.Assigned(all, s.PolicyFor(ctx).Policy.Unit, s.Zone, at)
		for _, a := range all {
			if g.to[a.Key] == a {
				_, _ = fmt.Fprintf(sum, "%q %q %d\n", a.Key, a.Name, a.At.UnixMicro())
			}
		}
	}
	g.state = hex.EncodeToString(sum.Sum(nil)[:12])
	return g, nil
}

// name is whose a thing is: who was given it, else who has taken an episode of it;
// "" for nobody yet.
func (g given) name(d episodes.Due) string {
	if a, ok := g.to[d.Key]; ok {
		return a.Name
	}
	for _, id := range d.Episodes {
		if e, ok := g.acted[id]; ok && e.State == episodes.Taken {
			return e.Who
		}
	}
	return ""
}

// peopleOf are the names of those to whom something owed can be given: the accounts of
// the unit that may act, and whoever was given something in the last week.
func (s *service) peopleOf(ctx context.Context, unit string) ([]string, error) {
	accounts, err := s.Accounts.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	now := s.Clock()
	lately, err := s.Assignments.Assigned(ctx, unit, now.Add(-7*24*time.Hour), now)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, a := range accounts {
		if !a.Disabled() && a.OnUnit(unit) && (a.May(records.ActOnEpisodes) || a.May(records.ReviewDoses)) {
			out = append(out, a.Name)
		}
	}
	for _, a := range lately {
		if a.Name != "" {
			out = append(out, a.Name)
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}
