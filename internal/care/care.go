// Package care keeps the episodes of units and feeds: it asks the assessments
// what holds, steps the episodes in one transaction, does what people ask, and
// gives pages what they show. The rules are those of internal/episodes.
package care

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

// Answers is what the service needs of the assessments; assess.Service has it.
type Answers interface {
	Units(ctx context.Context) ([]string, error)
	Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error)
	Chart(ctx context.Context, stayID string, at time.Time) (clinical.Chart, error)
}

// Store is what the service needs of a store. Each of StepEpisodes and
// ChangeEpisodes is one
// transaction: what is returned to it is written whole or not at all.
type Store interface {
	// StepEpisodes is false where a step of a later moment was made already.
	StepEpisodes(ctx context.Context, scope records.EpisodeScope, at time.Time,
		step func([]records.Episode) []records.EpisodeChange) (bool, error)
	ChangeEpisodes(ctx context.Context, stayID, id string,
		change func([]records.Episode) ([]records.EpisodeChange, error)) error
	EpisodeByID(ctx context.Context, id string) (records.Episode, error)
	EpisodesOwed(ctx context.Context, unit string) ([]records.Episode, error)
	EpisodesOfStay(ctx context.Context, stayID string) ([]records.Episode, error)
	EpisodesAmong(ctx context.Context, ids []string) ([]records.Episode, error)
	EventsOfEpisodes(ctx context.Context, ids []string) (map[string][]records.EpisodeEvent, error)
	EventsOfUnit(ctx context.Context, unit string, from, to time.Time) ([][]records.EpisodeEvent, error)
	// LastAssignment is when a name was last given apart from episodes; zero where none was.
	LastAssignment(ctx context.Context) (time.Time, error)
	// EpisodeUnits are the units with active episodes, "" for the feeds.
	EpisodeUnits(ctx context.Context) ([]string, error)
}

// Service keeps the episodes of one site. Each step is made by one policy, the one
// in force when it begins.
type Service struct {
	Answers Answers
	Store   Store
	Policy  policy.InForce
	Zone    *time.Location // of the site's clocks; nil: UTC
}

func (s *Service) zone() *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

// StepUnit brings the episodes of a unit to what holds at a moment and returns
// what happened. It may run on several machines at once and any number of times.
// Without error and without transitions there was nothing to do, or a later step
// was made already.
func (s *Service) StepUnit(ctx context.Context, unit string, at time.Time) ([]records.EpisodeChange, error) {
	p := policy.For(ctx, s.Policy)
	list, err := s.Answers.Live(policy.Pin(ctx, p), unit, at)
	if err != nil {
		return nil, fmt.Errorf("stepping the episodes of unit %s: %w", unit, err)
	}
	before := alerts.NextShift(p.Policy.Unit, s.zone(), at)
	return s.step(ctx, "unit "+unit, episodes.SceneOf(unit, list, p.Policy, at, before))
}

// StepFeeds opens and ends the episodes of feeds, given which are silent at a moment.
func (s *Service) StepFeeds(ctx context.Context, silent []episodes.Silence, at time.Time) ([]records.EpisodeChange, error) {
	return s.step(ctx, "feeds", episodes.SilenceScene(silent, at))
}

func (s *Service) step(ctx context.Context, name string, scene episodes.Scene) ([]records.EpisodeChange, error) {
	var done []records.EpisodeChange
	scope := records.EpisodeScope{Name: name, Unit: scene.Unit, IDs: scene.IDs()}
	_, err := s.Store.StepEpisodes(ctx, scope, scene.At, func(have []records.Episode) []records.EpisodeChange {
		done = episodes.Step(have, scene)
		return done
	})
	if err != nil {
		return nil, err
	}
	return done, nil
}

// StepAll steps every unit that has patients or episodes. The
// failure of one does not stop the others; the error names each that failed.
func (s *Service) StepAll(ctx context.Context, at time.Time) ([]records.EpisodeChange, error) {
	units, err := s.Answers.Units(ctx)
	if err != nil {
		return nil, err
	}
	owing, err := s.Store.EpisodeUnits(ctx)
	if err != nil {
		return nil, err
	}
	all := slices.DeleteFunc(slices.Concat(units, owing), func(unit string) bool { return unit == "" })
	slices.Sort(all)
	var done []records.EpisodeChange
	var errs []error
	for _, unit := range slices.Compact(all) {
		more, err := s.StepUnit(ctx, unit, at)
		done, errs = append(done, more...), append(errs, err)
	}
	return done, errors.Join(errs...)
}

