package app

import (
	"encoding/json"
	"plumbline/internal/clinical"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/report"
)

// document writes a list as the published document.
func document(t *testing.T, s *site, list []alerts.Assessment, at time.Time) string {
	t.Helper()
	out, err := json.MarshalIndent(report.ListOf("", "", clinical.DefaultPolicy().Unit, list, s.service.Catalogue(at)), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}
