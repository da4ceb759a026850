package feeds

import (
	"net/http"
	"slices"

	"plumbline/internal/audit"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// unitLine is a unit with whether its feeds were checked, and who said so.
type unitLine struct {
	Unit          string
	Commissioning bool
	Who           string
	At            *frame.Moment // nil: nobody has said anything
}

// unitLines are the units that an account may see here: those that it sees patients of; whoever
// says whether feeds were checked sees all.
func unitLines(t frame.Times, a records.Account, states []feedcheck.UnitState) []unitLine {
	var out []unitLine
	for _, u := range states {
		if !a.May(records.CheckUnits) && !(a.May(records.ViewList) && a.OnUnit(u.Unit)) {
			continue
		}
		line := unitLine{Unit: u.Unit, Commissioning: u.Commissioning}
		if u.Last != nil && u.Last.Who != "" {
			line.Who, line.At = u.Last.Who, t.MomentAgo(u.Last.At)
		}
		out = append(out, line)
	}
	return out
}

// sayChecked keeps that the feeds of a unit were checked, or are to be checked again. It is
// recorded before it counts.
func (s *service) sayChecked(c *frame.Request) (frame.Page, error) {
	form, err := s.Form(c)
	if err != nil {
		return nil, err
	}
	if s.Checks == nil {
		return frame.NotFound()
	}
	ctx, unit, checked := c.Request.Context(), form.Get("unit"), form.Get("say") == "checked"
	states, err := s.Checks.States(ctx)
	if err != nil {
		return nil, err
	}
	known := slices.ContainsFunc(states, func(u feedcheck.UnitState) bool { return u.Unit == unit })
	if !known || !checked && form.Get("say") != "reopen" {
		return frame.Tell(http.StatusUnprocessableEntity, text.Say("feeds.units"), text.Say("feeds.no-such-unit"))
	}
	note, said := "in commissioning again", text.Say("feeds.unit-reopened", unit)
	if checked {
		note, said = "feeds checked", text.Say("feeds.unit-checked", unit)
	}
	if err := s.Noted(c, records.AuditEntry{Did: audit.Manage, Unit: unit, Outcome: frame.Allowed, Note: note}); err != nil {
		return nil, err
	}
	if err := s.Checks.Say(ctx, unit, checked, frame.AccountOf(c).Name); err != nil {
		return nil, err
	}
	return s.showFeeds(c, http.StatusOK, said, nil)
}
