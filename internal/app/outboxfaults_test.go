package app

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/drill"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/outbox"
	"plumbline/internal/records"
)

// chart is what a record holds that honours identities, whichever way a message came.
type chart struct {
	mu       sync.Mutex
	systolic map[string]string // by identity, what it says last
	made     map[string]int    // how often it was charted
	wrong    []string          // a version after a later one
}

func newChart() *chart { return &chart{systolic: map[string]string{}, made: map[string]int{}} }

func (c *chart) put(identity, systolic string, first bool) {
	if first {
		c.made[identity]++
	}
	if first && c.made[identity] > 1 {
		c.wrong = append(c.wrong, identity+" was charted twice")
	}
	if !first && c.made[identity] == 0 {
		c.wrong = append(c.wrong, identity+" was corrected before it was charted")
	}
	c.systolic[identity] = systolic
}

// trouble draws what goes wrong with one message at the record.
type trouble struct {
	*rand.Rand
	mu    sync.Mutex
	until int // so many messages have trouble, then none
}

func (t *trouble) next() int {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.until--; t.until < 0 {
		return 9
	}
	return t.IntN(10)
}

// overMLLP is a record that takes HL7 v2, with its troubles. A message whose MSH-10 it knows it takes again
// without a change.
func (c *chart) overMLLP(tr *trouble) func(string) []string {
	known := map[string]bool{}
	return func(text string) []string {
		c.mu.Lock()
		defer c.mu.Unlock()
		control := controlOf(text)
		answer := func(code string) string {
			return "\x0bMSH|^~\\&|R|||||ACK|1|P|2.5.1\rMSA|" + code + "|" + control + "\r\x1c\r"
		}
		kind := tr.next()
		if kind == 0 {
			return []string{answer("AE")}
		}
		if kind == 1 {
			return []string{""} // it was lost on its way
		}
		if !known[control] {
			known[control] = true
			identity := ""
			for _, line := range strings.Split(text, "\r") {
				f := strings.Split(line, "|")
				if f[0] == "OBR" {
					identity, _, _ = strings.Cut(f[3], "^")
				}
				if f[0] == "OBX" && strings.HasPrefix(f[3], "8480-6") {
					c.put(identity, f[5], f[11] == "F")
				}
			}
		}
		switch kind {
		case 2:
			return []string{""} // the answer was lost after it stored
		case 3:
			return []string{answer("AA")[:30]}
		case 4:
			return []string{answer("AA"), answer("AA")}
		}
		return []string{answer("AA")}
	}
}

// answeringRecord is an address where each message of HL7 v2 is answered so. A connection ends after what is
// no whole answer.
func answeringRecord(t *testing.T, answer func(string) []string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	serve := func(c net.Conn) {
		defer func() { _ = c.Close() }()
		in := bufio.NewReader(c)
		for {
			text, err := in.ReadString(0x1c)
			if err != nil {
				return
			}
			for _, a := range answer(strings.Trim(text, "\x0b\x1c\r")) {
				if _, err := io.WriteString(c, a); err != nil || !strings.HasSuffix(a, "\x1c\r") {
					return
				}
			}
		}
	}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go serve(c)
		}
	}()
	return l.Addr().String()
}

func controlOf(text string) string { return strings.Split(strings.Split(text, "\r")[0], "|")[9] }

// overFHIR is a FHIR server, with its troubles.
func (c *chart) overFHIR(tr *trouble) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		text, _ := io.ReadAll(r.Body)
		c.mu.Lock()
		defer c.mu.Unlock()
		kind := tr.next()
		if kind < 2 {
			w.WriteHeader([]int{503, 500}[kind])
			return
		}
		var b struct {
			Entry []struct {
				Request  struct{ Method, URL, IfNoneExist string }
				Resource struct {
					Identifier []records.Identifier
					Component  []struct{ ValueQuantity struct{ Value json.Number } }
				}
			}
		}
		if json.Unmarshal(text, &b) != nil {
			w.WriteHeader(400)
			return
		}
		for _, e := range b.Entry {
			id, systolic := e.Resource.Identifier[0].Value, ""
			if len(e.Resource.Component) > 0 {
				systolic = e.Resource.Component[0].ValueQuantity.Value.String()
			}
			if created := e.Request.Method == "POST"; !created || c.made[id] == 0 {
				c.put(id, systolic, created)
			}
		}
		if kind == 2 || kind == 3 { // the answer was lost after it stored, whole or in half
			conn, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				_, _ = io.WriteString(conn, []string{"", "HTTP/1.1 200 OK\r\nContent-Length: 90\r\n\r\n{\"resource"}[kind-2])
				_ = conn.Close()
			}
		}
	}
}

// breaking is a store that fails now and then, as where the disk is full, the database starts anew, or the
// program is killed between sending and noting that.
type breaking struct {
	outbox.Store
	tr *trouble
}

