package auth

import (
	"context"
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Accounts lists every account by name.
func (s *Service) Accounts(ctx context.Context) ([]records.Account, error) {
	return s.Store.Accounts(ctx)
}

// Any reports whether there is any account.
func (s *Service) Any(ctx context.Context) (bool, error) {
	all, err := s.Store.Accounts(ctx)
	return len(all) > 0, err
}

// Named finds an account by its name.
func (s *Service) Named(ctx context.Context, name string) (records.Account, error) {
	a, err := s.Store.AccountNamed(ctx, NameKey(name))
	if clinical.CodeOf(err) == clinical.NotFound {
		err = clinical.Errorf(clinical.NotFound, "there is no account %q; `dashboard user list` names them", name)
	}
	return a, err
}

// ByID finds an account by its number.
func (s *Service) ByID(ctx context.Context, id int64) (records.Account, error) {
	all, err := s.Store.Accounts(ctx)
	if err != nil {
		return records.Account{}, err
	}
	if n := slices.IndexFunc(all, func(a records.Account) bool { return a.ID == id }); n >= 0 {
		return all[n], nil
	}
	return records.Account{}, clinical.Errorf(clinical.NotFound, "there is no account %d", id)
}

// Add makes an account. A one-time password must be changed at the first sign-in.
func (s *Service) Add(ctx context.Context, name, password string, g Grants, oneTime bool) (records.Account, error) {
	if err := CheckName(name); err != nil {
		return records.Account{}, err
	}
	g, err := g.checked()
	if err != nil {
		return records.Account{}, err
	}
	if err := s.Rules.Check(password, name); err != nil {
		return records.Account{}, err
	}
	hash, err := s.Hasher.Hash(ctx, password)
	if err != nil {
		return records.Account{}, err
	}
	now := s.Clock()
	return s.Store.AddAccount(ctx, NameKey(name), records.Account{
		Name: name, Roles: g.Roles, Units: g.Units, AllUnits: g.AllUnits,
		Password: hash, PasswordSetAt: now, OneTime: oneTime, CreatedAt: now,
	})
}

// SetGrants gives a local account other roles and units; those of an account of the
// sign-in service follow its groups there.
func (s *Service) SetGrants(ctx context.Context, id int64, g Grants) (records.Account, error) {
	g, err := g.checked()
	if err != nil {
		return records.Account{}, err
	}
	return s.change(ctx, id, func(a *records.Account, all []records.Account) error {
		if a.FromService() {
			return errGroupsRule
		}
		a.Roles, a.Units, a.AllUnits = g.Roles, g.Units, g.AllUnits
		return keepsAdministrator(*a, all)
	})
}

// Disable shuts an account out. force allows it for the last administrator too,
// for whoever runs the program can make another.
func (s *Service) Disable(ctx context.Context, id int64, force bool) (records.Account, error) {
	return s.change(ctx, id, func(a *records.Account, all []records.Account) error {
		if !a.Disabled() {
			a.DisabledAt = s.Clock()
		}
		if force {
			return nil
		}
		return keepsAdministrator(*a, all)
	})
}

// Enable lets an account sign in again.
func (s *Service) Enable(ctx context.Context, id int64) (records.Account, error) {
	return s.change(ctx, id, func(a *records.Account, _ []records.Account) error {
		a.DisabledAt = records.Account{}.DisabledAt
		return nil
	})
}

// ShowCodes sets whether the codes of rules stand in the pages of an account. Its sessions
// go on: it may do what it could before.
func (s *Service) ShowCodes(ctx context.Context, id int64, show bool) error {
	_, err := s.Store.ChangeAccount(ctx, id, func(a *records.Account, _ []records.Account) error {
		a.ShowCodes = show
		return nil
	})
	return err
}

// SetPassword sets the password of an account for its owner.
func (s *Service) SetPassword(ctx context.Context, a records.Account, password string, oneTime bool) (records.Account, error) {
	return s.setPassword(ctx, a, password, oneTime)
}

// keepsAdministrator refuses a change after which nobody could manage accounts.
func keepsAdministrator(changed records.Account, all []records.Account) error {
	for _, a := range all {
		if a.ID == changed.ID {
			a = changed
		}
		if a.Has(records.Administrator) && !a.Disabled() {
			return nil
		}
	}
	return clinical.Errorf(clinical.Conflict, "this is the last administrator who can sign in; give the role to somebody else first")
}
