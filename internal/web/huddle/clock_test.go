package huddle

import (
	"testing"
	"time"
)

// What somebody says has happened has not happened in minutes to come: a watch that runs ahead means now.
func TestAWatchThatRunsAheadMeansNow(t *testing.T) {
	now := time.Date(2026, 11, 25, 9, 2, 30, 0, time.UTC)
	for clock, want := range map[string]string{"09:02": "25T09:02:00", "09:05": "25T09:02:00", "09:07": "25T09:02:00", "09:09": "24T09:09:00", "08:59": "25T08:59:00"} {
		if got := clockBefore(clock, time.UTC, now).Format("02T15:04:05"); got != want {
			t.Errorf("%s means %s, want %s", clock, got, want)
		}
	}
}
