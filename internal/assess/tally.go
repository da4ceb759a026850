package assess

import (
	"context"

	"plumbline/internal/clinical"
	"plumbline/internal/feedcheck"
	"plumbline/internal/policy"
	"plumbline/internal/records"
)

// tallyForm names the form in which stays are counted. Raise it with every change to
// feedcheck.CountOf, so that what is kept is counted anew.
const tallyForm = "1"

// TallyBasis is what the counts of stays rest on besides their facts.
func (s *Service) TallyBasis() string { return tallyForm + " " + s.basis(s.Policy.Current()) }

// Tallies counts what feeds have brought of stays by day, by what is known now. It is given the
// revision of each stay, read before: should facts come in between, the count is of a revision
// that has passed, and is made again.
func (s *Service) Tallies(ctx context.Context, revisions map[string]int64) ([]records.StayTally, error) {
	stays := make([]string, 0, len(revisions))
	for stay := range revisions {
		stays = append(stays, stay)
	}
	versions, err := s.Store.Versions(ctx, stays)
	if err != nil {
		return nil, err
	}
	p := policy.For(ctx, s.Policy).Policy
	site := s.siteDrugs()
	out := make([]records.StayTally, 0, len(stays))
	for _, stay := range stays {
		c := site.In(clinical.ChartAt(stay, versions[stay], feedcheck.AllKnown()))
		t := records.StayTally{StayID: stay}
		if c.Stay != nil {
			t = feedcheck.CountOf(c, s.digest(c, p).Sets, site.Of(p).Drugs.OfNoConcern, s.Zone)
		}
		t.Revision = revisions[stay]
		out = append(out, t)
	}
	return out, nil
}
