package app

import (
	"context"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/account"
)

// newAccounts makes what signs in and manages accounts.
func (p process) newAccounts(s *site) *auth.Service {
	return &auth.Service{
		Store: s.store, Hasher: &auth.Hasher{}, Limits: &auth.Limits{}, Clock: p.clock, Log: s.log,
		Steady: clinical.SteadyClock,
		Rules:  auth.Rules{Hospital: s.settings.hospital, Breached: s.settings.breachedList},
		Idle:   s.settings.idle,
	}
}

// demoAccounts makes an account for each role, with a new password each time.
func demoAccounts(ctx context.Context, accounts *auth.Service) ([]account.DemoAccount, error) {
	var made []account.DemoAccount
	for _, role := range records.Roles {
		a := account.DemoAccount{Role: role, Name: string(role), Password: auth.NewPassword()}
		g := auth.Grants{Roles: []records.Role{role}}
		switch role {
		case records.Administrator:
			a.Sees = text.Say("signin.sees-nobody")
		case records.FallsNurse, records.Pharmacist, records.Prescriber:
			g.AllUnits, a.Sees = true, text.Say("signin.sees-all")
		case records.Screen:
			g.Units, a.Sees = []string{demo.MainUnit}, text.Say("signin.sees-beds", demo.MainUnit)
		default:
			g.Units, a.Sees = []string{demo.MainUnit}, text.Say("signin.sees-unit", demo.MainUnit)
		}
		if _, err := accounts.Add(ctx, a.Name, a.Password, g, false); err != nil {
			return nil, err
		}
		made = append(made, a)
	}
	return made, nil
}

// warnWithoutAccounts says how to make the first account.
func (s *site) warnWithoutAccounts(ctx context.Context, accounts *auth.Service) error {
	some, err := accounts.Any(ctx)
	if err == nil && !some && s.settings.signIn.Issuer == "" {
		s.log.Warn("there are no accounts yet, so nobody can sign in; make one with `dashboard user add --name NAME --role ROLE --unit UNIT`")
	}
	return err
}
