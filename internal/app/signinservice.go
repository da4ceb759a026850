package app

import (
	"context"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/idp"
	"plumbline/internal/ingest/fhirfeed"
	"plumbline/internal/web/account"
)

// startSignInService looks for the site's sign-in service until it is found, and now
// and then later. The pages are served meanwhile: local accounts need no service.
// Without one in the settings both are nil.
func startSignInService(ctx context.Context, s *site, clock clinical.Clock) (*idp.Service, *schedule, error) {
	if s.settings.signIn.Issuer == "" {
		return nil, nil, nil
	}
	return lookFor(ctx, s, s.settings.signIn, clock)
}

func lookFor(ctx context.Context, s *site, settings idp.Settings, clock clinical.Clock) (*idp.Service, *schedule, error) {
	service := idp.New(settings, clock, s.log)
	job, err := startJob(ctx, s.log, "@every 1s", false, service.Look)
	return service, job, err
}

// startLaunches does the same for the record that opens pages here.
func startLaunches(ctx context.Context, s *site, clock clinical.Clock) (*account.Record, *schedule, error) {
	if s.settings.launches.Record == "" {
		return nil, nil, nil
	}
	service, job, err := lookFor(ctx, s, s.settings.launches, clock)
	return &account.Record{SignIn: service, Stay: func(ctx context.Context, o idp.Opened) (clinical.KnownStay, error) {
		return s.openedStay(ctx, o, clock())
	}}, job, err
}

// openedStay is the stay that the record has in context: its visit, where that is a stay of the patient in context;
// else the patient's present stay; else the last one.
func (s *site) openedStay(ctx context.Context, o idp.Opened, now time.Time) (best clinical.KnownStay, err error) {
	patientID, stayID, err := fhirfeed.NumbersOf(s.store.FeedLook(ctx, fhirfeed.Feed), fhirfeed.Named(o), now)
	if err != nil {
		return best, err
	}
	stays, err := s.store.StaysOfPatient(ctx, patientID)
	for _, one := range stays {
		if one.PatientID == patientID && (best.ID == "" || nearer(one, best, stayID)) {
			best = one
		}
	}
	if err == nil && best.ID == "" {
		err = clinical.Errorf(clinical.NotFound, "the patient who is open in the record has no stay here")
	}
	return best, err
}

func nearer(a, b clinical.KnownStay, named string) bool {
	switch {
	case a.ID == named || b.ID == named:
		return a.ID == named
	case (a.DischargedAt == nil) != (b.DischargedAt == nil):
		return a.DischargedAt == nil
	case !a.AdmittedAt.Equal(b.AdmittedAt):
		return a.AdmittedAt.After(b.AdmittedAt)
	}
	return a.ID > b.ID
}
