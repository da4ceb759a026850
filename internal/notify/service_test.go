package notify

import (
	"bytes"
	"cmp"
	"context"
	"errors"
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
	"plumbline/internal/episodes"
	"plumbline/internal/feedcheck"
	"plumbline/internal/records"
)

// memory is a store for tests. It stops the program where a test says so.
type memory struct {
	mu         sync.Mutex
	channels   []string
	notices    []records.Notice
	deliveries map[[2]string]records.NoticeDelivery
	stopIn     int // 2n: the program is killed before its nth call; 2n+1: after it; 0: not
}

// errKilled is what a program that is killed sees: nothing it does counts any more.
var errKilled = errors.New("killed")

// call does what a call does, unless the program is killed by then.
func (m *memory) call(do func()) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.stopIn == dead {
		return errKilled
	}
	if m.stopIn > 0 {
		m.stopIn -= 2
		switch m.stopIn {
		case 0:
			m.stopIn = dead
			return errKilled
		case 1:
			do() // written, and the answer never comes back
			m.stopIn = dead
			return errKilled
		}
	}
	do()
	return nil
}

const dead = -1

// restart is a new program on the store.
func (m *memory) restart(stopIn int) { m.stopIn = stopIn }

func (m *memory) SetChannels(_ context.Context, channels []string, _ time.Time) error {
	return m.call(func() { m.channels = channels })
}

func (m *memory) NoticesUntold(_ context.Context, channel string, _ time.Time, limit int) (out []records.Notice, err error) {
	return out, m.call(func() {
		for _, n := range m.notices {
			if _, there := m.deliveries[[2]string{n.ID, channel}]; !there && len(out) < limit {
				out = append(out, n)
			}
		}
	})
}

func (m *memory) AddDeliveries(_ context.Context, list []records.NoticeDelivery, _ []string, _ time.Time) error {
	return m.call(func() {
		for _, d := range list {
			if _, there := m.deliveries[[2]string{d.ID, d.Channel}]; !there {
				m.deliveries[[2]string{d.ID, d.Channel}] = d
			}
		}
	})
}

func (m *memory) ChannelsWithout(_ context.Context, id string, _ time.Time) (out []string, err error) {
	return out, m.call(func() {
		for _, c := range m.channels {
			if _, there := m.deliveries[[2]string{id, c}]; !there {
				out = append(out, c)
			}
		}
	})
}

func (m *memory) DeliveriesDue(_ context.Context, channel string, at time.Time, limit int) (out []records.NoticeDelivery, err error) {
	return out, m.call(func() {
		for _, d := range m.deliveries {
			if d.Channel != channel || d.NextAt.After(at) || d.State != records.DeliveryWaiting && d.State != records.DeliveryHeld {
				continue
			}
			for n := range m.notices {
				if m.notices[n].ID == d.ID {
					notice := m.notices[n]
					d.Notice = &notice
				}
			}
			out = append(out, d)
		}
		slices.SortFunc(out, func(a, b records.NoticeDelivery) int {
			return cmp.Or(a.NextAt.Compare(b.NextAt), strings.Compare(a.ID, b.ID))
		})
		out = out[:min(limit, len(out))]
	})
}

func (m *memory) ClaimDelivery(_ context.Context, d records.NoticeDelivery, until time.Time) (mine bool, err error) {
	return mine, m.call(func() {
		row := m.deliveries[[2]string{d.ID, d.Channel}]
		if mine = row.Attempts == d.Attempts; mine {
			row.Attempts, row.NextAt = row.Attempts+1, until
			m.deliveries[[2]string{d.ID, d.Channel}] = row
		}
	})
}

func (m *memory) FinishDelivery(_ context.Context, d records.NoticeDelivery, _ time.Time) error {
	return m.call(func() { m.deliveries[[2]string{d.ID, d.Channel}] = d })
}

func (m *memory) ChannelStates(context.Context, time.Time) ([]records.ChannelHealth, error) {
	return nil, nil
}

// board is the site's data of a test: everybody has a name.
type board struct {
	mu   sync.Mutex
	owed []records.Episode
	news FeedNews
}

func (*board) Gaps(context.Context) ([]feedcheck.Gap, error) { return nil, nil }

func (b *board) FeedNews(context.Context) (FeedNews, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.news, nil
}

func (b *board) Owed(context.Context) ([]records.Episode, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.owed, nil
}

func (*board) Ages(context.Context, time.Time) (map[string]alerts.Freshness, error) { return nil, nil }

func (*board) Age(context.Context, string, time.Time) (alerts.Freshness, error) {
	return alerts.Freshness{}, nil
}

