package app

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/notify/notifytest"
)

// The clock of the machine runs ahead a day for a minute and is put right. A fall that
// comes then is opened and told, and it is said that the clock was wrong.
func TestAClockThatRanAheadSilencesNothing(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		ctx, now := context.Background(), demo.AnchorTime()
		s := openSite(t, database, now)
		var logged bytes.Buffer
		even := now
		s.clocks.log = slog.New(slog.NewTextHandler(&logged, nil))
		s.clocks.steady = func() time.Time { return even }
		receiver := newWebhookReceiver(t)
		tellBy(t, s, receiver.URL, notifytest.Serve(t, notifytest.Options{}), "no")
		clock := now.Add(26 * time.Hour)
		service, err := s.telling(func() time.Time { return clock })
		if err != nil {
			t.Fatal(err)
		}
		run := func() {
			t.Helper()
			s.stepEpisodes(ctx, nil, clock)
			if err := service.Run(ctx); err != nil {
				t.Fatal(err)
			}
		}
		if err := service.Start(ctx); err != nil {
			t.Fatal(err)
		}
		run()
		before, _ := receiver.count()
		if before == 0 {
			t.Fatal("nothing is told while the clock is ahead")
		}

		clock = now
		row := now.Add(-9*time.Minute).Format(time.RFC3339) + "," + now.Add(-5*time.Minute).Format(time.RFC3339)
		loadRows(t, s, "falls-new.csv", "source_id,stay_id,fell_at,recorded_at,injury\nF-NEW,S130,"+row+",none\n")
		for range 5 { // a server that several machines share waits to be sure
			run()
			clock, even = clock.Add(time.Minute), even.Add(time.Minute)
		}
		told := false
		for _, body := range receiver.bodies {
			told = told || strings.Contains(body, "S130") && strings.Contains(body, "fall_without_set")
		}
		if after, _ := receiver.count(); !told || after <= before {
			t.Errorf("the new fall is not told: %d messages before the clock was right, %d after", before, after)
		}
		if says := logged.String(); !strings.Contains(says, "clock") || !strings.Contains(says, "passed over") {
			t.Errorf("the log says %q", says)
		}
		h, err := s.feedHealth(ctx, nil, clock)
		if err != nil || h.Clock == nil || h.Clock.By >= 0 || h.Clock.Waits {
			t.Errorf("the page of the feeds is told %+v, %v", h.Clock, err)
		}
		if err := s.ready(ctx, nil, clock); err != nil {
			t.Errorf("not ready: %v", err)
		}
		if h, err := s.feedHealth(ctx, nil, clock.Add(25*time.Hour)); err != nil || h.Clock != nil {
			t.Errorf("it is said a day later still: %+v, %v", h.Clock, err)
		}
	})
}

// The clock is compared with what has passed by the steady one.
func TestAClockThatIsSetIsNoticed(t *testing.T) {
	even := time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)
	now := demo.AnchorTime()
	w := &clockWatch{log: slog.New(slog.DiscardHandler), steady: func() time.Time { return even }}
	for _, c := range []struct {
		passed, set, want time.Duration
	}{
		{time.Minute, 0, 0}, {time.Minute, 29 * time.Second, 0}, {time.Minute, -29 * time.Second, 0},
		{time.Minute, time.Hour, time.Hour}, {time.Minute, -24 * time.Hour, -24 * time.Hour},
		{8 * time.Hour, 0, -24 * time.Hour}, // asleep for long is not set; the last is remembered
	} {
		even, now = even.Add(c.passed), now.Add(c.passed+c.set)
		w.look(now)
		got := time.Duration(0)
		if trouble := w.trouble(now); trouble != nil {
			got = trouble.By
		}
		if got != c.want {
			t.Errorf("%s after %s: noticed %s, want %s", c.set, c.passed, got, c.want)
		}
	}
	if a, b := clinical.SteadyClock(), clinical.SteadyClock(); b.Before(a) {
		t.Error("the steady clock goes back")
	}
}
