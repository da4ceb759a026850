package api

import (
	"net/http"

	"github.com/gin-gonic/gin"
)

func (s *service) healthz(c *gin.Context) { c.String(http.StatusOK, "ok\n") }

func (s *service) readyz(c *gin.Context) {
	if s.Ready != nil {
		if err := s.Ready(c.Request.Context()); err != nil {
			s.Log.Warn("not ready", "error", err)
			c.String(http.StatusServiceUnavailable, "not ready: the log says why\n")
			return
		}
	}
	c.String(http.StatusOK, "ready\n")
}