// Act does what a person asks of an episode, and of all that is one thing with it: see
// episodes.ThingOf. The errors are those of episodes.Act, and clinical.NotFound where there
// is no such episode. Whether the person may is the caller's to decide, by the episode's
// unit. The episode is as it is afterwards.
func (s *Service) Act(ctx context.Context, id string, a episodes.Action, at time.Time) (records.Episode, error) {
	e, err := s.Store.EpisodeByID(ctx, id)
	if err != nil {
		return records.Episode{}, err
	}
	if a.Do == episodes.Close || a.Do == episodes.Tell {
		if a.Chart, err = s.chartOf(ctx, e, at); err != nil {
			return records.Episode{}, err
		}
	}
	if a.Do == episodes.Give {
		a.Until = episodes.HoldsUntil(at, policy.For(ctx, s.Policy).Policy.Unit, s.zone())
	}
	after := e
	err = s.Store.ChangeEpisodes(ctx, e.StayID, id, func(all []records.Episode) ([]records.EpisodeChange, error) {
		done, err := actOn(all, id, a, at)
		for _, tr := range done {
			if tr.Episode.ID == id {
				after = tr.Episode
			}
		}
		return done, err
	})
	return after, err
}

// actOn acts on the thing that an episode is part of, of all episodes of its stay.
func actOn(all []records.Episode, id string, a episodes.Action, at time.Time) ([]records.EpisodeChange, error) {
	n := slices.IndexFunc(all, func(e records.Episode) bool { return e.ID == id })
	if n < 0 {
		return nil, clinical.Errorf(clinical.NotFound, "there is no such episode; go back to the list")
	}
	thing := episodes.ThingOf(all[n], all)
	if !a.SawAll(thing.Members) || a.Seen != 0 && a.Seen != all[n].Events {
		return nil, episodes.Changed()
	}
	return episodes.ActOn(thing.Members, a, at)
}

// chartOf is every fact that is known of an episode's stay at a moment, those
// taken back too: should one be sent again it is no new evidence.
func (s *Service) chartOf(ctx context.Context, e records.Episode, at time.Time) ([]records.FactName, error) {
	if e.StayID == "" {
		return nil, nil
	}
	chart, err := s.Answers.Chart(ctx, e.StayID, at)
	if err != nil && clinical.CodeOf(err) != clinical.NotFound { // a stay taken back: nothing is known of it
		return nil, err
	}
	var out []records.FactName
	for _, r := range slices.Concat(chart.Records, chart.Removed) {
		out = append(out, records.FactName{Kind: r.Kind, SourceID: r.SourceID})
	}
	return out, nil
}

// History is an episode with every event of it, the first one first.
type History struct {
	Episode records.Episode
	Events  []records.EpisodeEvent
}

// Now are the episodes of histories as they stand.
func Now(histories []History) []records.Episode {
	out := make([]records.Episode, len(histories))
	for n, h := range histories {
		out[n] = h.Episode
	}
	return out
}

// Unit lists what is owed on a unit, open, taken and deferred: in the order of
// episodes.Kinds, the oldest first. An empty unit lists what is owed of the feeds.
func (s *Service) Unit(ctx context.Context, unit string) ([]records.Episode, error) {
	list, err := s.Store.EpisodesOwed(ctx, unit)
	slices.SortStableFunc(list, func(a, b records.Episode) int {
		if c := slices.Index(episodes.Kinds, a.Kind) - slices.Index(episodes.Kinds, b.Kind); c != 0 {
			return c
		}
		return a.OwedSince().Compare(b.OwedSince())
	})
	return list, err
}

// Among are those of the episodes named that there are, done or not.
func (s *Service) Among(ctx context.Context, ids []string) ([]records.Episode, error) {
	return s.Store.EpisodesAmong(ctx, ids)
}

