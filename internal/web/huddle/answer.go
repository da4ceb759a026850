package huddle

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/assess"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/trends"
	"plumbline/internal/web/frame"
)

// answerAbout takes the live answer of a minute from those kept, unless facts or
// another policy have come in since it was made; that of another moment is made anew.
func (s *service) answerAbout(ctx context.Context, unit string, when frame.Asked) (*keptList, error) {
	if !when.Live {
		a, err := s.answer(ctx, unit, when, "", nil)
		return &keptList{answer: a}, err
	}
	data, err := s.basisOf(ctx)
	if err != nil {
		return nil, err
	}
	return s.lists.get(ctx, unit, when.At, data, func(ctx context.Context, before *answer) (*answer, error) {
		return s.answer(ctx, unit, when, data, before)
	})
}

// openAbout is the answer about a unit without what has changed since the last huddle and without
// people: what the page of all units shows, for a fraction of the work.
func (s *service) openAbout(ctx context.Context, unit string, when frame.Asked) (*answer, error) {
	if !when.Live {
		return s.open(ctx, unit, when)
	}
	data, err := s.basisOf(ctx)
	if err != nil {
		return nil, err
	}
	if k := s.lists.kept(unit, when.At, data); k != nil {
		return k.answer, nil
	}
	k, err := s.opens.get(ctx, unit, when.At, data, func(ctx context.Context, _ *answer) (*answer, error) {
		return s.open(ctx, unit, when)
	})
	if err != nil {
		return nil, err
	}
	return k.answer, nil
}

// basisOf names the facts and the policy on which a live answer rests.
func (s *service) basisOf(ctx context.Context) (data string, err error) {
	if s.DataState != nil {
		if data, err = s.DataState(ctx); err != nil {
			return "", err
		}
	}
	return data + " " + s.PolicyFor(ctx).Hash, nil
}

// open works out the list of a unit and what is owed by it.
func (s *service) open(ctx context.Context, unit string, when frame.Asked) (*answer, error) {
	ask := s.Patients.List
	if when.Live {
		ask = s.Patients.Live
	}
	list, err := ask(ctx, unit, when.At)
	if err != nil {
		return nil, err
	}
	s.Metrics.Lists.Inc()
	p := s.PolicyFor(ctx).Policy
	a := &answer{at: when.At, list: list, nextShift: alerts.NextShift(p.Unit, s.Zone, when.At)}
	for _, one := range list {
		a.dues = append(a.dues, episodes.Owed(one, p, a.nextShift)...)
	}
	return a, nil
}

// answer works out the list of a unit, and what has changed since its last huddle.
// The list of then is taken over from an answer before where it rests on the same.
func (s *service) answer(
	ctx context.Context, unit string, when frame.Asked, data string, before *answer,
) (*answer, error) {
	a, err := s.open(ctx, unit, when)
	if err != nil {
		return nil, err
	}
	from, list := alerts.LastHuddle(s.PolicyFor(ctx).Policy.Unit, s.Zone, when.At), a.list
	a.thenFor = from.Format(time.RFC3339) + " " + data
	if before != nil && when.Live && s.DataState != nil && before.thenFor == a.thenFor {
		a.then = before.then
	} else if a.then, err = s.Patients.List(ctx, unit, from); err != nil && clinical.CodeOf(err) != clinical.NotFound {
		return nil, err
	}
	left, err := s.departures(ctx, unit, a.then, list, when.At)
	if err != nil {
		return nil, err
	}
	a.since = alerts.Compare(a.then, list, left, from, when.At)
	if a.came, err = s.arrivals(ctx, unit, a.since.Arrived, when.At); err != nil {
		return nil, err
	}
	if when.Live && s.Episodes != nil {
		a.people, err = s.peopleOf(ctx, unit)
	}
	return a, err
}

// departures are those of the list of then who are not on the list of now.
func (s *service) departures(
	ctx context.Context, unit string, then, now []alerts.Assessment, at time.Time,
) ([]alerts.Departure, error) {
	var out []alerts.Departure
	for _, a := range alerts.Gone(then, now) {
		view, err := s.Patients.Stay(ctx, a.Digest.StayID, at)
		if err != nil && clinical.CodeOf(err) != clinical.NotFound { // one that was taken back left no trace
			return nil, err
		}
		out = append(out, alerts.DepartureOf(unit, a, view.Assessment, presencesOf(view, err)))
	}
	return out, nil
}

// arrivals tells which of those who came were moved here from another unit of the
// hospital, and when, by stay; the rest were admitted here.
func (s *service) arrivals(
	ctx context.Context, unit string, came []alerts.Assessment, at time.Time,
) (map[string]alerts.Arrival, error) {
	out := map[string]alerts.Arrival{}
	for _, a := range came {
		view, err := s.Patients.Stay(ctx, a.Digest.StayID, at)
		if err != nil && clinical.CodeOf(err) != clinical.NotFound { // taken back since the list was made
			return nil, err
		}
		if moved, ok := alerts.ArrivalOf(unit, presencesOf(view, err), at); ok {
			out[a.Digest.StayID] = moved
		}
	}
	return out, nil
}

// presencesOf is where a stay was; nothing of one that could not be found.
func presencesOf(view assess.StayView, err error) []trends.Presence {
	if err != nil {
		return nil
	}
	return trends.PresencesOf(view.Chart)
}
