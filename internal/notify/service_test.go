package notify

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbline/internal/alerts"
	"plumbline/internal/drill"
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
	"plumbline/internal/store"
	"plumbline/internal/testdb/teststore"
)

// killable is the real store, behind which a program is killed where a test says so.
type killable struct {
	*store.Store
	tb     testing.TB
	file   string
	opened int
	mu     sync.Mutex
	stopIn int // 2n: the program is killed before its nth call; 2n+1: after it; 0: not
}

// newStore opens a store whose channel, the webhook, is set up.
func newStore(tb testing.TB, at time.Time) *killable {
	tb.Helper()
	file := teststore.EmptyFile(tb)
	k := &killable{Store: teststore.Open(tb, file), tb: tb, file: file}
	if err := k.Store.SetChannels(tb.Context(), []string{"webhook"}, at.Add(-time.Hour)); err != nil {
		tb.Fatal(err)
	}
	return k
}

// errKilled is what a program that is killed sees: nothing it does counts any more.
var errKilled = errors.New("killed")

// call does what a call does, unless the program is killed by then.
func (k *killable) call(do func() error) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.stopIn == dead {
		return errKilled
	}
	if k.stopIn > 0 {
		k.stopIn -= 2
		switch k.stopIn {
		case 0:
			k.stopIn = dead
			return errKilled
		case 1:
			k.stopIn = dead
			return errors.Join(do(), errKilled) // written, and the answer never comes back
		}
	}
	return do()
}

const dead = -1

// restart is a new program on the store.
func (k *killable) restart(stopIn int) { k.stopIn = stopIn }

func (k *killable) SetChannels(ctx context.Context, channels []string, at time.Time) error {
	return k.call(func() error { return k.Store.SetChannels(ctx, channels, at) })
}

func (k *killable) NoticesUntold(
	ctx context.Context, channel string, at time.Time, limit int,
) (out []records.Notice, err error) {
	err = k.call(func() error { out, err = k.Store.NoticesUntold(ctx, channel, at, limit); return err })
	return out, err
}

func (k *killable) AddDeliveries(ctx context.Context, list []records.NoticeDelivery, seen []string, at time.Time) error {
	return k.call(func() error { return k.Store.AddDeliveries(ctx, list, seen, at) })
}

func (k *killable) ChannelsWithout(ctx context.Context, id string, by time.Time) (out []string, err error) {
	err = k.call(func() error { out, err = k.Store.ChannelsWithout(ctx, id, by); return err })
	return out, err
}

func (k *killable) DeliveriesDue(
	ctx context.Context, channel string, at time.Time, limit int,
) (out []records.NoticeDelivery, err error) {
	err = k.call(func() error { out, err = k.Store.DeliveriesDue(ctx, channel, at, limit); return err })
	return out, err
}

func (k *killable) ClaimDelivery(ctx context.Context, d records.NoticeDelivery, until time.Time) (mine bool, err error) {
	err = k.call(func() error { mine, err = k.Store.ClaimDelivery(ctx, d, until); return err })
	return mine, err
}

func (k *killable) FinishDelivery(ctx context.Context, d records.NoticeDelivery, at time.Time) error {
	return k.call(func() error { return k.Store.FinishDelivery(ctx, d, at) })
}

// open opens an episode of which somebody is to be told, by its event, and returns the
// notice's id.
func (k *killable) open(v records.EpisodeEvent) string {
	k.tb.Helper()
	k.opened++
	v.EpisodeID, v.N, v.What, v.Tells = fmt.Sprintf("e%d", k.opened), 1, episodes.Opened, true
	k.change(v.EpisodeID, v.At, func(records.Episode) records.EpisodeChange {
		return records.EpisodeChange{Event: v, Episode: records.Episode{
			ID: v.EpisodeID, Kind: v.Kind, StayID: v.StayID, Unit: v.Unit, State: episodes.Open, OpenedAt: v.At,
			RaisedAt: v.At, ChangedAt: v.At, Rule: v.Rule, Figures: v.Figures, Events: 1,
		}}
	})
	return v.EpisodeID + ".1"
}

