package app

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/drill"
	"plumbline/internal/notify"
	"plumbline/internal/notify/notifytest"
	"plumbline/internal/records"
	"plumbline/internal/store"
)

// webhookSecret is the base64 of 32 bytes, made for these tests.
var webhookSecret = base64.StdEncoding.EncodeToString([]byte("for tests alone, 32 bytes long !"))

// webhookReceiver takes what is posted to it, and checks each signature.
type webhookReceiver struct {
	*httptest.Server
	mu     sync.Mutex
	taken  map[string]int
	bodies map[string]string
	faults []string
}

func newWebhookReceiver(t *testing.T) *webhookReceiver {
	r := &webhookReceiver{taken: map[string]int{}, bodies: map[string]string{}}
	r.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		r.mu.Lock()
		defer r.mu.Unlock()
		id := q.Header.Get("webhook-id")
		key, _ := base64.StdEncoding.DecodeString(webhookSecret)
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + q.Header.Get("webhook-timestamp") + "." + string(body)))
		var said struct{ ID string }
		switch {
		case err != nil || "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)) != q.Header.Get("webhook-signature"):
			r.faults = append(r.faults, fmt.Sprintf("the signature of %q does not hold: %v", id, err))
		case json.Unmarshal(body, &said) != nil || said.ID != id:
			r.faults = append(r.faults, fmt.Sprintf("%q says it is %q", id, said.ID))
		case r.taken[id] > 0 && r.bodies[id] != string(body):
			r.faults = append(r.faults, fmt.Sprintf("%q says something else: %s\n%s", id, r.bodies[id], body))
		}
		r.taken[id]++
		r.bodies[id] = string(body)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *webhookReceiver) count() (messages, times int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, n := range r.taken {
		times += n
	}
	return len(r.taken), times
}

// killedStore is a program that dies before or after its nth call of the store,
// and does nothing from then on.
type killedStore struct {
	*store.Store
	mu    sync.Mutex
	calls int
	after bool
}

var errKilled = errors.New("killed")

func (k *killedStore) call(do func() error) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.calls--
	if k.calls < 0 || k.calls == 0 && !k.after {
		return errKilled
	}
	err := do()
	if k.calls == 0 {
		return errKilled
	}
	return err
}

func (k *killedStore) NoticesUntold(ctx context.Context, channel string, at time.Time, limit int) (out []records.Notice, err error) {
	return out, k.call(func() (err error) { out, err = k.Store.NoticesUntold(ctx, channel, at, limit); return err })
}

func (k *killedStore) AddDeliveries(ctx context.Context, list []records.NoticeDelivery, seen []string, at time.Time) error {
	return k.call(func() error { return k.Store.AddDeliveries(ctx, list, seen, at) })
}

func (k *killedStore) DeliveriesDue(ctx context.Context, channel string, at time.Time, limit int) (out []records.NoticeDelivery, err error) {
	return out, k.call(func() (err error) { out, err = k.Store.DeliveriesDue(ctx, channel, at, limit); return err })
}

func (k *killedStore) ClaimDelivery(ctx context.Context, d records.NoticeDelivery, until time.Time) (mine bool, err error) {
	return mine, k.call(func() (err error) { mine, err = k.Store.ClaimDelivery(ctx, d, until); return err })
}

func (k *killedStore) FinishDelivery(ctx context.Context, d records.NoticeDelivery, at time.Time) error {
	return k.call(func() error { return k.Store.FinishDelivery(ctx, d, at) })
}

// demoNames are the names of the demo unit's patients, and each part of them.
func demoNames(t *testing.T, s *site, now time.Time) []string {
	t.Helper()
	var out []string
	for _, unit := range []string{demo.MainUnit, demo.SecondUnit} {
		list, err := s.service.Live(context.Background(), unit, now)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range list {
			out = append(out, strings.FieldsFunc(a.Digest.Stay.Name, func(r rune) bool { return r == ' ' || r == ',' })...)
		}
	}
	if len(out) < 20 {
		t.Fatalf("only %d names: the test shows nothing", len(out))
	}
	return out
}

func tellBy(t *testing.T, s *site, url string, server *notifytest.SMTP, names string) {
	t.Helper()
	var err error
	s.settings.notify, err = notify.ReadSettings(map[string]string{
		"webhook-url": url, "webhook-secret": webhookSecret, "digest-before": "30m", "notify-names": names, "public-url": "https://falls.example",
		"smtp-address": server.Address, "smtp-from": "falls@hospital.example", "smtp-to": "huddle@hospital.example", "smtp-now": "yes",
	})
	if err != nil {
		t.Fatal(err)
	}
}

