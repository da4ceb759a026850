package app

import (
	"encoding/json"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/report"
)

// document writes a list as the published document.
func document(t *testing.T, s *site, list []alerts.Assessment, at time.Time) string {
	t.Helper()
	out, err := json.MarshalIndent(report.ListOf("", "", list, s.service.Catalogue(at)), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}