var errBroken = errors.New("the database does not answer")

func (b breaking) DueOutgoing(ctx context.Context, channel string, at time.Time, limit int) ([]records.Outgoing, error) {
	if b.tr.next() == 0 {
		return nil, errBroken
	}
	return b.Store.DueOutgoing(ctx, channel, at, 1+b.tr.IntN(limit))
}

func (b breaking) Tried(ctx context.Context, o records.Outgoing, at time.Time) error {
	if b.tr.next() < 2 {
		return errBroken
	}
	return b.Store.Tried(ctx, o, at)
}

// troubled takes sets and corrects them while everything breaks, and says what the record holds at last.
func troubled(t *testing.T, way string, seed uint64) {
	r := rand.New(rand.NewPCG(16, seed))
	now := seven
	c, tr := newChart(), &trouble{Rand: rand.New(rand.NewPCG(61, seed)), until: 60}
	env := map[string]string{}
	if way == outbox.MLLP {
		env["PLUMBLINE_MLLP_SEND"] = answeringRecord(t, c.overMLLP(tr))
	} else {
		server := httptest.NewServer(c.overFHIR(tr))
		defer server.Close()
		env["PLUMBLINE_FHIR_SEND_URL"] = server.URL
	}
	p, s := outboxSite(t, env, &now)
	s.log = slog.New(slog.DiscardHandler)
	want := map[string]string{}
	newSender := func() *outbox.Sender {
		sender := s.newSender(p.clock)
		sender.Store = breaking{s.store, tr}
		if o, is := sender.Ways[outbox.MLLP].(*outbox.OverMLLP); is {
			o.Patience = 2 * time.Second
		}
		return sender
	}
	sender := newSender()
	for step := range 30 {
		now = now.Add(time.Duration(r.IntN(300)) * time.Second)
		switch r.IntN(6) {
		case 0, 1:
			k := takeSet(t, s, []string{"V1", "V2"}[r.IntN(2)], now)
			for _, v := range k.Versions(now) {
				want[v.SourceID] = fmt.Sprint(*v.Body.(clinical.Vitals).Systolic)
			}
		case 2:
			correctOne(t, s, want, now, float64(90+step), r)
		case 3: // killed, and started anew
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(r.IntN(8))*time.Millisecond)
			_ = sender.Run(ctx)
			cancel()
			sender = newSender()
		case 4:
			if r.IntN(3) == 0 {
				now = now.Add(-time.Hour) // the clock was set back
			}
		}
		_ = sender.Run(t.Context()) // it may fail
	}
	tr.mu.Lock()
	tr.until = 0 // all is well again
	tr.mu.Unlock()
	for range 60 {
		now = now.Add(time.Minute)
		if err := sender.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for id, systolic := range want {
		if c.systolic[id] != systolic || c.made[id] != 1 {
			t.Errorf("seed %d: %s is %q and was charted %d times, want %q once", seed, id, c.systolic[id], c.made[id], systolic)
		}
	}
	if len(c.wrong) > 0 {
		t.Errorf("seed %d: %s", seed, c.wrong)
	}
	if states, err := s.store.OutboxStates(t.Context()); err != nil || len(states) > 0 && states[0].Waiting+states[0].Refused > 0 {
		t.Errorf("seed %d: something is left: %+v, %v", seed, states, err)
	}
}

// correctOne corrects one reading here.
func correctOne(t *testing.T, s *site, want map[string]string, at time.Time, systolic float64, r *rand.Rand) {
	t.Helper()
	var ids []string
	for id := range want {
		ids = append(ids, id)
	}
	if len(ids) == 0 {
		return
	}
	here, err := s.store.TakenHere(t.Context(), ids)
	if err != nil {
		t.Fatal(err)
	}
	id := ids[r.IntN(len(ids))]
	versions := here[id].Versions
	v := versions[len(versions)-1]
	b := v.Body.(clinical.Vitals)
	b.Systolic = &systolic
	v.Body, v.Status, v.RecordedAt = b, clinical.Corrected, at
	m := records.Message{Feed: bedside.Feed, ID: bedside.NewID(), Sum: "x", StayID: v.StayID, Who: "nurse-1", ReceivedAt: at}
	if _, err := s.loader.Record(t.Context(), m, []clinical.Version{v}); err != nil {
		t.Fatal(err)
	}
	want[id] = fmt.Sprint(systolic)
}

func TestWhateverBreaksEachSetIsChartedOnce(t *testing.T) {
	for seed := range uint64(3) {
		for _, way := range outbox.Channels {
			troubled(t, way, seed)
		}
	}
}

func TestDrillWhateverBreaksEachSetIsChartedOnce(t *testing.T) {
	drill.Only(t)
	for seed := range uint64(150) {
		for _, way := range outbox.Channels {
			troubled(t, way, 100+seed)
		}
	}
}
