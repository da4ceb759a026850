package app

import (
	"testing"

	"plumbline/internal/drill"
)

func TestDrillKillsOfLoadsFoldersAndMessages(t *testing.T) {
	drill.Only(t)
	disturbed(t, 200, 10)
}
