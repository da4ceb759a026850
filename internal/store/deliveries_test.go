package store

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

// tellOf opens an episode on the unit h hours after noon and returns its notice's id.
func tellOf(t *testing.T, s *Store, id string, h float64) string {
	t.Helper()
	c := changed(id, "4W", "open", 1)
	c.Episode.ChangedAt, c.Event.At = hours(h), hours(h)
	stepScope(t, s, records.EpisodeScope{Name: "unit " + id, Unit: "none", IDs: []string{id}}, h, c)
	return id + ".1"
}

func untold(t *testing.T, s *Store, channel string, h float64) string {
	t.Helper()
	var out []string
	for _, n := range get(s.NoticesUntold(t.Context(), channel, hours(h), 100))(t) {
		out = append(out, n.ID)
	}
	return strings.Join(out, " ")
}

func waitingFor(id, channel string, h float64) records.NoticeDelivery {
	return records.NoticeDelivery{ID: id, Channel: channel, State: records.DeliveryWaiting, MadeAt: hours(h), NextAt: hours(h)}
}

func due(t *testing.T, s *Store, channel string, h float64) []records.NoticeDelivery {
	t.Helper()
	return get(s.DeliveriesDue(t.Context(), channel, hours(h), 100))(t)
}

func TestANoticeIsUntoldUntilItHasADeliveryByTheChannel(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		before := tellOf(t, s, "a", 0)
		if got := untold(t, s, "webhook", 0); got != "" {
			t.Errorf("a channel that is not set up is to tell %q", got)
		}
		must(t, s.SetChannels(t.Context(), []string{"webhook", "e-mail"}, hours(1)))
		first, second := tellOf(t, s, "b", 1), tellOf(t, s, "c", 2)
		if got := untold(t, s, "webhook", 2); got != "b.1 c.1" {
			t.Errorf("untold: %q, want what came since the channel was set up, not %s", got, before)
		}
		n := get(s.NoticesUntold(t.Context(), "webhook", hours(2), 1))(t)
		if len(n) != 1 || !cmp.Equal(n[0].Event, changed("b", "4W", "open", 1).Event) || n[0].Rule != "R-TEST" || !n[0].Owed {
			t.Errorf("the first is %+v, want it with event and episode", n)
		}
		add := []records.NoticeDelivery{waitingFor(first, "webhook", 2)}
		must(t, s.AddDeliveries(t.Context(), add, nil, hours(2)))
		if w, m := untold(t, s, "webhook", 2), untold(t, s, "e-mail", 2); w != second || m != "b.1 c.1" {
			t.Errorf("untold by webhook %q, by e-mail %q", w, m)
		}
		// A second time, with other words: the first row stays.
		add[0].State = "skipped"
		must(t, s.AddDeliveries(t.Context(), append(add, waitingFor(second, "webhook", 2)), []string{"webhook"}, hours(2)))
		list := due(t, s, "webhook", 2)
		if len(list) != 2 || list[0].State != records.DeliveryWaiting || list[0].Notice == nil || list[0].Notice.ID != first {
			t.Errorf("due: %+v", list)
		}
		// Committed late, within the overlap, and told all the same.
		must(t, s.AddDeliveries(t.Context(), nil, []string{"webhook"}, hours(20)))
		late := tellOf(t, s, "d", 3)
		if got := untold(t, s, "webhook", 20); got != late {
			t.Errorf("untold: %q, want the late one", got)
		}
		// A clock that was ahead for a while hides nothing.
		must(t, s.AddDeliveries(t.Context(), nil, []string{"webhook"}, hours(5000)))
		if got := untold(t, s, "webhook", 20); got != late {
			t.Errorf("untold after the clock was ahead: %q", got)
		}
	})
}

func TestAChannelThatIsGoneTellsNothingAndBeginsAnew(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(0)))
		first := tellOf(t, s, "a", 1)
		must(t, s.AddDeliveries(t.Context(), []records.NoticeDelivery{waitingFor(first, "webhook", 1)}, nil, hours(1)))
		must(t, s.SetChannels(t.Context(), nil, hours(2)))
		tellOf(t, s, "b", 3)
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(4)))
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(5))) // a restart changes nothing
		last := tellOf(t, s, "c", 4.5)
		if got := untold(t, s, "webhook", 6); got != last {
			t.Errorf("untold: %q, want only what came since it was set up again", got)
		}
		if list := due(t, s, "webhook", 6); len(list) != 0 {
			t.Errorf("what was waiting is told by the channel that was turned off: %+v", list)
		}
	})
}

// Many may want to make the same attempt; one does, and each attempt is counted.
func TestAnAttemptIsOnesOwn(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(0)))
		id := tellOf(t, s, "a", 1)
		must(t, s.AddDeliveries(t.Context(), []records.NoticeDelivery{waitingFor(id, "webhook", 1)}, nil, hours(1)))
		for round := range 3 {
			h := float64(2 + round)
			list := due(t, s, "webhook", h)
			if len(list) != 1 || list[0].Attempts != round {
				t.Fatalf("round %d: due %+v", round, list)
			}
			var mine atomic.Int32
			var all sync.WaitGroup
			for range 8 {
				all.Go(func() {
					if ok, err := s.ClaimDelivery(t.Context(), list[0], hours(h+0.5)); err != nil {
						t.Error(err)
					} else if ok {
						mine.Add(1)
					}
				})
			}
			all.Wait()
			if mine.Load() != 1 {
				t.Errorf("round %d: %d made the attempt, want 1", round, mine.Load())
			}
			if list := due(t, s, "webhook", h+0.4); len(list) != 0 {
				t.Errorf("round %d: due amid the attempt: %+v", round, list)
			}
			// The one who made it is killed: it is due again when the claim is over.
		}
	})
}