// Everything that the demo unit opens is told, wherever the program is killed on
// the way: nothing is lost, and nothing comes twice but what was under way.
func TestAKilledProgramLosesNothingItHasToTell(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		ctx := context.Background()
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		names := demoNames(t, s, now)
		receiver, server := newWebhookReceiver(t), notifytest.Serve(t, notifytest.Options{})
		tellBy(t, s, receiver.URL, server, "no")
		clock := func() time.Time { return now }
		service := func() *notify.Service {
			service, err := s.telling(clock)
			if err != nil {
				t.Fatal(err)
			}
			return service
		}
		if err := service().Start(ctx); err != nil {
			t.Fatal(err)
		}
		stepAll(t, s, now)
		want := notices(t, s)
		kills := 0
		for calls := 1; ; calls++ {
			killed := service()
			killed.Store = &killedStore{Store: s.store, calls: calls, after: calls%2 == 0}
			err := killed.Run(ctx)
			if err == nil {
				break
			}
			if !errors.Is(err, errKilled) {
				t.Fatal(err)
			}
			kills++
			now = now.Add(3 * time.Minute) // past the lease
		}
		if err := service().Run(ctx); err != nil {
			t.Fatal(err)
		}
		if len(receiver.faults) > 0 {
			t.Error(strings.Join(receiver.faults, "\n"))
		}
		messages, times := receiver.count()
		if messages < want || kills < 5 {
			t.Errorf("%d messages came after %d kills, want the %d notices", messages, kills, want)
		}
		if times > messages+kills {
			t.Errorf("%d messages came %d times in all after %d kills", messages, times, kills)
		}
		letters := map[string]int{}
		for _, l := range server.Letters() {
			m, err := mail.ReadMessage(strings.NewReader(l.Data))
			if err != nil {
				t.Fatal(err)
			}
			letters[m.Header.Get("Message-Id")]++
			checkNoNames(t, l.Data, names)
		}
		urgent := 0
		for id, body := range receiver.bodies {
			checkNoNames(t, id+body, names)
			if strings.Contains(body, `"tier":"now"`) {
				urgent++
			}
		}
		if len(letters) < urgent || urgent == 0 || len(letters) > urgent+1 { // and the digest, if it is time
			t.Errorf("%d e-mails came, want the %d notices of the tier now", len(letters), urgent)
		}
		health, err := service().Health(ctx)
		if err != nil || len(health) != 2 || health[0].Waiting+health[1].Waiting > 0 || health[0].LastSent.IsZero() || !health[1].FailingSince.IsZero() {
			t.Errorf("the channels stand so: %+v %v", health, err)
		}
	})
}

func checkNoNames(t *testing.T, data string, names []string) {
	t.Helper()
	for _, name := range names {
		if strings.Contains(data, name) {
			t.Errorf("%q leaves the program:\n%s", name, data)
		}
	}
}

