package admin

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// accountsView is the administrator's list of accounts, with the form for a new one.
type accountsView struct {
	frame.Layout
	Accounts []accountLine
	Form     grantsForm
	Made     *madePassword
}

type accountLine struct {
	Name, URL, Roles, Units, State string
	FromService                    bool
}

// madePassword is a password that was just made, shown this once.
type madePassword struct {
	Name, Password string
	New            bool // the account is new
}

// grantsForm is a form of an account's roles and units, as it was filled in.
type grantsForm struct {
	Name  string
	Units string
	Roles []roleChoice
	Known string // units that the feeds have named
	Error string
}

type roleChoice struct {
	Role, Name, Says string
	On               bool
}

func (s *service) grantsForm(c *frame.Request, a records.Account) grantsForm {
	f := grantsForm{Name: a.Name, Units: strings.Join(a.Units, ", ")}
	if a.AllUnits {
		f.Units = auth.AllUnits
	}
	for _, r := range records.Roles {
		f.Roles = append(f.Roles, roleChoice{string(r), text.RoleNames[string(r)], text.RoleSays[string(r)], a.Has(r)})
	}
	f.Known = s.knownUnits(c)
	return f
}

// knownUnits names the units that the feeds have named.
func (s *service) knownUnits(c *frame.Request) string {
	units, err := s.Finder.Units(c.Request.Context())
	if err != nil {
		s.Log.Error("the units could not be listed", "error", err)
	}
	return strings.Join(units, ", ")
}

// filled is the form as it was sent, with what is wrong with it.
func (s *service) filled(c *frame.Request, form url.Values, err error) grantsForm {
	f := s.grantsForm(c, records.Account{Name: form.Get("name")})
	f.Units, f.Error = form.Get("units"), frame.Sentence(err)
	for n := range f.Roles {
		f.Roles[n].On = slices.Contains(form["role"], f.Roles[n].Role)
	}
	return f
}

func grantsIn(form url.Values) (auth.Grants, error) {
	return auth.ParseGrants(form["role"], strings.Split(form.Get("units"), ","))
}

// managing records a change of an account and then makes it, as the command line does:
// what cannot be recorded is not done, and what failed is recorded as such.
func (s *service) managing(c *frame.Request, note string, change func() error) error {
	e := records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: note}
	if err := s.Noted(c, e); err != nil {
		return err
	}
	err := change()
	if err != nil {
		e.Outcome = "not changed: " + string(clinical.CodeOf(err))
		if failed := s.Record(c, e); failed != nil {
			s.Log.Error("that an account was not changed is not in the audit; that it was asked for is", "error", failed)
		}
	}
	return err
}

func (s *service) accountsPage(c *frame.Request) (frame.Page, error) {
	return s.showAccounts(c, http.StatusOK, accountsView{Form: s.grantsForm(c, records.Account{})})
}

func (s *service) showAccounts(c *frame.Request, status int, v accountsView) (frame.Page, error) {
	all, err := s.Accounts.Accounts(c.Request.Context())
	if err != nil {
		return nil, err
	}
	v.Layout = s.Layout(c, text.Say("accounts.heading")).At("/accounts")
	for _, a := range all {
		v.Accounts = append(
			v.Accounts, accountLine{a.Name, accountURL(a.ID), parts.RolesOf(a), parts.UnitsOf(a), stateOf(a), a.FromService()},
		)
	}
	return frame.Show(status, "accounts", v)
}

func stateOf(a records.Account) string {
	switch {
	case a.Disabled():
		return text.Say("accounts.disabled")
	case a.OneTime:
		return text.Say("accounts.has-one-time")
	}
	return text.Say("accounts.active")
}

func accountURL(id int64) string { return "/accounts/" + strconv.FormatInt(id, 10) }

func (s *service) addAccount(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	password, name := auth.NewPassword(), form.Get("name")
	g, err := grantsIn(form)
	if err == nil {
		err = auth.CheckName(name)
	}
	if err == nil {
		err = s.managing(c, "add "+name+": "+g.Words(), func() error {
			_, err := s.Accounts.Add(c.Request.Context(), name, password, g, true)
			return err
		})
	}
	switch clinical.CodeOf(err) {
	case "":
		return s.showAccounts(c, http.StatusOK, accountsView{
			Form: s.grantsForm(c, records.Account{}), Made: &madePassword{name, password, true},
		})
	case clinical.Invalid, clinical.Conflict:
		return s.showAccounts(c, http.StatusUnprocessableEntity, accountsView{Form: s.filled(c, form, err)})
	default:
		return nil, err
	}
}

