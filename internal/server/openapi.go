package server

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"plumbline/docs"
)

// openAPI answers with the description of the API.
func (s *server) openAPI(c *gin.Context) {
	c.Data(http.StatusOK, "application/yaml; charset=utf-8", docs.OpenAPI)
}
