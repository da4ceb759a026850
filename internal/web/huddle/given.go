package huddle

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"time"

	"plumbline/internal/episodes"
	"plumbline/internal/records"
	"plumbline/internal/web/frame"
)

// standing says how each thing that is owed on a unit stands, and whose it is.
type standing struct {
	things []episodes.Thing // done ones too, where the list still says them
	byStay map[string][]episodes.Thing
	notes  map[string][]records.HandoverNote // by stay; those of the unit under ""
	err    error                             // why it could not be told
	apart  time.Time                         // until when names that were given do not show; zero: all do
	state  string                            // names all of it, for what is kept
}

// owed are the things that are not done.
func (g standing) owed() []episodes.Thing {
	return slices.DeleteFunc(slices.Clone(g.things), func(t episodes.Thing) bool { return !t.Active() })
}

// standingOn is how what is owed on a unit stands, or stood at a moment. Where the episodes
// cannot be read, what the list says is told alone.
func (s *service) standingOn(ctx context.Context, unit string, when frame.Asked, a *answer) standing {
	g := standing{byStay: map[string][]episodes.Thing{}}
	var list []records.Episode
	if s.Episodes != nil {
		if list, g.err = s.episodesAbout(ctx, unit, when, a.dues); g.err != nil {
			s.Log.Error("the episodes of a unit could not be told", "error", g.err)
			list = nil
		}
		g.apart = s.namedApart(ctx, when)
	}
	g.things = episodes.Things(list, a.dues)
	sum := sha256.New()
	for _, t := range g.things {
		g.byStay[t.StayID] = append(g.byStay[t.StayID], t)
		_, _ = fmt.Fprintf(sum, "%q %q %q %q %d\n", t.Key, t.State, t.Who, seenOf(t), t.Until.Unix())
	}
	if s.Shift != nil {
		g.notes = s.notesOn(ctx, unit, when, a)
		for _, id := range slices.Sorted(maps.Keys(g.notes)) {
			for _, n := range g.notes[id] {
				_, _ = fmt.Fprintf(sum, "note %d\n", n.Number)
			}
		}
	}
	g.state = hex.EncodeToString(sum.Sum(nil)[:12])
	return g
}

// notesOn are the notes for the handover that are shown on a unit, by stay. A list without them is of
// use: where they cannot be read, that is logged.
func (s *service) notesOn(
	ctx context.Context, unit string, when frame.Asked, a *answer,
) map[string][]records.HandoverNote {
	var stays []string
	for _, one := range a.list {
		stays = append(stays, one.Digest.StayID)
	}
	notes, err := s.Shift.HandoverNotes(ctx, unit, stays, s.RecordedBy(when))
	if err != nil {
		s.Log.Error("the notes for the handover of a unit could not be told", "error", err)
	}
	out := map[string][]records.HandoverNote{}
	for _, n := range notes {
		out[n.StayID] = append(out[n.StayID], n)
	}
	return out
}

// namedApart is until when names do not show at the moment of a page.
func (s *service) namedApart(ctx context.Context, when frame.Asked) time.Time {
	if when.Live {
		return time.Time{}
	}
	until, err := s.Episodes.NamedApart(ctx, when.At)
	if err != nil {
		s.Log.Error("whether all names show that were given could not be told", "error", err)
	}
	return until
}

// seenOf names the events of a thing.
func seenOf(t episodes.Thing) (out []string) {
	for _, e := range t.Members {
		out = append(out, fmt.Sprint(e.ID, e.Events))
	}
	return out
}

// episodesAbout are the episodes owed on a unit, and those that are done of what the list
// says is owed.
func (s *service) episodesAbout(
	ctx context.Context, unit string, when frame.Asked, dues []episodes.Due,
) ([]records.Episode, error) {
	if !when.Live {
		return s.Episodes.UnitAt(ctx, unit, when.At)
	}
	owed, err := s.Episodes.Unit(ctx, unit)
	if err != nil {
		return nil, err
	}
	known := map[string]bool{}
	for _, e := range owed {
		known[e.ID] = true
	}
	var missing []string
	for _, d := range dues {
		for _, id := range d.Episodes {
			if !known[id] {
				missing = append(missing, id)
			}
		}
	}
	if len(missing) == 0 {
		return owed, nil
	}
	more, err := s.Episodes.Among(ctx, missing)
	more = slices.DeleteFunc(more, func(e records.Episode) bool { return e.Active() }) // of another unit still
	return append(owed, more...), err
}

// peopleOf are the names of those to whom something owed can be given: the accounts of the
// unit that may act.
func (s *service) peopleOf(ctx context.Context, unit string) ([]string, error) {
	accounts, err := s.Accounts.Accounts(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, a := range accounts {
		if !a.Disabled() && a.OnUnit(unit) && (a.May(records.ActOnEpisodes) || a.May(records.ReviewDoses)) {
			out = append(out, a.Name)
		}
	}
	return out, nil
}

// ownersIn are the names of those whose something is.
func ownersIn(g standing) (out []string) {
	for _, t := range g.owed() {
		if name := t.Owner(); name != "" {
			out = append(out, name)
		}
	}
	return out
}

// withOwners adds whoever has something in hand.
func withOwners(people []string, g standing) []string {
	out := slices.Clone(people)
	for _, t := range g.owed() {
		if t.State == episodes.Assigned {
			out = append(out, t.Who)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
