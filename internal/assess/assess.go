// Package assess answers questions about units and stays: it takes facts from
// the store and hands them to the pure core. The live list is answered from kept
// digests, a question about another moment from the facts known then; both are
// the same code from there on.
package assess

import (
	"context"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/policy"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// Store is what the service needs of a store.
type Store interface {
	Units(ctx context.Context) ([]string, error)
	// Candidates lists the stays that may have been on a unit at a moment.
	Candidates(ctx context.Context, unit string, at time.Time) ([]string, error)
	// Between lists the stays that may have been on a unit at any moment from from
	// until to.
	Between(ctx context.Context, unit string, from, to time.Time) ([]string, error)
	// FallStays lists the stays that any version of a fall names; FallsBetween those
	// of any version of a fall from from until to.
	FallStays(ctx context.Context, sourceID string) ([]string, error)
	FallsBetween(ctx context.Context, from, to time.Time) ([]string, error)
	// StayItself lists every version of a stay itself; FallItself of a fall and of the stays
	// to which any of them may give it. Both cost the same where there is none.
	StayItself(ctx context.Context, stayID string) ([]clinical.Version, error)
	FallItself(ctx context.Context, sourceID string) ([]clinical.Version, error)
	// Versions lists, for each stay, every version of each fact that any version
	// gives to it.
	Versions(ctx context.Context, stayIDs []string) (map[string][]clinical.Version, error)
	// Readings are of Versions those of stays and of vital signs, at least of those vital signs
	// that were taken at since or later by the version that counts at any moment.
	Readings(ctx context.Context, stayIDs []string, since time.Time) (map[string][]clinical.Version, error)
	// LastCame is, by kind of fact, the latest recorded_at of the versions that feeds, and not
	// this program, sent of stays, as far as recorded by a moment.
	LastCame(ctx context.Context, stayIDs []string, by time.Time) (map[clinical.Kind]time.Time, error)
	// Digests returns the kept digests of stays, and the revision of each stay.
	Digests(ctx context.Context, stayIDs []string) (map[string]records.Digest, map[string]int64, error)
	SaveDigests(ctx context.Context, digests []records.Digest) error
	// Revisions returns the revision of each stay that any version names.
	Revisions(ctx context.Context, stayIDs []string) (map[string]int64, error)
}

// Service answers for one site. Each answer is made by one policy: the one to which
// its context is pinned (policy.Pin), else the one in force when it begins.
type Service struct {
	Store  Store
	Policy policy.InForce
	Zone   *time.Location
	// Behind, where set, takes digests to be saved behind the answer. Nil: an answer
	// waits until those that it made are saved.
	Behind func(digests []records.Digest)

	// Drugs, where set, says what the site has named of drugs that nothing else tells. It
	// holds for every moment.
	Drugs func() clinical.SiteDrugs

	past pastStays
}

// StayView is one stay at a moment: what was known, what follows from it, and by
// which policy.
type StayView struct {
	Chart      clinical.Chart
	Assessment alerts.Assessment
	Policy     policy.Loaded
}

// Catalogue makes sentences for a moment in the site's zone.
func (s *Service) Catalogue(at time.Time) text.Catalogue { return text.Catalogue{Zone: s.Zone, At: at} }

// Units lists every unit that a stay has ever named.
func (s *Service) Units(ctx context.Context) ([]string, error) { return s.Store.Units(ctx) }

// Digest works out of a chart all that depends on facts alone, by the policy in force.
func (s *Service) Digest(c clinical.Chart) trends.Digest {
	return s.digest(c, s.Policy.Current().Policy)
}

func (s *Service) digest(c clinical.Chart, p clinical.Policy) trends.Digest {
	site := s.siteDrugs()
	return trends.DigestOf(site.In(c), site.Of(p), s.Zone)
}

// view is a stay as the site reads it: its chart with the drugs that the site has named.
func (s *Service) view(c clinical.Chart, p policy.Loaded, at time.Time) StayView {
	return StayView{s.siteDrugs().In(c), s.assess(c, p.Policy, at), p}
}

func (s *Service) siteDrugs() clinical.SiteDrugs {
	if s.Drugs == nil {
		return clinical.SiteDrugs{}
	}
	return s.Drugs()
}

func (s *Service) assess(c clinical.Chart, p clinical.Policy, at time.Time) alerts.Assessment {
	return alerts.Assess(s.digest(c, p), p, s.Zone, at)
}
