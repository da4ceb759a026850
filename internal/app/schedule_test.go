package app

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"time"

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

// A clock that is set back by a day holds no job up: it is due at the next turn that the clock now shows.
func TestAClockSetBackHoldsNoJobUp(t *testing.T) {
	when, err := cron.ParseStandard("*/10 * * * *")
	if err != nil {
		t.Fatal(err)
	}
	at := func(day, hour, minute, second int) time.Time {
		return time.Date(2026, 3, day, hour, minute, second, 0, time.UTC)
	}
	next := newTurn(when, at(2, 7, 1, 0))
	for n, step := range []struct {
		now  time.Time
		due  bool
		wait time.Duration
	}{
		{at(2, 7, 9, 50), false, 10 * time.Second},
		{at(2, 7, 10, 0), true, 30 * time.Second},
		{at(2, 7, 15, 0), false, 30 * time.Second},
		{at(1, 7, 15, 30), false, 30 * time.Second}, // set back
		{at(1, 7, 19, 55), false, 5 * time.Second},
		{at(1, 7, 20, 1), true, 30 * time.Second},
		{at(3, 7, 0, 1), true, 30 * time.Second}, // set ahead: once, and not for each that was missed
		{at(3, 7, 0, 2), false, 30 * time.Second},
	} {
		if due, wait := next.look(step.now); due != step.due || wait != step.wait {
			t.Errorf("step %d: due %v, wait %v; want %v, %v", n, due, wait, step.due, step.wait)
		}
	}
}

// A job runs at its turns, once at a time, and stopping waits for it.
func TestAScheduleRunsAndStops(t *testing.T) {
	for _, every := range []string{"@every 1s", "* * * * *"} {
		var runs output
		s, err := startJob(t.Context(), slog.New(slog.DiscardHandler), every, true, func(context.Context) { _, _ = runs.Write([]byte("x")) })
		if err != nil {
			t.Fatal(err)
		}
		if every == "@every 1s" {
			within(t, "it runs again", func() bool { return len(runs.String()) > 2 })
		}
		s.begin()
		s.stop()
		if n := len(runs.String()); n < 2 {
			t.Errorf("%s: ran %d times", every, n)
		}
	}
	if _, err := startJob(t.Context(), slog.New(slog.DiscardHandler), "now and then", false, func(context.Context) {}); err == nil {
		t.Error("a schedule that is none is taken")
	}
}
