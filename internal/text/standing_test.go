package text

import (
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// T-CLEAR: as long as the drop took to come; three minutes are what is done anyhow.
func TestHowLongToStandIsSaidWhereItIsLongerThanUsual(t *testing.T) {
	minutes := func(m float64) *float64 { return &m }
	for _, c := range []struct {
		serial trends.Serial
		want   string
	}{
		{trends.Serial{}, ""},
		{trends.Serial{ClearMinutes: minutes(3)}, ""},
		{trends.Serial{ClearMinutes: minutes(8)}, "stand for 8 minutes: readings at 1, 3 and 8"},
		{trends.Serial{ClearMinutes: minutes(8), Cleared: true}, ""},
	} {
		if got := StandFor(c.serial); got != c.want {
			t.Errorf("%+v: %q, want %q", c.serial, got, c.want)
		}
	}
}

// R-ANSWER: past the answers that count, the provider is asked.
func TestAnswersAreSaidWithWhenTheyEnd(t *testing.T) {
	at := time.Date(2026, 11, 25, 9, 10, 0, 0, time.UTC)
	due := at.Add(8 * time.Hour)
	c := Catalogue{Zone: time.UTC, At: at.Add(time.Hour)}
	r := alerts.Recheck{DueAt: &due, Answer: &trends.AnswerFact{At: at, Answer: "declined"}, Answered: 3, AskProvider: true}
	if got := c.Answered(r); got != "declined 25 Nov 09:10, ask again from 25 Nov 17:10" {
		t.Error(got)
	}
	if got := AskProvider(r); got != "answered 3 times: ask the provider" {
		t.Error(got)
	}
	if r.AskProvider = false; AskProvider(r) != "" || c.Answered(alerts.Recheck{DueAt: &due}) != "" {
		t.Error("something is said where nothing is to be said")
	}
}

// U-FRESH: a list without any reading of the feeds is stale too.
func TestAStaleListIsSaidWithItsAge(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
	newest := c.At.Add(-5 * time.Hour)
	rest := " What happened since is not in it. Readings taken here do not change that."
	for _, one := range []struct {
		fresh alerts.Freshness
		want  string
	}{
		{alerts.Freshness{Newest: &newest}, ""},
		{alerts.Freshness{Newest: &newest, Stale: true}, "This list is old: the newest pressure or pulse from the feeds was taken 25 Nov 07:00 (5 h ago)." + rest},
		{alerts.Freshness{Stale: true}, "This list may be old: no pressure or pulse of anybody on it has come from the feeds." + rest},
	} {
		if got := c.Stale(one.fresh); got != one.want {
			t.Errorf("%q, want %q", got, one.want)
		}
	}
}

// When each kind of fact last came stands with the banner of an old list; what never came is
// said to be missing.
func TestAnOldListTellsWhenEachKindLastCame(t *testing.T) {
	c := Catalogue{Zone: time.UTC, At: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)}
	f := alerts.Freshness{Stale: true, Came: map[clinical.Kind]time.Time{clinical.KindOrder: c.At.Add(-time.Hour)}}
	const want = "Last came: pressure and pulse never, orders 25 Nov 11:00, doses never, fluids never"
	if got := c.Stale(f); !strings.Contains(got, want) {
		t.Error(got)
	}
}
