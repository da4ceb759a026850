// Package docs holds the pages of the documentation that the program itself serves.
package docs

import _ "embed" // the document below

// OpenAPI describes the API (OpenAPI 3.1, YAML).
//
//go:embed openapi.yaml
var OpenAPI []byte
