package records

import (
	"slices"
	"time"
)

// Account is somebody, or a screen, that may sign in.
type Account struct {
	ID       int64
	Name     string
	Roles    []Role   // in the order of Roles, each once
	Units    []string // sorted; of no weight where AllUnits is set
	AllUnits bool
	// ShowCodes: the codes of rules stand in the account's pages, on paper too.
	ShowCodes bool
	// Password is its hash in PHC string format; "" for none.
	Password      string
	PasswordSetAt time.Time
	// OneTime: the password was made for the account and must be changed at the
	// first sign-in.
	OneTime bool
	// Epoch counts the changes that end every session of the account.
	Epoch      int64
	DisabledAt time.Time // zero: may sign in
	CreatedAt  time.Time
	// Identity is that of the person at the site's sign-in service, where the account
	// comes from there; the zero value for a local account.
	Identity Identity
}

// Identity is a person as a sign-in service names them: the service and the subject
// there, together, for good (OpenID Connect Core 1.0, section 5.7). A name or an
// e-mail address is neither: the service may give it to somebody else.
type Identity struct{ Issuer, Subject string }

// Disabled reports whether the account may not sign in.
func (a Account) Disabled() bool { return !a.DisabledAt.IsZero() }

// Has reports whether the account has a role.
func (a Account) Has(r Role) bool { return slices.Contains(a.Roles, r) }

// May reports whether a role of the account permits all of these.
func (a Account) May(all ...Permission) bool {
	for _, p := range all {
		if !slices.ContainsFunc(a.Roles, func(r Role) bool { return slices.Contains(permits[r], p) }) {
			return false
		}
	}
	return true
}

// OnUnit reports whether the unit is one of the account's.
func (a Account) OnUnit(unit string) bool { return a.AllUnits || slices.Contains(a.Units, unit) }

// Unattended reports whether the account is a display that nobody touches.
func (a Account) Unattended() bool { return len(a.Roles) == 1 && a.Roles[0] == Screen }

// FromService reports whether the account comes from a sign-in service. It has no
// password here, and its roles and units are those of its groups there.
func (a Account) FromService() bool { return a.Identity.Subject != "" }

// Session is a browser that is signed in. Its token is kept as a hash alone.
type Session struct {
	TokenHash []byte
	AccountID int64
	Epoch     int64 // of the account when it signed in
	StartedAt time.Time
	UsedAt    time.Time
}
