package app

import (
	"context"

	"plumbline/internal/clinical"
	"plumbline/internal/idp"
)

// startSignInService looks for the site's sign-in service until it is found, and now
// and then later. The pages are served meanwhile: local accounts need no service.
// Without one in the settings both are nil.
func startSignInService(ctx context.Context, s *site, clock clinical.Clock) (*idp.Service, *schedule, error) {
	if s.settings.signIn.Issuer == "" {
		return nil, nil, nil
	}
	service := idp.New(s.settings.signIn, clock, s.log)
	job, err := startJob(ctx, s.log, "@every 1s", false, service.Look)
	return service, job, err
}