// end ends the episode of a notice: nothing is owed any more.
func (k *killable) end(notice string, at time.Time) {
	k.tb.Helper()
	id, _, _ := strings.Cut(notice, ".")
	k.change(id, at, func(e records.Episode) records.EpisodeChange {
		if !e.Active() {
			return records.EpisodeChange{}
		}
		e.State, e.ChangedAt, e.Events = records.EpisodeDone, at, e.Events+1
		return records.EpisodeChange{Episode: e, Event: records.EpisodeEvent{
			EpisodeID: e.ID, N: e.Events, At: at, What: episodes.Ended, Kind: e.Kind, StayID: e.StayID, Unit: e.Unit,
		}}
	})
}

// change steps one episode by itself.
func (k *killable) change(id string, at time.Time, by func(records.Episode) records.EpisodeChange) {
	k.tb.Helper()
	scope := records.EpisodeScope{Name: "test " + id + at.String(), Unit: "none", IDs: []string{id}}
	_, err := k.StepEpisodes(context.Background(), scope, at, func(have []records.Episode) []records.EpisodeChange {
		var e records.Episode
		if len(have) > 0 {
			e = have[0]
		}
		if c := by(e); c.Event.N > 0 {
			return []records.EpisodeChange{c}
		}
		return nil
	})
	if err != nil {
		k.tb.Fatal(err)
	}
}

// delivery is what has become of a notice by the webhook; the state is "" where there is none.
func (k *killable) delivery(id string) (d records.NoticeDelivery) {
	k.tb.Helper()
	var next int64
	err := k.ask("SELECT state, attempts, trouble, next_at FROM deliveries WHERE channel = 'webhook' AND notice_id = ?",
		id, &d.State, &d.Attempts, &d.Trouble, &next)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		k.tb.Fatal(err)
	}
	d.NextAt = time.UnixMicro(next).UTC()
	return d
}

func (k *killable) ask(query, id string, into ...any) error {
	db, err := sql.Open("sqlite", k.file)
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	return db.QueryRowContext(context.Background(), query, id).Scan(into...)
}

// siteData is the site's data of a test: everybody has a name.
type siteData struct {
	mu   sync.Mutex
	owed []records.Episode
	news FeedNews
}

func (*siteData) Gaps(context.Context) ([]feedcheck.Gap, error) { return nil, nil }

func (b *siteData) FeedNews(context.Context) (FeedNews, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.news, nil
}

func (b *siteData) Owed(context.Context) ([]records.Episode, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.owed, nil
}

func (*siteData) Ages(context.Context, time.Time) (map[string]alerts.Freshness, error) {
	return nil, nil
}

func (*siteData) Age(context.Context, string, time.Time) (alerts.Freshness, error) {
	return alerts.Freshness{}, nil
}

func (*siteData) Place(_ context.Context, stayID string, _ time.Time) (Place, error) {
	if stayID == "unreadable" {
		return Place{}, errors.New("this stay cannot be read")
	}
	return Place{Bed: "12A", Name: patient}, nil
}

// receiver stands for the far end of a webhook. It checks every request that it
// gets, and answers what it is told to.
type receiver struct {
	mu      sync.Mutex
	answers func() int // a status; 0: the connection breaks after the message was taken
	taken   map[string]int
	refused map[string]int
	bodies  map[string][]byte
	faults  []string
}

func newReceiver() *receiver {
	return &receiver{taken: map[string]int{}, refused: map[string]int{}, bodies: map[string][]byte{}}
}

