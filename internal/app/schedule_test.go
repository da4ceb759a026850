package app

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"github.com/robfig/cron/v3"
)

// A fault of the schedule is logged by its kind: its words may hold what a row held.
func TestAFaultOfTheScheduleTellsNothingOfPatients(t *testing.T) {
	var b bytes.Buffer
	log := cronLog{slog.New(slog.NewTextHandler(&b, nil))}
	for _, fault := range []any{"Miller, Anna", errors.New("row of Miller")} {
		cron.Recover(log)(cron.FuncJob(func() { panic(fault) })).Run()
	}
	cron.Recover(log)(cron.FuncJob(func() { _ = []int{}[len(b.String())] })).Run()
	text := b.String()
	if strings.Contains(text, "Miller") || strings.Count(text, "schedule: panic") != 3 || !strings.Contains(text, "index out of range") {
		t.Errorf("the log says: %s", text)
	}
}
