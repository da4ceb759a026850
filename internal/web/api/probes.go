package api

import (
	"errors"
	"net/http"

	"plumbline/internal/clinical"
	"plumbline/internal/web/frame"
)

func (s *service) healthz(*frame.Request) (frame.Page, error) {
	return frame.Plain(http.StatusOK, "ok\n")
}

func (s *service) readyz(c *frame.Request) (frame.Page, error) {
	if s.Ready != nil {
		if err := s.Ready(c.Request.Context()); err != nil {
			s.Log.Warn("not ready", "error", err)
			return frame.Plain(http.StatusServiceUnavailable, "not ready: "+whatToDo(err)+"the log says why\n")
		}
	}
	return frame.Plain(http.StatusOK, "ready\n"+s.leaseLine(c))
}

// whatToDo is what may be told anybody of why the program is not ready: the sentence of an error of the
// database has neither its place nor its password.
func whatToDo(err error) string {
	var known *clinical.Error
	if errors.As(err, &known) && known.Code == clinical.Unavailable {
		return known.Message + "; "
	}
	return ""
}

// leaseLine says who reads the feeds, where there may be several instances.
func (s *service) leaseLine(c *frame.Request) string {
	if s.Lease == nil {
		return ""
	}
	switch l := s.Lease(); {
	case l == nil:
		return ""
	case l.Mine:
		return "this instance reads the feeds\n"
	}
	return "another instance reads the feeds\n"
}