func TestWhatBecameOfADelivery(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SetChannels(t.Context(), []string{"webhook"}, hours(0)))
		var list []records.NoticeDelivery
		for n, id := range []string{"a", "b", "c"} {
			list = append(list, waitingFor(tellOf(t, s, id, float64(n+1)), "webhook", float64(n+1)))
		}
		must(t, s.AddDeliveries(t.Context(), list, nil, hours(4)))
		claim := func(d records.NoticeDelivery) records.NoticeDelivery {
			if !get(s.ClaimDelivery(t.Context(), d, hours(5)))(t) {
				t.Fatalf("%s is not ours", d.ID)
			}
			d.Attempts++
			return d
		}
		state := func() records.ChannelHealth {
			all := get(s.ChannelStates(t.Context(), hours(0)))(t)
			if len(all) != 1 {
				t.Fatalf("channels: %+v", all)
			}
			return all[0]
		}
		if got := state(); got.Waiting != 3 || !got.Oldest.Equal(hours(1)) || !got.LastSent.IsZero() || !got.FailingSince.IsZero() {
			t.Errorf("before the first attempt: %+v", got)
		}

		a := claim(list[0])
		a.Trouble, a.NextAt = "answered 503", hours(6)
		must(t, s.FinishDelivery(t.Context(), a, hours(4)))
		a = claim(a)
		a.Trouble, a.NextAt = "answered 500", hours(7)
		must(t, s.FinishDelivery(t.Context(), a, hours(4.5)))
		if got := state(); !got.FailingSince.Equal(hours(4)) || got.Trouble != "answered 500" || got.Waiting != 3 {
			t.Errorf("while it fails: %+v", got)
		}
		held := list[1]
		held.State, held.NextAt = records.DeliveryHeld, hours(8)
		must(t, s.FinishDelivery(t.Context(), held, hours(4.5)))

		stale := a
		a = claim(a)
		a.State, a.Trouble = records.DeliverySent, ""
		must(t, s.FinishDelivery(t.Context(), a, hours(5)))
		must(t, s.FinishDelivery(t.Context(), stale, hours(5))) // of an attempt before: too late
		if got := state(); !got.LastSent.Equal(hours(5)) || got.Waiting != 2 || !got.Oldest.Equal(hours(3)) {
			t.Errorf("after it was sent: %+v", got)
		}
		for _, d := range due(t, s, "webhook", 100) {
			if d.ID == a.ID {
				t.Errorf("sent, and due again: %+v", d)
			}
		}

		c := claim(list[2])
		c.State, c.Trouble = records.DeliveryFailed, "answered 404"
		must(t, s.FinishDelivery(t.Context(), c, hours(6)))
		if got := state(); got.Failed != 1 || got.Waiting != 1 || !got.Oldest.IsZero() || !got.FailingSince.Equal(hours(5)) && !got.FailingSince.Equal(hours(6)) {
			t.Errorf("after one was given up: %+v", got)
		}
		if got := get(s.ChannelStates(t.Context(), hours(7)))(t); got[0].Failed != 0 {
			t.Errorf("a failure before the moment counts: %+v", got)
		}
	})
}

func TestADigestIsMadeOnceForEachChannel(t *testing.T) {
	forEachEngine(t, func(t *testing.T, s *Store) {
		must(t, s.SetChannels(t.Context(), []string{"webhook", "e-mail"}, hours(0)))
		missing := func(by float64) []string { return get(s.ChannelsWithout(t.Context(), "digest-1", hours(by)))(t) }
		if got := missing(-1); len(got) != 0 {
			t.Errorf("channels set up later: %q", got)
		}
		if got := missing(0); !slices.Equal(got, []string{"e-mail", "webhook"}) {
			t.Errorf("channels without the digest: %q", got)
		}
		var all sync.WaitGroup
		for n := range 4 {
			all.Go(func() {
				d := records.NoticeDelivery{ID: "digest-1", State: records.DeliveryWaiting, MadeAt: hours(1), NextAt: hours(1), Body: fmt.Appendf(nil, `{"by":%d}`, n)}
				w, m := d, d
				w.Channel, m.Channel = "webhook", "e-mail"
				if err := s.AddDeliveries(t.Context(), []records.NoticeDelivery{m, w}, nil, hours(1)); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		w, m := due(t, s, "webhook", 1), due(t, s, "e-mail", 1)
		if len(w) != 1 || len(m) != 1 || string(w[0].Body) != string(m[0].Body) || w[0].Notice != nil {
			t.Errorf("by webhook %+v, by e-mail %+v; want one each, of the same words", w, m)
		}
		if got := missing(1); len(got) != 0 {
			t.Errorf("channels without the digest: %q", got)
		}
	})
}

// The queries that run every few seconds use their indexes, whatever has piled up.
func TestDeliveriesDueUseTheirIndex(t *testing.T) {
	s := openStore(t, SQLite)
	var rows []struct{ Detail string }
	must(t, s.read.Raw("EXPLAIN QUERY PLAN SELECT * FROM deliveries WHERE channel = ? AND next_at <= ? AND "+toTell+" ORDER BY next_at, notice_id LIMIT 10", "webhook", micros(noon)).Scan(&rows).Error)
	if len(rows) == 0 || !strings.Contains(fmt.Sprint(rows), "deliveries_due") {
		t.Errorf("the plan is %v", rows)
	}
}
