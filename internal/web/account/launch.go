package account

import (
	"context"
	"encoding/json"
	"net/http"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
	"plumbline/internal/idp"
	"plumbline/internal/records"
	"plumbline/internal/text"
	"plumbline/internal/web/frame"
)

// Record is the site's record, which opens pages here.
type Record struct {
	SignIn *idp.Service
	// Stay finds the stay that the record has in context. The error carries clinical.NotFound where there is none.
	Stay func(context.Context, idp.Opened) (clinical.KnownStay, error)
}

// launchCookie holds, sealed, a launch that was begun in the browser.
const launchCookie = "plumbline_launch"

// launch sends a browser that comes from the record to the record's own sign-in, whoever is signed in here:
// that may be somebody else.
func (s *service) launch(c *frame.Request) (frame.Page, error) {
	if s.Launches == nil {
		return frame.NotFound()
	}
	address, flow, err := s.Launches.SignIn.Launch(c.Request.URL.Query())
	if err != nil {
		return s.refuseArrival(c, s.byRecord(), err)
	}
	return s.begun(c, launchCookie, address, flow)
}

// begun keeps a sign-in that was begun in the browser, sealed, and sends it on.
func (s *service) begun(c *frame.Request, cookie, address string, flow idp.Flow) (frame.Page, error) {
	plain, err := json.Marshal(flow)
	if err != nil {
		return nil, err
	}
	sealed, err := s.Accounts.Seal(c.Request.Context(), cookie, plain)
	if err != nil {
		return nil, err
	}
	frame.SetCookie(c, cookie, sealed, int(idp.FlowLife.Seconds()))
	return frame.SeeOther(address)
}

// backFromRecord receives the browser from the record's sign-in, signs in who it says it is, and opens the page of
// the patient in context. Who may not see that patient is answered like one who has no stay here.
func (s *service) backFromRecord(c *frame.Request) (frame.Page, error) {
	if s.Launches == nil {
		return frame.NotFound()
	}
	flow := s.flowOf(c, launchCookie)
	frame.SetCookie(c, launchCookie, "", -1)
	who, err := s.Launches.SignIn.Finish(c.Request.Context(), flow, c.Request.URL.Query())
	if err != nil {
		return s.refuseArrival(c, s.byRecord(), err)
	}
	return s.arrive(c, s.byRecord(), who, func(a records.Account) (frame.Page, error) {
		stay, err := s.Launches.Stay(c.Request.Context(), who.Opened)
		missing := clinical.CodeOf(err) == clinical.NotFound
		switch {
		case err != nil && !missing:
			return nil, err
		case missing || !a.OnUnit(stay.Unit):
			return frame.Tell(http.StatusNotFound, text.Say("launch.refused"), text.Say("launch.no-stay"))
		}
		return frame.SeeOther(frame.StayURL(stay.ID))
	})
}

// way is one of the ways to be signed in by another service: the note of the audit, and what people are told where
// nobody is signed in.
type way struct {
	note, heading string
	tells         func(idp.Reason) (status int, words string)
}

func (s *service) byRecord() way {
	return way{"by the record", text.Say("launch.refused"), recordTells}
}

func recordTells(why idp.Reason) (status int, words string) {
	switch why {
	case idp.NotBegun, idp.WrongState, idp.UsedState, idp.Malformed:
		return http.StatusBadRequest, text.Say("launch.nothing-begun")
	case idp.TooLate:
		return http.StatusBadRequest, text.Say("launch.too-late", int(idp.FlowLife.Minutes()))
	case idp.Denied:
		return http.StatusForbidden, text.Say("launch.denied")
	case idp.TooOld:
		return http.StatusForbidden, text.Say("launch.too-old")
	case idp.Unreachable:
		return http.StatusServiceUnavailable, text.Say("launch.unreachable")
	case idp.OtherRecord:
		return http.StatusForbidden, text.Say("launch.other-record")
	case idp.NoPatient:
		return http.StatusForbidden, text.Say("launch.no-patient")
	}
	return http.StatusForbidden, text.Say("launch.unproved")
}

// arrive signs in whom a service has let in, and answers with what follows.
func (s *service) arrive(
	c *frame.Request, by way, who idp.Person, then func(records.Account) (frame.Page, error),
) (frame.Page, error) {
	got, err := s.Accounts.Arrive(c.Request.Context(), auth.Arrival{
		Identity: who.Identity, Name: who.Name, Grants: who.Grants, Token: frame.CookieOf(c, frame.SessionCookie),
	})
	switch {
	case auth.IsRefusal(err):
		s.Metrics.SignIns.WithLabelValues("wrong").Inc()
		if err := s.noteArrival(c, frame.Refused, got.Account.Name, by.note+": "+whyNot(who, err)); err != nil {
			return nil, err
		}
		return frame.Tell(http.StatusForbidden, text.Say("service.refused"), frame.Sentence(err))
	case err != nil:
		return nil, err
	}
	s.Metrics.SignIns.WithLabelValues("right").Inc()
	if err := s.noteArrival(c, frame.Allowed, got.Account.Name, by.note+whatCame(got)); err != nil {
		return nil, err
	}
	frame.SetCookie(c, frame.SessionCookie, got.Token, 0)
	return then(got.Account)
}
