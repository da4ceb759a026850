package api

import (
	"net/http"

	"plumbline/internal/report"
	"plumbline/internal/web/frame"
)

func (s *service) apiList(c *frame.Request) (frame.Page, error) {
	when, err := s.AsOf(c)
	if err != nil {
		return nil, err
	}
	unit, ask := c.Param("unit"), s.Lists.List
	if when.Live {
		ask = s.Lists.Live
	}
	list, err := ask(c.Request.Context(), unit, when.At)
	if err != nil {
		return nil, err
	}
	return frame.Document(http.StatusOK, report.ListOf(unit, s.PolicyOf(c).Hash, s.PolicyOf(c).Policy.Unit, list, s.Catalogue(when.At)))
}

func (s *service) apiSets(c *frame.Request) (frame.Page, error) {
	view := frame.StayOf(c).View
	return frame.Document(http.StatusOK, report.SetsOf(c.Param("stay"), view.Assessment.Digest.Sets))
}
