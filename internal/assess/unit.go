package assess

import (
	"context"
	"runtime"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/trends"
)

// staysAtOnce is how many stays one goroutine holds in memory at a time for a
// unit's figures.
const staysAtOnce = 100

// Unit works out the figures of a unit over months or weeks from from until to,
// by what is known now; precautions by what was known at the end of each period.
// What a stay that is over adds is kept in memory until its facts or the policy
// change. The error is clinical.NotFound for a unit that no stay has ever named.
func (s *Service) Unit(ctx context.Context, unit string, from, to time.Time, by string, now time.Time) (trends.UnitFigures, error) {
	if err := s.known(ctx, unit); err != nil {
		return trends.UnitFigures{}, err
	}
	stays, err := s.Store.Between(ctx, unit, from, to)
	if err != nil {
		return trends.UnitFigures{}, err
	}
	p := policy.For(ctx, s.Policy)
	tally := trends.NewUnitTally(unit, trends.Periods(from, to, by, s.Zone), p.Policy.Unit, s.Zone, now)
	q := unitQuestion{unit: unit, policy: p, ends: tally.LookMoments(), now: now}
	parts := slices.Collect(slices.Chunk(stays, staysAtOnce))
	counted := make([][]trends.UnitStay, len(parts))
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for n, part := range parts {
		group.Go(func() (err error) {
			counted[n], err = s.unitStays(ctx, part, q)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return trends.UnitFigures{}, err
	}
	for _, stay := range slices.Concat(counted...) {
		tally.Add(stay)
	}
	return tally.Figures(), nil
}

// unitQuestion is what is asked of every stay.
type unitQuestion struct {
	unit   string
	policy policy.Loaded
	ends   []time.Time // at which precautions are looked at
	now    time.Time
}

// unitStays takes what is kept of stays and works out the rest. Revisions are read
// before facts: should facts come in between, what is kept counts as out of date.
func (s *Service) unitStays(ctx context.Context, stays []string, q unitQuestion) ([]trends.UnitStay, error) {
	revisions, err := s.Store.Revisions(ctx, stays)
	if err != nil {
		return nil, err
	}
	var out []trends.UnitStay
	var missing []string
	for _, stay := range stays {
		if kept, ok := s.past.get(stay, s.basis(q.policy), revisions[stay], q); ok {
			out = append(out, kept)
		} else {
			missing = append(missing, stay)
		}
	}
	if len(missing) == 0 {
		return out, nil
	}
	versions, err := s.Store.Versions(ctx, missing)
	if err != nil {
		return nil, err
	}
	for _, stay := range missing {
		c := clinical.ChartAt(stay, versions[stay], q.now)
		if c.Stay == nil {
			continue
		}
		span := spanOf(stay, versions[stay])
		made := s.unitStay(c, q.policy.Policy)
		for _, at := range q.ends {
			if !span.holds(at) {
				continue
			}
			if then := clinical.ChartAt(stay, versions[stay], at); then.OnUnit(q.unit) {
				made.Looks = append(made.Looks, s.look(then, q.policy.Policy, at))
			}
		}
		s.past.keep(stay, pastStay{
			basis: s.basis(q.policy), revision: revisions[stay], made: q.now, until: c.Until, span: span, stay: made,
		}, q)
		out = append(out, made)
	}
	return out, nil
}

// unitStay is what a chart adds to the figures; of sets only what they count.
func (s *Service) unitStay(c clinical.Chart, p clinical.Policy) trends.UnitStay {
	d := s.digest(c, p)
	sets := make([]trends.Set, len(d.Sets))
	for n, set := range d.Sets {
		sets[n] = trends.Set{StartedAt: set.StartedAt, Quality: set.Quality, Finding: set.Finding}
	}
	return trends.UnitStay{
		Presences: trends.PresencesOf(c),
		Falls:     d.Falls,
		Sets:      sets,
		Systolics: trends.SystolicsOf(c, p.Plausible),
		Rechecks:  alerts.RechecksOf(d, p, s.Zone),
	}
}

func (s *Service) look(c clinical.Chart, p clinical.Policy, at time.Time) trends.PrecautionLook {
	a := s.assess(c, p, at)
	asked := a.Precautions.Needed && a.Precautions.Missing != nil && !a.Died()
	return trends.PrecautionLook{At: at, Asked: asked, Lacking: asked && len(a.Precautions.Missing) > 0}
}

// span is the time outside of which no version had the stay on any unit.
type span struct{ from, to time.Time }

func (s span) holds(t time.Time) bool { return !t.Before(s.from) && (s.to.IsZero() || !t.After(s.to)) }

// spanOf reaches from the first admission that a version names to the last
// discharge, or to the last version where that is later. It has no end while a
// version that may count knows no discharge.
func spanOf(stay string, versions []clinical.Version) span {
	var out span
	var last time.Time // version
	open := true
	for _, v := range versions {
		b, ok := v.Body.(clinical.Stay)
		if !ok || v.SourceID != stay {
			continue
		}
		if out.from.IsZero() || b.AdmittedAt.Before(out.from) {
			out.from = b.AdmittedAt
		}
		if !v.RecordedAt.Before(last) { // of those recorded together either may count
			open = b.DischargedAt == nil || open && v.RecordedAt.Equal(last)
			last = v.RecordedAt
		}
		for _, t := range []time.Time{v.RecordedAt, discharge(b)} {
			if t.After(out.to) {
				out.to = t
			}
		}
	}
	if open {
		out.to = time.Time{}
	}
	return out
}

func discharge(b clinical.Stay) time.Time {
	if b.DischargedAt == nil {
		return time.Time{}
	}
	return *b.DischargedAt
}