func TestNamesLeaveTheProgramOnlyWhereTurnedOn(t *testing.T) {
	ctx := context.Background()
	now := demo.AnchorTime()
	s := openSite(t, "", now)
	receiver, server := newWebhookReceiver(t), notifytest.Serve(t, notifytest.Options{})
	tellBy(t, s, receiver.URL, server, "yes")
	service, err := s.telling(func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	if err := service.Start(ctx); err != nil {
		t.Fatal(err)
	}
	stepAll(t, s, now)
	if err := service.Run(ctx); err != nil {
		t.Fatal(err)
	}
	for id, body := range receiver.bodies {
		if strings.HasPrefix(id, "digest") {
			continue
		}
		var said struct {
			Name   string
			StayID string `json:"stay_id"`
			Bed    string
		}
		if err := json.Unmarshal([]byte(body), &said); err != nil || said.Name == "" || said.Bed == "" {
			t.Errorf("with names on: %s %v", body, err)
		}
	}
	if len(receiver.bodies) == 0 {
		t.Error("nothing was told")
	}
}

// One digest a day through the spring change, on a program that is started anew
// for every look.
func TestTheDigestComesOnceADay(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		ctx := context.Background()
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		var err error
		if s.settings.zone, err = time.LoadLocation("Europe/Zurich"); err != nil {
			t.Fatal(err)
		}
		receiver, server := newWebhookReceiver(t), notifytest.Serve(t, notifytest.Options{})
		tellBy(t, s, receiver.URL, server, "no")
		now = time.Date(2027, 3, 27, 0, 0, 0, 0, time.UTC)
		run := func() {
			service, err := s.telling(func() time.Time { return now })
			if err == nil {
				err = errors.Join(service.Start(ctx), service.Run(ctx))
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		for end := now.AddDate(0, 0, 3); now.Before(end); now = now.Add(10 * time.Minute) {
			run()
		}
		messages, times := receiver.count()
		if messages != 3 || times != 3 || len(server.Letters()) != 3 {
			t.Errorf("%d digests came %d times by webhook, %d by e-mail; want 3", messages, times, len(server.Letters()))
		}
		for _, c := range []struct{ date, hour string }{{"2027-03-27", "T05:3"}, {"2027-03-28", "T04:3"}, {"2027-03-29", "T04:3"}} {
			if body := receiver.bodies["digest-"+c.date]; !strings.Contains(body, `"at":"`+c.date+c.hour) {
				t.Errorf("the digest of %s: %s, want one of 06:30 in Zurich", c.date, body)
			}
		}
	})
}

// serve tells by its settings, and once over restarts.
func TestServeTellsByWebhook(t *testing.T) {
	drill.Long(t)
	dir := t.TempDir()
	feed := filepath.Join(dir, "feed")
	if err := writeDemoFeed(feed, clinical.SystemClock()); err != nil {
		t.Fatal(err)
	}
	secretFile := filepath.Join(dir, "secret")
	if err := os.WriteFile(secretFile, []byte("whsec_"+webhookSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	checkUnits(t, bareSite(t, filepath.Join(dir, "test.db"), time.Now()))
	receiver := newWebhookReceiver(t)
	env := map[string]string{
		"PLUMBLINE_DATABASE": filepath.Join(dir, "test.db"), "PLUMBLINE_FEED_DIR": feed, "PLUMBLINE_FEED_EVERY": "@every 1s", "PLUMBLINE_FEED_SETTLE": "0s",
		"PLUMBLINE_WEBHOOK_URL": receiver.URL, "PLUMBLINE_WEBHOOK_SECRET_FILE": secretFile, "PLUMBLINE_QUIET_HOURS": "none",
	}
	// What is told of the same feed on a database beside it: not every opening is.
	beside := bareSite(t, filepath.Join(dir, "beside.db"), time.Now())
	if _, err := beside.loader.Load(t.Context(), []string{feed}, "test"); err != nil {
		t.Fatal(err)
	}
	stepAll(t, beside, beside.loader.Clock())
	want := notices(t, beside)
	if want < 15 {
		t.Fatalf("only %d notices are expected of the demo unit", want)
	}
	for range 2 {
		_, stop := start(t, []string{"serve", "--listen", "127.0.0.1:0"}, env)
		within(t, "what the demo unit owes is told", func() bool {
			messages, _ := receiver.count()
			return messages >= want
		})
		if code := stop(); code != 0 {
			t.Errorf("serve ended with %d", code)
		}
	}
	messages, times := receiver.count()
	if len(receiver.faults) > 0 || times > messages+1 { // one may have been under way when it was stopped
		t.Errorf("%d messages came %d times; %v", messages, times, receiver.faults)
	}
}

// While a unit is in commissioning nobody is told of its patients, by no channel and in no
// digest; the digest says that it is. Once its feeds were checked, what is owed then is told.
func TestNobodyIsToldOfAUnitBeforeItsFeedsWereChecked(t *testing.T) {
	drill.Long(t)
	eachEngine(t, func(t *testing.T, database string) {
		ctx := t.Context()
		now := demo.AnchorTime()
		s := openSite(t, database, now)
		checks := s.checks(func() time.Time { return now })
		say := func(checked bool) {
			t.Helper()
			if err := checks.Say(ctx, demo.MainUnit, checked, "root"); err != nil {
				t.Fatal(err)
			}
		}
		say(false)
		receiver, server := newWebhookReceiver(t), notifytest.Serve(t, notifytest.Options{})
		tellBy(t, s, receiver.URL, server, "no")
		run := func() {
			t.Helper()
			service, err := s.telling(func() time.Time { return now })
			if err == nil {
				err = errors.Join(service.Start(ctx), service.Run(ctx))
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		run() // so that the channels are there before anything opens
		stepAll(t, s, now)
		told := func() (units map[string]int) {
			receiver.mu.Lock()
			defer receiver.mu.Unlock()
			units = map[string]int{}
			for _, body := range receiver.bodies {
				var said struct{ Type, Unit string }
				if err := json.Unmarshal([]byte(body), &said); err != nil {
					t.Fatal(err)
				}
				if said.Type == "notice" {
					units[said.Unit]++
				}
			}
			return units
		}
		for range 18 { // through quiet hours and the digest of the next morning
			now = now.Add(2 * time.Hour)
			run()
		}
		if units := told(); units[demo.MainUnit] > 0 || units[demo.SecondUnit] == 0 {
			t.Fatalf("notices by unit: %v, want none of %s and some of %s", units, demo.MainUnit, demo.SecondUnit)
		}
		digests := 0
		for id, body := range receiver.bodies {
			if !strings.HasPrefix(id, "digest-") {
				continue
			}
			digests++
			if !strings.Contains(body, `"commissioning":["`+demo.MainUnit+`"]`) || strings.Contains(body, `"unit":"`+demo.MainUnit+`"`) {
				t.Errorf("the digest: %s", body)
			}
		}
		for _, l := range server.Letters() {
			if strings.Contains(l.Data, "Unit "+demo.MainUnit+"\r\n") {
				t.Errorf("an e-mail tells of the unit:\n%s", l.Data)
			}
		}
		if digests == 0 || len(server.Letters()) == 0 {
			t.Fatalf("%d digests, %d e-mails: the test shows nothing", digests, len(server.Letters()))
		}
		say(true)
		now = now.Add(20 * time.Minute)
		run()
		if units := told(); units[demo.MainUnit] == 0 {
			t.Error("its feeds were checked, and nobody is told of what is owed")
		}
		before := told()[demo.MainUnit]
		say(false)
		stepAll(t, s, now)
		now = now.Add(20 * time.Minute)
		run()
		if after := told()[demo.MainUnit]; after != before {
			t.Errorf("put back into commissioning, %d further notices were told", after-before)
		}
	})
}
