package notify

import (
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
)

func TestEveryKindHasATier(t *testing.T) {
	want := map[episodes.Kind]string{
		episodes.FallWithoutSet: alerts.Now, episodes.TellProvider: alerts.Now, episodes.RecheckOverdue: alerts.ThisShift,
		episodes.FeedStale: alerts.ThisShift, episodes.PrecautionsMissing: alerts.Today, episodes.DoseReview: alerts.Today,
		episodes.DataContradiction: alerts.Today,
	}
	for _, kind := range episodes.Kinds {
		if got := TierOf(kind, "any"); got != want[kind] {
			t.Errorf("%s is told as %q, want %q", kind, got, want[kind])
		}
	}
	for _, rule := range []string{alerts.RAdmit, alerts.RWeekly} { // T-ROUTINE
		if got := TierOf(episodes.RecheckOverdue, rule); got != alerts.Today {
			t.Errorf("an overdue %s is told as %q, want today", rule, got)
		}
	}
}

func TestBackoffDoublesUpToAnHour(t *testing.T) {
	for attempts, want := range map[int]time.Duration{
		1: 30 * time.Second, 2: time.Minute, 3: 2 * time.Minute, 7: 32 * time.Minute, 8: time.Hour, 9: time.Hour, 1000: time.Hour, 0: time.Hour,
	} {
		if got := Backoff(attempts, 1); got != want {
			t.Errorf("after %d attempts the longest wait is %s, want %s", attempts, got, want)
		}
		if got := Backoff(attempts, 0); got != want/2 {
			t.Errorf("after %d attempts the shortest wait is %s, want %s", attempts, got, want/2)
		}
	}
}

func TestWhatFollowsAnAttempt(t *testing.T) {
	now := moment(t, "2026-11-25T12:00:00Z")
	for name, c := range map[string]struct {
		attempts int
		failure  *Failure
		state    State
		wait     time.Duration
	}{
		"taken":                           {3, nil, Sent, 0},
		"failed":                          {1, &Failure{Why: "503"}, Waiting, 30 * time.Second},
		"failed for a long time":          {5000, &Failure{Why: "503"}, Waiting, time.Hour},
		"refused, and tried again":        {4, &Failure{Why: "404", Final: true}, Waiting, 4 * time.Minute},
		"refused for good":                {5, &Failure{Why: "404", Final: true}, Failed, 0},
		"asked for a longer wait":         {1, &Failure{Why: "429", After: 10 * time.Minute}, Waiting, 10 * time.Minute},
		"asked for a shorter wait":        {3, &Failure{Why: "429", After: time.Second}, Waiting, 2 * time.Minute},
		"asked for more than can be had":  {1, &Failure{Why: "429", After: 1000 * time.Hour}, Waiting, 6 * time.Hour},
		"asked for a wait that is behind": {1, &Failure{Why: "429", After: -time.Hour}, Waiting, 30 * time.Second},
	} {
		got := After(Delivery{State: Waiting, Attempts: c.attempts, Trouble: "before"}, c.failure, now, 1)
		trouble := ""
		if c.failure != nil {
			trouble = c.failure.Why
		}
		if got.State != c.state || !got.NextAt.Equal(now.Add(c.wait)) || got.Trouble != trouble {
			t.Errorf("%s: %s, next in %s, trouble %q; want %s, %s", name, got.State, got.NextAt.Sub(now), got.Trouble, c.state, c.wait)
		}
	}
}

// night is in the quiet hours of the tier today, day is not.
var quietRules = Rules{Quiet: Quiet{"today": {22 * 60, 6 * 60}}, Zone: time.UTC}

func noticeAt(kind episodes.Kind, at time.Time, owed bool) Notice {
	return Notice{ID: "n.1", Event: episodes.Event{Kind: kind, At: at}, Owed: owed}
}

func TestPlanAndDecide(t *testing.T) {
	day, night, morning := moment(t, "2026-11-25T12:00:00Z"), moment(t, "2026-11-25T23:00:00Z"), moment(t, "2026-11-26T06:00:00Z")
	for name, c := range map[string]struct {
		kind   episodes.Kind
		owed   bool
		opened time.Time
		now    time.Time
		atOnce bool
		state  State
		next   time.Time
	}{
		"by day":                               {episodes.DoseReview, true, day, day, true, Waiting, day},
		"by night, until the morning":          {episodes.DoseReview, true, night, night, true, Held, morning},
		"by night, of the tier now":            {episodes.FallWithoutSet, true, night, night, true, Waiting, night},
		"left to the digest":                   {episodes.DoseReview, true, day, day, false, Skipped, day},
		"done already, but only just":          {episodes.DoseReview, false, day.Add(-time.Hour), day, true, Waiting, day},
		"done, and found after a day and more": {episodes.DoseReview, false, day.Add(-25 * time.Hour), day, true, Dropped, day},
		"owed, and found after a day and more": {episodes.DoseReview, true, day.Add(-25 * time.Hour), day, true, Waiting, day},
	} {
		d := quietRules.Plan(noticeAt(c.kind, c.opened, c.owed), "x", c.atOnce, c.now)
		if d.State != c.state || !d.NextAt.Equal(c.next) || d.Channel != "x" || d.ID != "n.1" {
			t.Errorf("planned %s: %s at %s, want %s at %s", name, d.State, d.NextAt, c.state, c.next)
		}
	}
	for name, c := range map[string]struct {
		owed  bool
		state State
		now   time.Time
		want  State
	}{
		"held, the night over, owed":       {true, Held, morning, Waiting},
		"held, the night over, done":       {false, Held, morning, Dropped},
		"held, amid the night":             {true, Held, night, Held},
		"tried again by night":             {true, Waiting, night, Held},
		"tried again, done by then":        {false, Waiting, morning, Waiting},
		"tried again after days, owed":     {true, Waiting, day.Add(72 * time.Hour), Waiting},
		"tried again after days, and done": {false, Waiting, day.Add(72 * time.Hour), Dropped},
	} {
		n := noticeAt(episodes.DoseReview, day, c.owed)
		if d := quietRules.Decide(Delivery{State: c.state, Notice: &n}, c.now); d.State != c.want {
			t.Errorf("%s: %s, want %s", name, d.State, c.want)
		}
	}
	for age, want := range map[time.Duration]State{time.Hour: Waiting, 25 * time.Hour: Dropped} {
		if d := quietRules.Decide(Delivery{State: Waiting, MadeAt: night}, night.Add(age)); d.State != want {
			t.Errorf("a digest after %s: %s, want %s", age, d.State, want)
		}
	}
}
