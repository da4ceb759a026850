package web

import (
	"net/http"

	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
	"plumbline/internal/web/parts"
)

type service struct{ *frame.Frame }

// own are the pages of no room: where everybody comes in, and the rules in words.
func own(f *frame.Frame) []frame.Route {
	s := &service{f}
	return []frame.Route{
		frame.Get("/", frame.SignedIn, s.home),
		frame.Get("/rules", frame.SignedIn, s.rulesPage),
	}
}

// rulesView explains every rule that a page may name.
type rulesView struct {
	frame.Layout
	Groups []text.RuleGroup
	Terms  []text.Term
	Hash   string
}

func (s *service) rulesPage(c *frame.Request) (frame.Page, error) {
	p := s.PolicyOf(c)
	return frame.Show(
		http.StatusOK, "rules",
		rulesView{s.Layout(c, text.Say("rules.heading")).At("/rules"), text.Explain(p.Policy), text.Terms(), p.Hash},
	)
}

// home leads to the first unit that the account may see, a display to its wall, an administrator without
// patients to the accounts, or says what to do where there is nothing to see.
func (s *service) home(c *frame.Request) (frame.Page, error) {
	a := frame.AccountOf(c)
	units, err := s.UnitsFor(c.Request.Context(), a)
	switch {
	case err != nil:
		return nil, err
	case len(units) > 0 && a.Unattended():
		return frame.SeeOther(frame.WallOfURL(units[0]))
	case len(units) > 0:
		return frame.SeeOther(frame.UnitURL(units[0]))
	case a.May(records.ManageAccounts) && !a.May(records.ViewList):
		return frame.SeeOther("/accounts")
	default:
		return frame.Show(
			http.StatusOK, "empty", emptyView{s.Layout(c, text.Say("empty.heading")), parts.UnitsOf(a), a.May(records.ViewFeeds)},
		)
	}
}

type emptyView struct {
	frame.Layout
	Own       string // units of the account
	SeesFeeds bool
}