func (r *receiver) RoundTrip(q *http.Request) (*http.Response, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	body, err := io.ReadAll(q.Body)
	if err != nil {
		return nil, err
	}
	id := q.Header.Get("webhook-id")
	if err := verify(secret, q.Header, body); err != nil {
		r.faults = append(r.faults, err.Error())
	}
	if before, again := r.bodies[id]; again && !bytes.Equal(before, body) {
		r.faults = append(r.faults, fmt.Sprintf("%s says %s and said %s", id, body, before))
	}
	if bytes.Contains(body, []byte(patient)) || bytes.Contains(body, []byte("Quillfeather")) || bytes.Contains(body, []byte("Zyx")) {
		r.faults = append(r.faults, fmt.Sprintf("%s names somebody", id))
	}
	r.bodies[id] = body
	status := r.answers()
	if status == 0 || status < 300 {
		r.taken[id]++
	} else {
		r.refused[id]++
	}
	if status == 0 {
		return nil, errors.New("connection reset")
	}
	return &http.Response{StatusCode: status, Header: http.Header{}, Body: http.NoBody}, nil
}

func serviceOf(store Store, b Source, r http.RoundTripper, clock func() time.Time, z *time.Location) *Service {
	w, err := NewWebhook("https://receiver.example/", secret)
	if err != nil {
		panic(err)
	}
	w.client.Transport = r
	return &Service{
		Store: store, Source: b, Channels: []Channel{w}, Clock: clock, Jitter: func() float64 { return 0.5 },
		Rules:    Rules{Quiet: Quiet{alerts.Today: {22 * 60, 6 * 60}}, Zone: z},
		Schedule: Schedule{Huddle: 7 * 60, Before: 30 * time.Minute, Zone: z},
		Site:     Site{Zone: z, PublicURL: "https://falls.example"}, Log: slog.New(slog.DiscardHandler),
	}
}