func (*board) Place(_ context.Context, stayID string, _ time.Time) (Place, error) {
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
	rapid.Check(t, func(t *rapid.T) {
		z := zone(t, rapid.SampledFrom([]string{"Europe/Zurich", "America/New_York", "America/Santiago"}).Draw(t, "zone"))
		now := time.Date(2026, rapid.SampledFrom([]time.Month{3, 4, 9, 10, 11}).Draw(t, "month"), rapid.IntRange(1, 28).Draw(t, "day"), 3, 0, 0, 0, time.UTC)
		store, b, r := &memory{deliveries: map[[2]string]records.NoticeDelivery{}}, &board{}, newReceiver()
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
				n := len(store.notices)
				e := records.EpisodeEvent{EpisodeID: fmt.Sprintf("e%d", n), N: 1, At: now, What: episodes.Opened, Unit: "4W", StayID: "S1",
					Kind: rapid.SampledFrom(kinds).Draw(t, "kind"), Rule: alerts.TPrecaution, Figures: alerts.MissingFigures{Missing: []string{"bed alarm"}}}
				store.notices = append(store.notices, records.Notice{ID: fmt.Sprintf("e%d.1", n), Event: e, Rule: e.Rule, Figures: e.Figures, Owed: true})
			case 1:
				if len(store.notices) > 0 {
					n := rapid.IntRange(0, len(store.notices)-1).Draw(t, "which")
					store.notices[n].Owed = false
					ended = append(ended, store.notices[n].ID)
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
		for _, n := range store.notices {
			d := store.deliveries[[2]string{n.ID, "webhook"}]
			switch id := MessageID(n.ID); {
			case d.State == records.DeliverySent && r.taken[id] > 0:
			case d.State == records.DeliveryFailed && d.Attempts >= finalTries:
			case d.State == records.DeliveryDropped && slices.Contains(ended, n.ID):
			default:
				t.Errorf("%s of %s is %s after %d attempts, taken %d times", id, n.Event.At, d.State, d.Attempts, r.taken[id])
			}
		}
		for d := range dates {
			if row, made := store.deliveries[[2]string{BriefingID(d), "webhook"}]; !made || row.State != records.DeliveryFailed && r.taken[BriefingID(d)] == 0 {
				t.Errorf("the digest of %s: made %v, %s, taken %d times", d, made, row.State, r.taken[BriefingID(d)])
			}
		}
	})
}

// Without failures and kills each message comes exactly once.
func TestWithoutTroubleEachMessageComesOnce(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := &memory{deliveries: map[[2]string]records.NoticeDelivery{}}, newReceiver()
	r.answers = func() int { return 200 }
	for n := range 500 { // more than one batch
		at := now.Add(time.Duration(n) * time.Second)
		e := records.EpisodeEvent{At: at, Kind: episodes.FallWithoutSet, Unit: "4W", StayID: "S1", Rule: alerts.TPrecaution}
		store.notices = append(store.notices, records.Notice{ID: fmt.Sprintf("e%d.1", n), Event: e, Rule: e.Rule, Owed: true})
	}
	s := serviceOf(store, &board{}, r, func() time.Time { return now }, zone(t, "Europe/Zurich"))
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
	store, r := &memory{deliveries: map[[2]string]records.NoticeDelivery{}}, newReceiver()
	r.answers = func() int { return 503 }
	for n := range 20 {
		store.notices = append(store.notices, records.Notice{ID: fmt.Sprintf("e%d.1", n), Event: records.EpisodeEvent{At: now, Kind: episodes.TellProvider}, Owed: true})
	}
	s := serviceOf(store, &board{}, r, func() time.Time { return now }, time.UTC)
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
	store, r := &memory{deliveries: map[[2]string]records.NoticeDelivery{}}, newReceiver()
	r.answers = func() int { return 200 }
	for n, stay := range []string{"unreadable", "S1", "S2"} {
		e := records.EpisodeEvent{At: now, Kind: episodes.TellProvider, StayID: stay}
		store.notices = append(store.notices, records.Notice{ID: fmt.Sprintf("e%d.1", n), Event: e, Owed: true})
	}
	s := serviceOf(store, &board{}, r, func() time.Time { return now }, time.UTC)
	if err := s.Run(t.Context()); err == nil {
		t.Error("nobody hears of it")
	}
	if len(r.taken) != 2 || store.deliveries[[2]string{"e0.1", "webhook"}].State != records.DeliveryWaiting {
		t.Errorf("taken %v, then %v", r.taken, store.deliveries)
	}
}

// An attempt that is cut off because the program stops is no failure of the
// channel; it is made again when its lease is over.
func TestStoppingAmidAnAttempt(t *testing.T) {
	now := moment(t, "2026-03-28T12:00:00Z")
	store, r := &memory{deliveries: map[[2]string]records.NoticeDelivery{}}, newReceiver()
	ctx, cancel := context.WithCancel(t.Context())
	r.answers = func() int { cancel(); return 0 }
	store.notices = []records.Notice{{ID: "e.1", Event: records.EpisodeEvent{At: now, Kind: episodes.TellProvider}, Owed: true}}
	s := serviceOf(store, &board{}, r, func() time.Time { return now }, time.UTC)
	if err := s.Run(ctx); err != nil {
		t.Fatal(err)
	}
	d := store.deliveries[[2]string{"e.1", "webhook"}]
	if d.State != records.DeliveryWaiting || d.Trouble != "" || !d.NextAt.Equal(now.Add(lease)) {
		t.Errorf("after it was stopped: %+v", d)
	}
	r.answers = func() int { return 200 }
	now = now.Add(lease)
	if err := s.Run(t.Context()); err != nil || store.deliveries[[2]string{"e.1", "webhook"}].State != records.DeliverySent {
		t.Errorf("after the restart: %+v %v", store.deliveries, err)
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
