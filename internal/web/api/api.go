package api

import (
	"encoding/json"
	"net/http"

	"github.com/gin-gonic/gin"

	"plumbline/internal/report"
	"plumbline/internal/web/frame"
)

func (s *service) apiList(c *gin.Context) {
	when, ok := s.AsOf(c)
	if !ok {
		return
	}
	unit, ask := c.Param("unit"), s.Lists.List
	if when.Live {
		ask = s.Lists.Live
	}
	list, err := ask(c.Request.Context(), unit, when.At)
	if err != nil {
		s.Fail(c, err)
		return
	}
	s.document(c, report.ListOf(unit, s.PolicyOf(c).Hash, list, s.Catalogue(when.At)))
}

func (s *service) apiSets(c *gin.Context) {
	view := frame.StayOf(c).View
	s.document(c, report.SetsOf(c.Param("stay"), view.Assessment.Digest.Sets))
}

// document answers with a document that was written whole before the status was.
func (s *service) document(c *gin.Context, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		s.Fail(c, err)
		return
	}
	c.Data(http.StatusOK, "application/json; charset=utf-8", body)
}