// Random histories: notices come, episodes end, the receiver answers well or
// badly, the program is killed amid any step and started again, the clocks change.
// In the end every notice was taken at least once under one id with one body and a
// signature that holds, but for those given up after five refusals and those of
// which nothing was owed any more when their time came.
func TestEveryNoticeIsToldAtLeastOnceAndAlwaysTheSame(t *testing.T) {
	usual := flag.Lookup("rapid.checks").Value.String()
	defer func() { _ = flag.Set("rapid.checks", usual) }()
	if err := flag.Set("rapid.checks", drill.Draws(25)); err != nil { // a third of a second each, on the real store
		t.Fatal(err)
	}
	whole := t
	rapid.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom([]string{"Europe/Zurich", "America/New_York", "America/Santiago"}).Draw(t, "zone"))
		now := time.Date(2026, rapid.SampledFrom([]time.Month{3, 4, 9, 10, 11}).Draw(t, "month"), rapid.IntRange(1, 28).Draw(t, "day"), 3, 0, 0, 0, time.UTC)
		store, b, r := newStore(whole, now), &siteData{}, newReceiver()
		luck := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "luck"), 1)) // rapid draws in one goroutine alone
		bad := rapid.IntRange(0, 9).Draw(t, "bad answers of ten")
		r.answers = func() int {
			if luck.IntN(10) >= bad {
				return 204
			}
			return []int{0, 500, 503, 429, 404, 302}[luck.IntN(6)]
		}
		clock := func() time.Time { return now }
		kinds := []records.EpisodeKind{episodes.FallWithoutSet, episodes.RecheckOverdue, episodes.DoseReview, episodes.FeedStale}
		dates := map[Date]bool{}
		var notices []records.EpisodeEvent // by their order, which names their episodes
		var ended []string
		run := func(stopIn int) {
			store.restart(stopIn)
			s := serviceOf(store, b, r, clock, z)
			if err := s.Start(context.Background()); err == nil {
				err = s.Run(context.Background())
				if err != nil && !errors.Is(err, errKilled) {
					t.Fatal(err)
				}
			}
		}
		tick := func(by time.Duration, stopIn int) {
			for end := now.Add(by); now.Before(end); {
				now = now.Add(min(end.Sub(now), 10*time.Minute))
				run(stopIn)
				if d, _, due := serviceOf(store, b, r, clock, z).Schedule.Due(now); due && store.stopIn != dead {
					dates[d] = true
				}
			}
		}
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.IntRange(0, 3).Draw(t, "step") {
			case 0:
				e := records.EpisodeEvent{
					At: now, Unit: "4W", StayID: "S1", Kind: rapid.SampledFrom(kinds).Draw(t, "kind"),
					Rule: alerts.TPrecaution, Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}},
				}
				store.open(e)
				notices = append(notices, e)
			case 1:
				if len(notices) > 0 {
					id := noticeID(rapid.IntRange(0, len(notices)-1).Draw(t, "which"))
					store.end(id, now)
					ended = append(ended, id)
				}
			case 2:
				run(rapid.IntRange(2, 24).Draw(t, "kill in"))
			case 3:
				tick(time.Duration(rapid.IntRange(1, 600).Draw(t, "minutes"))*time.Minute, rapid.SampledFrom([]int{0, 0, 5, 8, 13}).Draw(t, "kill in"))
			}
		}
		bad = 0
		tick(30*time.Hour, 0) // the worst is over: the longest wait has passed, and a night
		if len(r.faults) > 0 {
			t.Fatal(strings.Join(r.faults, "\n"))
		}
		for n, v := range notices {
			d := store.delivery(noticeID(n))
			switch id := MessageID(noticeID(n)); {
			case d.State == records.DeliverySent && r.taken[id] > 0:
			case d.State == records.DeliveryFailed && d.Attempts >= finalTries:
			case d.State == records.DeliveryDropped && slices.Contains(ended, noticeID(n)):
			default:
				t.Errorf("%s of %s is %s after %d attempts, taken %d times", id, v.At, d.State, d.Attempts, r.taken[id])
			}
		}
		for d := range dates {
			row := store.delivery(BriefingID(d))
			if row.State == "" || row.State != records.DeliveryFailed && r.taken[BriefingID(d)] == 0 {
				t.Errorf("the digest of %s: %q, taken %d times", d, row.State, r.taken[BriefingID(d)])
			}
		}
	})
}

// noticeID is the id of the notice that was opened as the nth, from 0.
func noticeID(n int) string { return fmt.Sprintf("e%d.1", n+1) }

// Without failures and kills each message comes exactly once.
func TestWithoutTroubleEachMessageComesOnce(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := newStore(t, now), newReceiver()
	r.answers = func() int { return 200 }
	for n := range 500 { // more than one batch
		at := now.Add(time.Duration(n) * time.Second)
		store.open(records.EpisodeEvent{
			At: at, Kind: episodes.FallWithoutSet, Unit: "4W", StayID: "S1",
			Rule: alerts.TPrecaution, Figures: alerts.MissingFigures{},
		})
	}
	s := serviceOf(store, &siteData{}, r, func() time.Time { return now }, zone(t, "Europe/Zurich"))
	if err := s.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	for range 24 * 6 {
		now = now.Add(10 * time.Minute)
		if err := s.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.taken) != 501 || len(r.faults) > 0 {
		t.Errorf("%d messages came, want 500 notices and the digest; %v", len(r.taken), r.faults)
	}
	for id, times := range r.taken {
		if times != 1 {
			t.Errorf("%s came %d times", id, times)
		}
	}
}

// A channel that does not answer is asked once a run, not once for each notice.
func TestADeadChannelIsKnockedAtOnceARun(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := newStore(t, now), newReceiver()
	r.answers = func() int { return 503 }
	for range 20 {
		store.open(records.EpisodeEvent{At: now, Kind: episodes.TellProvider})
	}
	s := serviceOf(store, &siteData{}, r, func() time.Time { return now }, time.UTC)
	for run := 1; run <= 3; run++ {
		if err := s.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		total := 0
		for _, times := range r.refused {
			total += times
		}
		if total != run {
			t.Errorf("after %d runs it was asked %d times", run, total)
		}
	}
}