// manageView is the administrator's page of one account.
type manageView struct {
	frame.Layout
	Self        string
	State       string
	Disabled    bool
	Own         bool
	Form        grantsForm
	Made        *madePassword
	Refused     string
	Done        string
	AccountName string
	// Where the account comes from the sign-in service its roles and units are shown
	// and not changed here.
	FromService     bool
	Roles, Units    string
	Issuer, Subject string
}

// managed is the account of the URL.
func (s *service) managed(c *frame.Request) (records.Account, error) {
	id, err := strconv.ParseInt(c.Param("account"), 10, 64)
	if err != nil {
		return records.Account{}, clinical.Errorf(clinical.NotFound, "there is no such account")
	}
	return s.Accounts.ByID(c.Request.Context(), id)
}

func (s *service) showManaged(c *frame.Request, status int, a records.Account, v manageView) (frame.Page, error) {
	v.Layout = s.Layout(c, text.Say("manage.heading", a.Name)).At("/accounts")
	v.Self, v.State, v.Disabled, v.AccountName = accountURL(a.ID), stateOf(a), a.Disabled(), a.Name
	v.Own = a.ID == frame.AccountOf(c).ID
	v.FromService, v.Roles, v.Units = a.FromService(), parts.RolesOf(a), parts.UnitsOf(a)
	v.Issuer, v.Subject = a.Identity.Issuer, a.Identity.Subject
	if v.Form.Roles == nil {
		v.Form = s.grantsForm(c, a)
	}
	return frame.Show(status, "manage", v)
}

func (s *service) managePage(c *frame.Request) (frame.Page, error) {
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	return s.showManaged(c, http.StatusOK, a, manageView{})
}

// manage records and makes a change of an account, and shows what became of it.
func (s *service) manage(
	c *frame.Request, before records.Account, note, done string, change func() (records.Account, error),
) (frame.Page, error) {
	var after records.Account
	err := s.managing(c, note, func() (err error) {
		after, err = change()
		return err
	})
	return s.changed(c, before, after, err, done)
}

// changed shows the account after a change, or why it was refused.
func (s *service) changed(c *frame.Request, before, after records.Account, err error, done string) (frame.Page, error) {
	switch clinical.CodeOf(err) {
	case "":
		return s.showManaged(c, http.StatusOK, after, manageView{Done: done})
	case clinical.Invalid, clinical.Conflict:
		return s.showManaged(c, http.StatusUnprocessableEntity, before, manageView{Refused: frame.Sentence(err)})
	default:
		return nil, err
	}
}

func (s *service) setGrants(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	g, err := grantsIn(form)
	if err != nil {
		return s.showManaged(c, http.StatusUnprocessableEntity, a, manageView{Form: s.filled(c, form, err)})
	}
	return s.manage(c, a, a.Name+": "+g.Words(), text.Say("manage.granted"), func() (records.Account, error) {
		return s.Accounts.SetGrants(c.Request.Context(), a.ID, g)
	})
}

func (s *service) disableAccount(c *frame.Request) (frame.Page, error) {
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	return s.manage(c, a, "disable "+a.Name, text.Say("manage.disabled"), func() (records.Account, error) {
		return s.Accounts.Disable(c.Request.Context(), a.ID, false)
	})
}

func (s *service) enableAccount(c *frame.Request) (frame.Page, error) {
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	return s.manage(c, a, "enable "+a.Name, text.Say("manage.enabled"), func() (records.Account, error) {
		return s.Accounts.Enable(c.Request.Context(), a.ID)
	})
}

func (s *service) endSessions(c *frame.Request) (frame.Page, error) {
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	return s.manage(c, a, "sign out "+a.Name, text.Say("manage.signed-out"), func() (records.Account, error) {
		return a, s.Accounts.SignOutEverywhere(c.Request.Context(), a.ID)
	})
}

// resetPassword gives the account a password for one sign-in, shown this once.
func (s *service) resetPassword(c *frame.Request) (frame.Page, error) {
	a, err := s.managed(c)
	if err != nil {
		return nil, err
	}
	password := auth.NewPassword()
	var after records.Account
	err = s.managing(c, "new password for "+a.Name, func() (err error) {
		after, err = s.Accounts.SetPassword(c.Request.Context(), a, password, true)
		return err
	})
	if err != nil {
		return s.changed(c, a, a, err, "")
	}
	return s.showManaged(c, http.StatusOK, after, manageView{Made: &madePassword{Name: a.Name, Password: password}})
}