// UnitAt is what was owed on a unit at a moment that has passed, as it stood then, with what
// was done in the three days before it.
func (s *Service) UnitAt(ctx context.Context, unit string, at time.Time) ([]records.Episode, error) {
	histories, err := s.Store.EventsOfUnit(ctx, unit, at.Add(-pastDays), at.Add(time.Microsecond))
	var out []records.Episode
	for _, events := range histories {
		if e, opened := episodes.At(events, at); opened && e.Unit == unit {
			out = append(out, e)
		}
	}
	slices.SortFunc(out, func(a, b records.Episode) int { return strings.Compare(a.ID, b.ID) })
	return out, err
}

// NamedApart is until when names that were given to what is owed do not show at a moment that
// has passed: they were kept apart from episodes then, by keys of what was owed that no
// episode has, and are not put together by guessing. Zero where all that was given shows.
func (s *Service) NamedApart(ctx context.Context, at time.Time) (time.Time, error) {
	last, err := s.Store.LastAssignment(ctx)
	if err != nil || at.After(last) {
		return time.Time{}, err
	}
	return last, nil
}

// pastDays is for how long before a moment an episode that was done then is looked for.
const pastDays = 72 * time.Hour

// Stay lists every episode of a stay with its history: what is owed first, then
// what is done, the latest first.
func (s *Service) Stay(ctx context.Context, stayID string) ([]History, error) {
	list, err := s.Store.EpisodesOfStay(ctx, stayID)
	if err != nil {
		return nil, err
	}
	ids := make([]string, len(list))
	for n, e := range list {
		ids[n] = e.ID
	}
	events, err := s.Store.EventsOfEpisodes(ctx, ids)
	out := make([]History, len(list))
	for n, e := range list {
		out[n] = History{e, events[e.ID]}
	}
	order(out)
	return out, err
}

// AsOf cuts histories back to a moment: it leaves out later events, and episodes that
// opened later. They stand in the order of Stay.
func AsOf(histories []History, moment time.Time) []History {
	var out []History
	for _, h := range histories {
		e, opened := episodes.At(h.Events, moment)
		if opened {
			out = append(out, History{e, h.Events[:e.Events]})
		}
	}
	order(out)
	return out
}

// order puts what is owed first, then what is done, the latest first.
func order(list []History) {
	slices.SortStableFunc(list, func(x, y History) int {
		a, b := x.Episode, y.Episode
		if a.Active() != b.Active() {
			if a.Active() {
				return -1
			}
			return 1
		}
		return b.ChangedAt.Compare(a.ChangedAt)
	})
}

// Ended lists what ended on a unit in [from, to) and is still done, the latest
// first. An empty unit lists what ended of the feeds.
func (s *Service) Ended(ctx context.Context, unit string, from, to time.Time) ([]History, error) {
	histories, err := s.Store.EventsOfUnit(ctx, unit, from, to)
	if err != nil {
		return nil, err
	}
	var out []History
	for _, events := range histories {
		e := episodes.Replay(events)
		if !e.Active() && e.Unit == unit && !e.ChangedAt.Before(from) && e.ChangedAt.Before(to) {
			out = append(out, History{e, events})
		}
	}
	slices.SortFunc(out, func(a, b History) int {
		if c := b.Episode.ChangedAt.Compare(a.Episode.ChangedAt); c != 0 {
			return c
		}
		return strings.Compare(a.Episode.ID, b.Episode.ID)
	})
	return out, nil
}

// Episode is one episode with its history; clinical.NotFound where there is none. It asks
// the store the same then: how long the answer takes does not tell the two apart.
func (s *Service) Episode(ctx context.Context, id string) (History, error) {
	e, err := s.Store.EpisodeByID(ctx, id)
	if err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return History{}, err
	}
	events, failed := s.Store.EventsOfEpisodes(ctx, []string{id})
	return History{e, events[id]}, cmp.Or(err, failed)
}

// Tally counts the episodes of a unit over a time: see episodes.Tally.
func (s *Service) Tally(ctx context.Context, unit string, from, to time.Time, patientDays float64) ([]episodes.Count, error) {
	histories, err := s.Store.EventsOfUnit(ctx, unit, from, to)
	if err != nil {
		return nil, err
	}
	return episodes.Tally(histories, unit, from, to, patientDays), nil
}
