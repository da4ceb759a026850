package app

import (
	"context"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/demo"
	"plumbline/internal/server"
	"plumbline/internal/store"
)

// accountStore is the store as the accounts want it.
type accountStore struct{ *store.Store }

func accountIn(a store.Account) auth.Account {
	out := auth.Account{
		ID: a.ID, Name: a.Name, Units: a.Units, AllUnits: a.AllUnits, Password: a.Password, PasswordSetAt: a.PasswordSetAt,
		OneTime: a.OneTime, Epoch: a.Epoch, DisabledAt: a.DisabledAt, CreatedAt: a.CreatedAt,
		Identity: auth.Identity{Issuer: a.Issuer, Subject: a.Subject},
	}
	for _, r := range auth.Roles { // a role of another program's version is not known here
		for _, held := range a.Roles {
			if held == string(r) {
				out.Roles = append(out.Roles, r)
			}
		}
	}
	return out
}

// accountOut is an account as it is kept. Its roles that are not known here are lost.
func accountOut(nameKey string, a auth.Account) store.Account {
	out := store.Account{
		ID: a.ID, Name: a.Name, NameKey: nameKey, Units: a.Units, AllUnits: a.AllUnits, Password: a.Password,
		PasswordSetAt: a.PasswordSetAt, OneTime: a.OneTime, Epoch: a.Epoch, DisabledAt: a.DisabledAt, CreatedAt: a.CreatedAt,
		Issuer: a.Identity.Issuer, Subject: a.Identity.Subject,
	}
	for _, r := range a.Roles {
		out.Roles = append(out.Roles, string(r))
	}
	return out
}

func accountsIn(list []store.Account) []auth.Account {
	out := make([]auth.Account, len(list))
	for n, a := range list {
		out[n] = accountIn(a)
	}
	return out
}

func (s accountStore) Accounts(ctx context.Context) ([]auth.Account, error) {
	list, err := s.Store.Accounts(ctx)
	return accountsIn(list), err
}

func (s accountStore) AccountNamed(ctx context.Context, nameKey string) (auth.Account, error) {
	a, err := s.Store.AccountNamed(ctx, nameKey)
	return accountIn(a), err
}

func (s accountStore) AccountOf(ctx context.Context, id auth.Identity) (auth.Account, error) {
	a, err := s.Store.AccountOf(ctx, id.Issuer, id.Subject)
	return accountIn(a), err
}

func (s accountStore) AddAccount(ctx context.Context, nameKey string, a auth.Account) (auth.Account, error) {
	kept, err := s.Store.AddAccount(ctx, accountOut(nameKey, a))
	return accountIn(kept), err
}

func (s accountStore) ChangeAccount(ctx context.Context, id int64, change func(*auth.Account, []auth.Account) error) (auth.Account, error) {
	kept, err := s.Store.ChangeAccount(ctx, id, func(a *store.Account, all []store.Account) error {
		changed := accountIn(*a)
		if err := change(&changed, accountsIn(all)); err != nil {
			return err
		}
		*a = accountOut(a.NameKey, changed)
		return nil
	})
	return accountIn(kept), err
}

func (s accountStore) AddSession(ctx context.Context, v auth.Session) error {
	return s.Store.AddSession(ctx, store.Session(v))
}

func (s accountStore) SessionOf(ctx context.Context, tokenHash []byte) (auth.Session, auth.Account, error) {
	v, a, err := s.Store.SessionOf(ctx, tokenHash)
	return auth.Session(v), accountIn(a), err
}

// touchPatience is how long a request waits for its use to be noted. On SQLite a
// file that is being loaded holds up every other write; the use is noted with one
// of the next requests instead.
const touchPatience = 200 * time.Millisecond

func (s accountStore) TouchSession(ctx context.Context, tokenHash []byte, at time.Time) error {
	return touchBriefly(ctx, func(brief context.Context) error { return s.Store.TouchSession(brief, tokenHash, at) })
}

func touchBriefly(ctx context.Context, touch func(context.Context) error) error {
	brief, cancel := context.WithTimeout(ctx, touchPatience)
	defer cancel()
	err := touch(brief)
	if err != nil && brief.Err() != nil {
		return ctx.Err()
	}
	return err
}

// newAccounts makes what signs in and manages accounts.
func (p process) newAccounts(s *site) *auth.Service {
	return &auth.Service{
		Store: accountStore{s.store}, Hasher: &auth.Hasher{}, Limits: &auth.Limits{}, Clock: p.clock, Log: s.log,
		Rules: auth.Rules{Hospital: s.settings.hospital, Breached: s.settings.breachedList},
		Idle:  s.settings.idle,
	}
}

// demoAccounts makes an account for each role, with a new password each time.
func demoAccounts(ctx context.Context, accounts *auth.Service) ([]server.DemoAccount, error) {
	var made []server.DemoAccount
	for _, role := range auth.Roles {
		a := server.DemoAccount{Role: role, Name: string(role), Password: auth.NewPassword()}
		g := auth.Grants{Roles: []auth.Role{role}}
		switch role {
		case auth.Administrator:
			a.Sees = "accounts, feeds and rows held back; no patients"
		case auth.FallsNurse, auth.Pharmacist:
			g.AllUnits, a.Sees = true, "the patients of both units"
		case auth.Screen:
			g.Units, a.Sees = []string{demo.MainUnit}, "unit "+demo.MainUnit+" in beds, without names"
		default:
			g.Units, a.Sees = []string{demo.MainUnit}, "the patients of unit "+demo.MainUnit
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
