package account

import (
	"errors"
	"net/http"
	"strconv"

	"plumbline/internal/audit"
	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

// accountView is the page of one's own account.
type accountView struct {
	frame.Layout
	Name         string
	Roles, Units string
	OneTime      bool
	Changed      bool
	Seen         bool // whether codes of rules are shown has just been said
	Error        string
	OfCurrent    bool // the error is of the current password
	Min, Max     int
	FromService  bool // there is no password to change
}

func (s *service) showAccount(c *frame.Request, status int, v accountView) (frame.Page, error) {
	a := frame.AccountOf(c)
	v.Layout, v.Name, v.OneTime, v.Min, v.Max = s.Layout(
		c, text.Say("account.heading"),
	).At("/account"), a.Name, a.OneTime, auth.MinPassword, auth.MaxPassword
	v.Roles, v.Units, v.FromService = parts.RolesOf(a), parts.UnitsOf(a), a.FromService()
	return frame.Show(status, "account", v)
}

func (s *service) accountPage(c *frame.Request) (frame.Page, error) {
	return s.showAccount(c, http.StatusOK, accountView{Changed: c.Query("changed") == "1", Seen: c.Query("changed") == "codes"})
}

// showCodes keeps whether the codes of rules stand in the pages of the account.
func (s *service) showCodes(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	show, a := form.Get("codes") == "on", frame.AccountOf(c)
	if err := s.Accounts.ShowCodes(c.Request.Context(), a.ID, show); err != nil {
		return nil, err
	}
	note := "codes of rules hidden"
	if show {
		note = "codes of rules shown"
	}
	if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: note}); err != nil {
		return nil, err
	}
	return frame.SeeOther("/account?changed=codes")
}

func (s *service) changePassword(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	fresh, again := form.Get("new"), form.Get("again")
	if fresh != again {
		return s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: text.Say("account.differ")})
	}
	token, err := s.Accounts.ChangePassword(
		c.Request.Context(), frame.AccountOf(c), frame.CookieOf(c, frame.SessionCookie), form.Get("current"), fresh,
	)
	var wait *auth.WaitError
	switch {
	case errors.As(err, &wait):
		c.Header("Retry-After", strconv.Itoa(wait.Seconds()))
		return s.showAccount(c, http.StatusTooManyRequests, accountView{Error: frame.Sentence(err), OfCurrent: true})
	case errors.Is(err, auth.ErrCurrent):
		return s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: frame.Sentence(err), OfCurrent: true})
	case clinical.CodeOf(err) == clinical.Invalid:
		return s.showAccount(c, http.StatusUnprocessableEntity, accountView{Error: frame.Sentence(err)})
	case err != nil:
		return nil, err
	default:
		if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Outcome: frame.Allowed, Note: "own password"}); err != nil {
			return nil, err
		}
		frame.SetCookie(c, frame.SessionCookie, token, 0)
		return frame.SeeOther("/account?changed=1")
	}
}
