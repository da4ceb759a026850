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

// JustBefore is the last moment before another that the store can tell from it: what
// was recorded at the very time of a fall is not in the answer.
func JustBefore(t time.Time) time.Time { return t.Add(-time.Microsecond) }

// Fall is a fall as it is known now. A source_id is unique within a kind, whatever
// feed it came by, so two feeds that name one are speaking of one fall: its versions,
// of which the one that counts says whose it is.
type Fall struct {
	SourceID  string
	TakenBack bool // entered in error
	clinical.Fall
	StayID string
	Unit   string // where the patient was when falling, by what is known now; "" where on none
	Now    StayView
	After  alerts.AfterFall

	versions []clinical.Version
}

// Known is the fact of the fall, with every version.
func (f Fall) Known() clinical.Record {
	for _, r := range slices.Concat(f.Now.Chart.Records, f.Now.Chart.Removed) {
		if r.Kind == clinical.KindFall && r.SourceID == f.SourceID {
			return r
		}
	}
	return clinical.Record{}
}

// Fall finds a fall by its source_id. The error is clinical.NotFound where none is
// known, where its stay is not, or was taken back.
func (s *Service) Fall(ctx context.Context, sourceID string, now time.Time) (Fall, error) {
	stays, err := s.Store.FallStays(ctx, sourceID)
	if err != nil {
		return Fall{}, err
	}
	versions, err := s.Store.Versions(ctx, stays)
	if err != nil {
		return Fall{}, err
	}
	p := policy.For(ctx, s.Policy)
	for _, stay := range stays { // the version that counts gives it to one of them
		for _, f := range s.fallsOf(stay, versions[stay], p, now) {
			if f.SourceID == sourceID {
				return f, nil
			}
		}
	}
	return Fall{}, errNoFall(sourceID)
}

// fallsOf lists the falls of a stay by what is known now, those taken back too.
func (s *Service) fallsOf(stay string, versions []clinical.Version, p policy.Loaded, now time.Time) []Fall {
	c := clinical.ChartAt(stay, versions, now)
	if c.Stay == nil {
		return nil
	}
	view := s.view(c, p, now)
	presences := trends.PresencesOf(c)
	var out []Fall
	for _, r := range slices.Concat(c.Records, c.Removed) {
		b, ok := r.Body.(clinical.Fall)
		if !ok {
			continue
		}
		f := Fall{SourceID: r.SourceID, TakenBack: r.Removed(), Fall: b, StayID: stay, Now: view, versions: versions}
		f.Unit = unitAt(presences, b.FellAt)
		f.After = alerts.SetsAfterFall(view.Assessment.Digest, trends.FallFact{SourceID: r.SourceID, At: b.FellAt, Injury: b.Injury}, p.Policy)
		out = append(out, f)
	}
	return out
}

// FallReview is a fall with what was known at a moment before it.
type FallReview struct {
	Fall
	At    time.Time
	Later []alerts.Later
	// Then is the stay as it was known at the moment, nil where it was not known.
	Then *StayView
	Owed alerts.Owed
	// Rank is the place on the list of the stay's unit at the moment, of so many; 0
	// where the stay was not on its list.
	Rank, Patients int
}

// ReviewFall tells what was known, owed and shown at a moment, and what was charted
// only after it.
func (s *Service) ReviewFall(ctx context.Context, f Fall, at, now time.Time) (FallReview, error) {
	p := policy.For(ctx, s.Policy)
	r := FallReview{Fall: f, At: at, Later: alerts.ChartedLater(f.StayID, f.SourceID, f.versions, at, f.FellAt, now)}
	c := clinical.ChartAt(f.StayID, f.versions, at)
	if c.Stay == nil {
		return r, nil
	}
	then := s.view(c, p, at)
	r.Then = &then
	r.Owed = alerts.OwedAt(r.Then.Assessment, p.Policy, s.Zone)
	list, err := s.List(ctx, c.Stay.Unit, at)
	if err != nil {
		return r, err
	}
	r.Patients = len(list)
	for _, a := range list {
		if a.Digest.StayID == f.StayID {
			r.Rank = a.Rank
		}
	}
	return r, nil
}

// FallOnUnit is a fall of a unit's list of falls, with the assessment that stood just
// before it; nil where the stay was not known then.
type FallOnUnit struct {
	Fall
	Before *alerts.Assessment
}

// Falls lists the falls of patients who were on a unit when falling, from from until
// to, latest first, by what is known now. Those taken back are left out. The error is
// clinical.NotFound for a unit that no stay has ever named.
func (s *Service) Falls(ctx context.Context, unit string, from, to, now time.Time) ([]FallOnUnit, error) {
	if err := s.known(ctx, unit); err != nil {
		return nil, err
	}
	stays, err := s.Store.FallsBetween(ctx, from, to)
	if err != nil {
		return nil, err
	}
	p := policy.For(ctx, s.Policy)
	var out []FallOnUnit
	for some := range slices.Chunk(stays, staysAtOnce) {
		versions, err := s.Store.Versions(ctx, some)
		if err != nil {
			return nil, err
		}
		for _, stay := range some {
			for _, f := range s.fallsOf(stay, versions[stay], p, now) {
				if f.Unit != unit || f.TakenBack || f.FellAt.Before(from) || !f.FellAt.Before(to) {
					continue
				}
				on := FallOnUnit{Fall: f}
				at := JustBefore(f.FellAt)
				if c := clinical.ChartAt(stay, versions[stay], at); c.Stay != nil {
					a := s.assess(c, p.Policy, at)
					on.Before = &a
				}
				out = append(out, on)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b FallOnUnit) int { return b.FellAt.Compare(a.FellAt) })
	return out, nil
}
