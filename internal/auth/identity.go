package auth

import (
	"context"
	"errors"
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Why somebody whom the sign-in service has let in is not let in here. The sentences
// are for that person.
var (
	ErrNoGroup = clinical.Errorf(clinical.Invalid,
		"none of your groups at the sign-in service gives you a role here; "+
			"ask an administrator of this program which group you need")
	ErrDisabled  = clinical.Errorf(clinical.Invalid, "your account here is disabled; ask an administrator of this program")
	ErrNameTaken = clinical.Errorf(clinical.Conflict,
		"another account here has your name already, and the two are not joined by themselves; "+
			"ask an administrator of this program")
	ErrBadName = clinical.Errorf(clinical.Invalid,
		"the sign-in service gives no name that can serve here; ask an administrator of this program")
)

var (
	errNoPassword = clinical.Errorf(clinical.Invalid, "this account comes from the sign-in service and has no password here; change it there")
	errGroupsRule = clinical.Errorf(clinical.Conflict,
		"the roles and units of this account are those of its groups at the sign-in service; "+
			"change them there, or the setting oidc-map")
)

// Arrival is somebody whom the sign-in service has let in, as it says.
type Arrival struct {
	Identity records.Identity
	Name     string // of the account, if it is to be made
	Grants   Grants // of all groups together; without roles where none gives any
	Token    string // of the session that the browser has now; "" for none
}

// Arrived is what became of an arrival.
type Arrived struct {
	Account records.Account
	Token   string
	Made    bool // the account is new
	Changed bool // its roles or units are
}

// Arrive begins a session under a new token for somebody of the sign-in service; the
// one that the browser had ends. The account is made at the first time, and has the
// roles and units of the groups at each. Where these have changed every other
// session of the account ends; where no group gives a role the account is left
// without any, and the error is ErrNoGroup. An account is found by its identity
// alone: one that has merely the same name stays somebody else's (ErrNameTaken).
func (s *Service) Arrive(ctx context.Context, in Arrival) (Arrived, error) {
	if in.Identity.Issuer == "" || in.Identity.Subject == "" {
		return Arrived{}, clinical.Errorf(clinical.Internal, "a sign-in without an identity")
	}
	g, lacking := in.Grants.checked()
	got := Arrived{}
	a, err := s.Store.AccountOf(ctx, in.Identity)
	switch {
	case clinical.CodeOf(err) == clinical.NotFound && lacking != nil:
		return got, ErrNoGroup
	case clinical.CodeOf(err) == clinical.NotFound:
		a, got.Made, err = s.firstArrival(ctx, in, g)
	}
	if err != nil {
		return got, err
	}
	if got.Account, got.Changed, err = s.follow(ctx, a, g, lacking != nil); err != nil {
		return got, err
	}
	got.Token, err = s.open(ctx, got.Account, in.Token)
	return got, err
}

func (s *Service) firstArrival(ctx context.Context, in Arrival, g Grants) (a records.Account, made bool, err error) {
	if CheckName(in.Name) != nil {
		return a, false, ErrBadName
	}
	now := s.Clock()
	a, err = s.Store.AddAccount(ctx, NameKey(in.Name), records.Account{
		Name: in.Name, Roles: g.Roles, Units: g.Units, AllUnits: g.AllUnits,
		PasswordSetAt: now, CreatedAt: now, Identity: in.Identity,
	})
	if clinical.CodeOf(err) != clinical.Conflict {
		return a, err == nil, err
	}
	// The same person may have arrived in two browsers at once.
	if a, err = s.Store.AccountOf(ctx, in.Identity); clinical.CodeOf(err) == clinical.NotFound {
		err = ErrNameTaken
	}
	return a, false, err
}

// follow gives an account what its groups give.
func (s *Service) follow(ctx context.Context, a records.Account, g Grants, none bool) (records.Account, bool, error) {
	if a.Disabled() {
		return a, false, ErrDisabled
	}
	if !none && holds(a, g) {
		return a, false, nil
	}
	a, err := s.change(ctx, a.ID, func(a *records.Account, _ []records.Account) error {
		if a.Disabled() { // since it was read
			return ErrDisabled
		}
		a.Roles, a.Units, a.AllUnits = g.Roles, g.Units, g.AllUnits
		if none {
			a.Roles, a.Units, a.AllUnits = nil, nil, false
		}
		return nil
	})
	if err == nil && none {
		err = ErrNoGroup
	}
	return a, err == nil, err
}

// holds reports whether the account has these roles and units and no others.
func holds(a records.Account, g Grants) bool {
	return slices.Equal(a.Roles, g.Roles) && slices.Equal(a.Units, g.Units) && a.AllUnits == g.AllUnits
}

// Link makes a local account one of the sign-in service, or gives one of the service
// to another identity there: for people who had an account before, and for a site
// that changes its service. Only whoever runs the program may say that two are one
// person. The password is dropped, and every session ends.
func (s *Service) Link(ctx context.Context, id int64, to records.Identity) (records.Account, error) {
	if to.Issuer == "" || to.Subject == "" {
		return records.Account{}, clinical.Errorf(clinical.Invalid, "an identity has an issuer and a subject")
	}
	return s.change(ctx, id, func(a *records.Account, _ []records.Account) error {
		a.Identity, a.Password, a.OneTime, a.PasswordSetAt = to, "", false, s.Clock()
		return nil
	})
}

// Unlink makes an account of the sign-in service a local one, which nobody can sign
// in to before it is given a password. Every session ends.
func (s *Service) Unlink(ctx context.Context, id int64) (records.Account, error) {
	return s.change(ctx, id, func(a *records.Account, _ []records.Account) error {
		if !a.FromService() {
			return clinical.Errorf(clinical.Conflict, "the account is a local one already")
		}
		a.Identity = records.Identity{}
		return nil
	})
}

// IsRefusal reports whether an error of Arrive is one to be told to the person.
func IsRefusal(err error) bool {
	return errors.Is(err, ErrNoGroup) || errors.Is(err, ErrDisabled) || errors.Is(err, ErrNameTaken) || errors.Is(err, ErrBadName)
}
