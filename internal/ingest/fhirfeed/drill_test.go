package fhirfeed_test

import (
	"testing"

	"plumbline/internal/drill"
)

func TestDrillEveryVisitOfSynthea(t *testing.T) {
	drill.Only(t)
	drillSynthea(t)
}
