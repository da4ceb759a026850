package server

import (
	"encoding/json"
	"net/http"

	"github.com/gin-gonic/gin"

	"plumbline/internal/report"
)

func (s *server) apiList(c *gin.Context) {
	when, ok := s.asOf(c)
	if !ok {
		return
	}
	unit, ask := c.Param("unit"), s.Board.List
	if when.live {
		ask = s.Board.Live
	}
	list, err := ask(c.Request.Context(), unit, when.at)
	if err != nil {
		s.fail(c, err)
		return
	}
	s.document(c, report.ListOf(unit, s.policyOf(c).Hash, list, s.Board.Catalogue(when.at)))
}

func (s *server) apiSets(c *gin.Context) {
	view := stayOf(c).view
	s.document(c, report.Sets{StayID: c.Param("stay"), Sets: view.Assessment.Digest.Sets})
}

// document answers with a document that was written whole before the status was.
func (s *server) document(c *gin.Context, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.Data(http.StatusOK, "application/json; charset=utf-8", body)
}
