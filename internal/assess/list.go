package assess

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/trends"
)

// digestForm names the form in which digests are kept. Raise it with every
// change to trends.Digest or to what makes one, so that older ones are made anew.
const digestForm = "15"

// basis is what a kept digest rests on besides the stay's facts.
func (s *Service) basis(p policy.Loaded) string {
	return strings.TrimSpace(digestForm + " " + p.Hash + " " + s.Zone.String() + " " + s.siteDrugs().Hash())
}

// List ranks the patients of a unit by what was known at a moment. The error is
// clinical.NotFound for a unit that no stay has ever named.
func (s *Service) List(ctx context.Context, unit string, at time.Time) ([]alerts.Assessment, error) {
	stays, versions, err := s.load(ctx, unit, at)
	if err != nil {
		return nil, err
	}
	p := policy.For(ctx, s.Policy).Policy
	var list []alerts.Assessment
	for _, stay := range stays {
		if c := clinical.ChartAt(stay, versions[stay], at); c.OnUnit(unit) {
			list = append(list, s.assess(c, p, at))
		}
	}
	alerts.Rank(list)
	return list, nil
}

func (s *Service) load(ctx context.Context, unit string, at time.Time) ([]string, map[string][]clinical.Version, error) {
	stays, err := s.candidates(ctx, unit, at)
	if err != nil {
		return nil, nil, err
	}
	versions, err := s.Store.Versions(ctx, stays)
	return stays, versions, err
}

func (s *Service) candidates(ctx context.Context, unit string, at time.Time) ([]string, error) {
	stays, err := s.Store.Candidates(ctx, unit, at)
	if err != nil || len(stays) > 0 {
		return stays, err
	}
	return nil, s.known(ctx, unit)
}

// known is nil for a unit that a stay has named.
func (s *Service) known(ctx context.Context, unit string) error {
	units, err := s.Store.Units(ctx)
	if err != nil || slices.Contains(units, unit) {
		return err
	}
	known := "no unit has been seen yet"
	if len(units) > 0 {
		known = "units seen so far: " + strings.Join(units, ", ")
	}
	return clinical.Errorf(clinical.NotFound, "there is no unit %q; %s", unit, known)
}

// Live ranks the patients of a unit at a moment from kept digests: what depends
// on facts alone is worked out only when facts or the policy have changed. The
// answer is that of List.
func (s *Service) Live(ctx context.Context, unit string, now time.Time) ([]alerts.Assessment, error) {
	stays, err := s.candidates(ctx, unit, now)
	if err != nil {
		return nil, err
	}
	p := policy.For(ctx, s.Policy)
	digests, err := s.digests(ctx, p, stays, now)
	if err != nil {
		return nil, err
	}
	var list []alerts.Assessment
	for _, d := range digests {
		if d.Stay.OnUnit(unit, now) {
			list = append(list, alerts.Assess(d, p.Policy, s.Zone, now))
		}
	}
	alerts.Rank(list)
	return list, nil
}

// digests returns the digests of stays that hold at now, making those that are
// missing or have lapsed.
func (s *Service) digests(ctx context.Context, p policy.Loaded, stays []string, now time.Time) ([]trends.Digest, error) {
	kept, revisions, err := s.Store.Digests(ctx, stays)
	if err != nil {
		return nil, err
	}
	out := make([]trends.Digest, 0, len(stays))
	var lapsed []string
	for _, stay := range stays {
		k, ok := kept[stay]
		if !ok || !s.holds(k, p, revisions[stay], now) {
			lapsed = append(lapsed, stay)
			continue
		}
		var d trends.Digest
		if err := json.Unmarshal(k.Body, &d); err != nil {
			lapsed = append(lapsed, stay) // written by another version of the program
			continue
		}
		out = append(out, d)
	}
	made, err := s.make(ctx, p, lapsed, revisions, now)
	return append(out, made...), err
}

func (s *Service) holds(k records.Digest, p policy.Loaded, revision int64, now time.Time) bool {
	return k.Basis == s.basis(p) && k.Revision == revision && !now.Before(k.ValidFrom) &&
		(k.ValidUntil.IsZero() || now.Before(k.ValidUntil))
}

// make works out digests anew and keeps them.
func (s *Service) make(
	ctx context.Context, p policy.Loaded, stays []string, revisions map[string]int64, now time.Time,
) ([]trends.Digest, error) {
	if len(stays) == 0 {
		return nil, nil
	}
	versions, err := s.Store.Versions(ctx, stays)
	if err != nil {
		return nil, err
	}
	basis := s.basis(p) // before the digests: what changes meanwhile makes them again
	var out []trends.Digest
	var keep []records.Digest
	for _, stay := range stays {
		c := clinical.ChartAt(stay, versions[stay], now)
		if c.Stay == nil {
			continue
		}
		d := s.digest(c, p.Policy)
		body, err := json.Marshal(d)
		if err != nil {
			return nil, fmt.Errorf("keeping the digest of stay %s: %w", stay, err)
		}
		// The revision was read before the facts: should facts have come in
		// between, the digest counts as older than they are and is made again.
		keep = append(keep, records.Digest{
			StayID: stay, Basis: basis, Revision: revisions[stay], ValidFrom: now, ValidUntil: d.Until, Body: body,
		})
		out = append(out, d)
	}
	return out, s.save(ctx, keep)
}

// save keeps digests, or has them kept behind the answer.
func (s *Service) save(ctx context.Context, digests []records.Digest) error {
	if s.Behind != nil {
		s.Behind(digests)
		return nil
	}
	return s.Store.SaveDigests(ctx, digests)
}

// Chart tells what was known of a stay at a moment. The error is
// clinical.NotFound for a stay of which nothing at all was known.
func (s *Service) Chart(ctx context.Context, stayID string, at time.Time) (clinical.Chart, error) {
	versions, err := s.Store.Versions(ctx, []string{stayID})
	if err != nil {
		return clinical.Chart{}, err
	}
	c := clinical.ChartAt(stayID, versions[stayID], at)
	if c.Stay == nil && len(c.Records) == 0 && len(c.Removed) == 0 {
		return c, clinical.Errorf(clinical.NotFound,
			"nothing was known of a stay %q at %s; check the stay_id and the moment", stayID, at.UTC().Format(time.RFC3339))
	}
	return c, nil
}

// Stay tells what was known of a stay at a moment, and what follows from it. It
// is answered for a stay that has ended too.
func (s *Service) Stay(ctx context.Context, stayID string, at time.Time) (StayView, error) {
	c, err := s.Chart(ctx, stayID, at)
	if err != nil {
		return StayView{}, err
	}
	if c.Stay == nil {
		return StayView{}, clinical.Errorf(clinical.NotFound,
			"stay %q was not known at %s; facts that name it wait for it", stayID, at.UTC().Format(time.RFC3339))
	}
	p := policy.For(ctx, s.Policy)
	return s.view(c, p, at), nil
}