// A notice that cannot be put into words is tried again and keeps no other back.
func TestOneThatCannotBeReadKeepsNoOtherBack(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := newStore(t, now), newReceiver()
	r.answers = func() int { return 200 }
	for _, stay := range []string{"unreadable", "S1", "S2"} {
		store.open(records.EpisodeEvent{At: now, Kind: episodes.TellProvider, StayID: stay})
	}
	s := serviceOf(store, &siteData{}, r, func() time.Time { return now }, time.UTC)
	if err := s.Run(t.Context()); err == nil {
		t.Error("nobody hears of it")
	}
	if len(r.taken) != 2 || store.delivery(noticeID(0)).State != records.DeliveryWaiting {
		t.Errorf("taken %v, then %v", r.taken, store.delivery(noticeID(0)))
	}
}

// An attempt that is cut off because the program stops is no failure of the
// channel; it is made again when its lease is over.
func TestStoppingAmidAnAttempt(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := newStore(t, now), newReceiver()
	ctx, cancel := context.WithCancel(t.Context())
	r.answers = func() int { cancel(); return 0 }
	store.open(records.EpisodeEvent{At: now, Kind: episodes.TellProvider})
	s := serviceOf(store, &siteData{}, r, func() time.Time { return now }, time.UTC)
	if err := s.Run(ctx); err != nil {
		t.Fatal(err)
	}
	d := store.delivery(noticeID(0))
	if d.State != records.DeliveryWaiting || d.Trouble != "" || !d.NextAt.Equal(now.Add(lease)) {
		t.Errorf("after it was stopped: %+v", d)
	}
	r.answers = func() int { return 200 }
	now = now.Add(lease)
	if err := s.Run(t.Context()); err != nil || store.delivery(noticeID(0)).State != records.DeliverySent {
		t.Errorf("after the restart: %+v %v", store.delivery(noticeID(0)), err)
	}
}

func TestSettingsOfTelling(t *testing.T) {
	good := map[string]string{"digest-before": "30m", "quiet-hours": "today=22:00-06:00", "notify-names": "no", "smtp-now": "no"}
	with := func(pairs ...string) map[string]string {
		out := map[string]string{}
		for k, v := range good {
			out[k] = v
		}
		for n := 0; n < len(pairs); n += 2 {
			out[pairs[n]] = pairs[n+1]
		}
		return out
	}
	s, err := ReadSettings(good)
	if err != nil || len(s.Channels) != 0 || s.Names || s.BriefingBefore != 30*time.Minute || len(s.Quiet) != 1 {
		t.Errorf("without channels: %+v %v", s, err)
	}
	s, err = ReadSettings(with("webhook-url", "https://r.example", "webhook-secret", secret, "smtp-address", "m.example:587", "smtp-from", "a@b.example",
		"smtp-to", "c@d.example", "notify-names", "yes", "public-url", "https://falls.example/"))
	if err != nil || len(s.Channels) != 2 || !s.Names || s.PublicURL != "https://falls.example" {
		t.Errorf("with both channels: %+v %v", s, err)
	}
	for name, bad := range map[string]map[string]string{
		"notify-names":   with("notify-names", "maybe"),
		"quiet-hours":    with("quiet-hours", "at night"),
		"digest-before":  with("digest-before", "13h"),
		"public-url":     with("public-url", "falls.example"),
		"webhook-secret": with("webhook-url", "https://r.example"),
		"smtp-from":      with("smtp-address", "m.example:587"),
		"smtp-now":       with("smtp-address", "m.example:587", "smtp-from", "a@b.example", "smtp-to", "c@d.example", "smtp-now", "1"),
	} {
		if _, err := ReadSettings(bad); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
