package alerts

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// RechecksOf lists every recheck that fell due in a stay by the digest's moment,
// by what is known now, and the set that answered it (section 7).
//
// A demand with a "met from" is answered by the first interpretable set from
// then. One that stands while its rule applies is asked for anew with each
// trigger: it is answered by the interpretable set that ended it, and if
// something else ended it before it fell due, it was never due. R-VOLUME has no
// time to be met in (it is due when it arises) and is left out.
func RechecksOf(d trends.Digest, p clinical.Policy, zone *time.Location) []trends.DueRecheck {
	s := situation{Digest: d, policy: p, zone: zone, at: d.AsOf}
	var out []trends.DueRecheck
	for _, i := range s.onceInstances() {
		if i.Rule == RAdmit && !AtRisk(s.asOf(i.Due).Digest, p, zone, i.Due) {
			continue
		}
		met, end := interpretableFrom(s.Sets, *i.MetFrom), time.Time{}
		if met != nil {
			end = *met
		}
		out = append(out, trends.DueRecheck{Rule: i.Rule, DueAt: i.Due, MetAt: met, Answered: s.putOff(i, end)})
	}
	out = append(out, s.standingHistory()...)
	died := s.diedAt()
	return slices.DeleteFunc(out, func(r trends.DueRecheck) bool {
		return r.DueAt.After(d.AsOf) || died != nil && !r.DueAt.Before(*died)
	})
}

// asOf is the situation as it was at an earlier moment, by what is known now.
func (s situation) asOf(t time.Time) situation {
	s.at, s.exposures = t, trends.Exposures{}
	s.Sets = until(s.Sets, t, func(set trends.Set) time.Time { return set.StartedAt })
	s.Changes = until(s.Changes, t, func(c trends.Change) time.Time { return c.At })
	s.Falls = until(s.Falls, t, func(f trends.FallFact) time.Time { return f.At })
	if s.RiskFrom != nil && s.RiskFrom.After(t) {
		s.RiskDrugs = nil
	}
	s.Serial = trends.ClearingOf(s.Sets, s.Changes, s.policy)
	s.past = true
	return s
}

func until[T any](list []T, t time.Time, at func(T) time.Time) []T {
	var out []T
	for _, v := range list {
		if !at(v).After(t) {
			out = append(out, v)
		}
	}
	return out
}

// turns are the moments at which a standing demand can begin or end.
func (s situation) turns() []time.Time {
	var out []time.Time
	for _, set := range s.Sets {
		out = append(out, set.StartedAt)
	}
	for _, c := range s.Changes {
		out = append(out, c.At)
	}
	for _, f := range s.Falls {
		out = append(out, f.At)
	}
	if s.RiskFrom != nil {
		out = append(out, *s.RiskFrom)
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

// standingHistory walks through the stay and lists the standing demands that fell
// due before something other than a set ended them.
func (s situation) standingHistory() []trends.DueRecheck {
	var out []trends.DueRecheck
	var open []Instance
	for _, t := range s.turns() {
		now := s.asOf(t).standingAt()
		met := s.interpretableAt(t)
		for _, was := range open {
			if slices.ContainsFunc(now, func(i Instance) bool { return sameDemand(i, was) }) {
				continue // it still stands
			}
			if !met && !was.Due.Before(t) {
				continue // withdrawn before it fell due
			}
			due := trends.DueRecheck{Rule: was.Rule, DueAt: was.Due, Answered: s.putOff(was, t)}
			if met {
				due.MetAt = &t
			}
			out = append(out, due)
		}
		open = now
	}
	for _, i := range open {
		out = append(out, trends.DueRecheck{Rule: i.Rule, DueAt: i.Due, Answered: s.putOff(i, time.Time{})})
	}
	return out
}

func sameDemand(a, b Instance) bool { return a.Rule == b.Rule && a.Due.Equal(b.Due) }

// standingAt lists the standing demands of the situation's moment.
func (s situation) standingAt() []Instance { return append(s.standingInstances(), s.weekly()...) }

func (s situation) interpretableAt(t time.Time) bool {
	return slices.ContainsFunc(s.Sets, func(set trends.Set) bool { return set.Interpretable() && set.StartedAt.Equal(t) })
}
