package notify

import (
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/episodes"
	"plumbline/internal/records"
)

func TestEveryKindHasATier(t *testing.T) {
	want := map[records.EpisodeKind]string{
		episodes.FallWithoutSet: alerts.Now, episodes.TellProvider: alerts.Now, episodes.RecheckOverdue: alerts.ThisShift,
		episodes.FeedStale: alerts.ThisShift, episodes.PrecautionsMissing: alerts.Today, episodes.DoseReview: alerts.Today,
		episodes.DataContradiction: alerts.Today, episodes.ClearanceOwed: alerts.Now,
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
		state    records.DeliveryState
		wait     time.Duration
	}{
		"taken":                           {3, nil, records.DeliverySent, 0},
		"failed":                          {1, &Failure{Why: "503"}, records.DeliveryWaiting, 30 * time.Second},
		"failed for a long time":          {5000, &Failure{Why: "503"}, records.DeliveryWaiting, time.Hour},
		"refused, and tried again":        {4, &Failure{Why: "404", Final: true}, records.DeliveryWaiting, 4 * time.Minute},
		"refused for good":                {5, &Failure{Why: "404", Final: true}, records.DeliveryFailed, 0},
		"asked for a longer wait":         {1, &Failure{Why: "429", After: 10 * time.Minute}, records.DeliveryWaiting, 10 * time.Minute},
		"asked for a shorter wait":        {3, &Failure{Why: "429", After: time.Second}, records.DeliveryWaiting, 2 * time.Minute},
		"asked for more than can be had":  {1, &Failure{Why: "429", After: 1000 * time.Hour}, records.DeliveryWaiting, 6 * time.Hour},
		"asked for a wait that is behind": {1, &Failure{Why: "429", After: -time.Hour}, records.DeliveryWaiting, 30 * time.Second},
	} {
		got := After(records.NoticeDelivery{State: records.DeliveryWaiting, Attempts: c.attempts, Trouble: "before"}, c.failure, now, 1)
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

func noticeAt(kind records.EpisodeKind, at time.Time, owed bool) records.Notice {
	return records.Notice{ID: "n.1", Event: records.EpisodeEvent{Kind: kind, At: at}, Owed: owed}
}

func TestPlanAndDecide(t *testing.T) {
	day, night, morning := moment(t, "2026-11-25T12:00:00Z"), moment(t, "2026-11-25T23:00:00Z"), moment(t, "2026-11-26T06:00:00Z")
	for name, c := range map[string]struct {
		kind   records.EpisodeKind
		owed   bool
		opened time.Time
		now    time.Time
		atOnce bool
		state  records.DeliveryState
		next   time.Time
	}{
		"by day":                               {episodes.DoseReview, true, day, day, true, records.DeliveryWaiting, day},
		"by night, until the morning":          {episodes.DoseReview, true, night, night, true, records.DeliveryHeld, morning},
		"by night, of the tier now":            {episodes.FallWithoutSet, true, night, night, true, records.DeliveryWaiting, night},
		"left to the digest":                   {episodes.DoseReview, true, day, day, false, records.DeliverySkipped, day},
		"done already, but only just":          {episodes.DoseReview, false, day.Add(-time.Hour), day, true, records.DeliveryWaiting, day},
		"done, and found after a day and more": {episodes.DoseReview, false, day.Add(-25 * time.Hour), day, true, records.DeliveryDropped, day},
		"owed, and found after a day and more": {episodes.DoseReview, true, day.Add(-25 * time.Hour), day, true, records.DeliveryWaiting, day},
	} {
		d := quietRules.Plan(noticeAt(c.kind, c.opened, c.owed), "x", c.atOnce, c.now)
		if d.State != c.state || !d.NextAt.Equal(c.next) || d.Channel != "x" || d.ID != "n.1" {
			t.Errorf("planned %s: %s at %s, want %s at %s", name, d.State, d.NextAt, c.state, c.next)
		}
	}
	for name, c := range map[string]struct {
		owed  bool
		state records.DeliveryState
		now   time.Time
		want  records.DeliveryState
	}{
		"held, the night over, owed":       {true, records.DeliveryHeld, morning, records.DeliveryWaiting},
		"held, the night over, done":       {false, records.DeliveryHeld, morning, records.DeliveryDropped},
		"held, amid the night":             {true, records.DeliveryHeld, night, records.DeliveryHeld},
		"tried again by night":             {true, records.DeliveryWaiting, night, records.DeliveryHeld},
		"tried again, done by then":        {false, records.DeliveryWaiting, morning, records.DeliveryWaiting},
		"tried again after days, owed":     {true, records.DeliveryWaiting, day.Add(72 * time.Hour), records.DeliveryWaiting},
		"tried again after days, and done": {false, records.DeliveryWaiting, day.Add(72 * time.Hour), records.DeliveryDropped},
	} {
		n := noticeAt(episodes.DoseReview, day, c.owed)
		if d := quietRules.Decide(records.NoticeDelivery{State: c.state, Notice: &n}, c.now); d.State != c.want {
			t.Errorf("%s: %s, want %s", name, d.State, c.want)
		}
	}
	for age, want := range map[time.Duration]records.DeliveryState{time.Hour: records.DeliveryWaiting, 25 * time.Hour: records.DeliveryDropped} {
		if d := quietRules.Decide(records.NoticeDelivery{State: records.DeliveryWaiting, MadeAt: night}, night.Add(age)); d.State != want {
			t.Errorf("a digest after %s: %s, want %s", age, d.State, want)
		}
	}
}

// Of a unit in commissioning nobody is told; when its feeds were checked, of what is owed then.
func TestNobodyIsToldOfAUnitInCommissioning(t *testing.T) {
	day := moment(t, "2026-11-25T12:00:00Z")
	rules := quietRules
	rules.Commissioning = []string{"4W"}
	of := func(unit string, owed bool) records.Notice {
		n := noticeAt(episodes.FallWithoutSet, day, owed)
		n.Event.Unit = unit
		return n
	}
	for name, c := range map[string]struct {
		notice records.Notice
		atOnce bool
		want   records.DeliveryState
	}{
		"owed":               {of("4W", true), true, records.DeliveryHeld},
		"done by then":       {of("4W", false), true, records.DeliveryDropped},
		"left to a digest":   {of("4W", true), false, records.DeliverySkipped},
		"of another unit":    {of("7E", true), true, records.DeliveryWaiting},
		"of a feed":          {of("", true), true, records.DeliveryWaiting},
		"done, of a 2nd one": {of("7E", false), true, records.DeliveryWaiting},
	} {
		if d := rules.Plan(c.notice, "x", c.atOnce, day); d.State != c.want {
			t.Errorf("planned %s: %s, want %s", name, d.State, c.want)
		}
	}
	held := func(owed bool) records.NoticeDelivery {
		n := of("4W", owed)
		return records.NoticeDelivery{State: records.DeliveryHeld, Notice: &n}
	}
	waiting := held(true)
	waiting.State = records.DeliveryWaiting // planned before the unit was put back
	for name, c := range map[string]struct {
		rules    Rules
		delivery records.NoticeDelivery
		want     records.DeliveryState
	}{
		"still in commissioning":            {rules, held(true), records.DeliveryHeld},
		"put back while it waited":          {rules, waiting, records.DeliveryHeld},
		"done meanwhile":                    {rules, held(false), records.DeliveryDropped},
		"checked, and owed after weeks":     {quietRules, held(true), records.DeliveryWaiting},
		"checked, and done in the meantime": {quietRules, held(false), records.DeliveryDropped},
	} {
		if d := c.rules.Decide(c.delivery, day.Add(500*time.Hour)); d.State != c.want {
			t.Errorf("%s: %s, want %s", name, d.State, c.want)
		}
	}
}
