package api

import (
	"plumbline/docs"
	"plumbline/internal/web/frame"
)

// openAPI answers with the description of the API.
func (s *service) openAPI(*frame.Request) (frame.Page, error) {
	return frame.Data("application/yaml; charset=utf-8", docs.OpenAPI)
}
