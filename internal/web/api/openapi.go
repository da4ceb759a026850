package api

import (
	"net/http"

	"github.com/gin-gonic/gin"

	"plumbline/docs"
)

// openAPI answers with the description of the API.
func (s *service) openAPI(c *gin.Context) {
	c.Data(http.StatusOK, "application/yaml; charset=utf-8", docs.OpenAPI)
}
