package server

import (
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
	c.JSON(http.StatusOK, report.ListOf(unit, s.Deps.Policy.Hash, list, s.Board.Catalogue(when.at)))
}

func (s *server) apiSets(c *gin.Context) {
	when, ok := s.asOf(c)
	if !ok {
		return
	}
	stay := c.Param("stay")
	view, err := s.Board.Stay(c.Request.Context(), stay, when.at)
	if err != nil {
		s.fail(c, err)
		return
	}
	c.JSON(http.StatusOK, report.Sets{StayID: stay, Sets: view.Assessment.Digest.Sets})
}
