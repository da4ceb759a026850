package app

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/bedside"
	"plumbline/internal/ingest/mllp"
)

// theRecord is a receiver of HL7 v2 that honours identities: what it holds, by OBR-3 and MSH-10.
type theRecord struct {
	mu       sync.Mutex
	address  string
	messages map[string]string // by MSH-10
	came     []string          // MSH-10 of each message, repeats too
	answer   func(control, text string) (code string, loses bool)
}

// newRecord listens until the test ends. answer may say AE or AR in place of AA, or lose the answer
// after storing.
func newRecord(t *testing.T, answer func(control, text string) (string, bool)) *theRecord {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &theRecord{address: l.Addr().String(), messages: map[string]string{}, answer: answer}
	server := &mllp.Server{
		Receive: r.receive, Clock: time.Now, MaxMessage: 1 << 20, MessageTime: time.Minute, AnswerTime: time.Minute,
		Connections: 10, Log: slog.New(slog.DiscardHandler),
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(ctx, l) }()
	t.Cleanup(func() { cancel(); <-done })
	return r
}

func (r *theRecord) receive(_ context.Context, text []byte) ([]byte, error) {
	control := strings.Split(string(text), "|")[9]
	code, loses := "AA", false
	if r.answer != nil {
		code, loses = r.answer(control, string(text))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.came = append(r.came, control)
	if code == "AA" {
		r.messages[control] = string(text)
	}
	if loses {
		return nil, net.ErrClosed
	}
	return []byte("MSH|^~\\&|R|||||ACK|1|P|2.5.1\rMSA|" + code + "|" + control + "|as the test has it\r"), nil
}

// outboxSite is an open site that sends to an address, with one stay.
func outboxSite(t *testing.T, env map[string]string, now *time.Time) (process, *site) {
	t.Helper()
	if env["PLUMBLINE_DATABASE"] == "" {
		env["PLUMBLINE_DATABASE"] = filepath.Join(t.TempDir(), "p.db")
	}
	p := process{
		env: func(k string) string { return env[k] }, stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{},
		clock: func() time.Time { return *now },
	}
	s, _, err := p.parse("serve", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	opened, err := p.open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(opened.close)
	stays := "stay_id,patient_id,unit,admitted_at\nV1,P1,4W,2026-11-24T07:00:00Z\nV2,P2,4W,2026-11-24T07:00:00Z\n"
	path := filepath.Join(t.TempDir(), "stays.csv")
	if err := os.WriteFile(path, []byte(stays), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := opened.loader.Load(t.Context(), []string{path}, "test"); err != nil {
		t.Fatal(err)
	}
	return p, opened
}

// takeSet takes a set of two readings here, as the bedside form does.
func takeSet(t *testing.T, s *site, stay string, at time.Time) bedside.Kept {
	t.Helper()
	value := func(v float64) *float64 { return &v }
	set := bedside.Set{ID: bedside.NewID(), StayID: stay, Mobility: bedside.MayStand, Limb: "left arm"}
	set.Readings = []bedside.Reading{
		{Name: bedside.Base, Vitals: clinical.Vitals{
			TakenAt: at.Add(-4 * time.Minute), Systolic: value(142), Diastolic: value(78), HeartRate: value(70),
			Position: clinical.Lying, Limb: "left arm", SetID: set.ID, MinutesInPosition: value(5),
		}},
		{Name: bedside.First, Vitals: clinical.Vitals{
			TakenAt: at.Add(-2 * time.Minute), Systolic: value(108), Diastolic: value(66), HeartRate: value(78),
			Position: clinical.Standing, Limb: "left arm", SetID: set.ID, MinutesInPosition: value(1), Symptoms: []string{"dizziness"},
		}},
	}
	k := bedside.Kept{Set: set, Who: "nurse-1", At: at}
	if _, err := s.loader.Record(t.Context(), k.Message(), k.Versions(k.At)); err != nil {
		t.Fatal(err)
	}
	return k
}

func TestASetReachesTheRecordOnceThoughAnswersAreLost(t *testing.T) {
	now := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	lost := 0
	record := newRecord(t, func(_, text string) (string, bool) {
		switch {
		case strings.Contains(text, "||P2^^^^MR"):
			return "AR", false
		case lost < 2:
			lost++
			return "AA", true // stored, and nobody here knows
		}
		return "AA", false
	})
	p, s := outboxSite(t, map[string]string{"PLUMBLINE_MLLP_SEND": record.address}, &now)
	sender := s.newSender(p.clock)
	run := func() {
		t.Helper()
		if err := sender.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	takeSet(t, s, "V2", now) // its patient is refused, and holds up nobody
	takeSet(t, s, "V1", now)
	for range 4 {
		run()
		now = now.Add(time.Minute)
	}
	if len(record.messages) != 1 || len(record.came) != 4 {
		t.Errorf("the record holds %d messages after %d came, want 1 after 4", len(record.messages), len(record.came))
	}
	for _, text := range record.messages {
		if !strings.Contains(text, "Set: ") || !strings.Contains(text, "34") { // the finding with its drop
			t.Errorf("the message lacks what was found:\n%s", strings.ReplaceAll(text, "\r", "\n"))
		}
	}
	out := p.stdout.(*bytes.Buffer)
	if err := outboxCommand(t.Context(), p, []string{"list", "--format", "json"}); err != nil {
		t.Fatal(err)
	}
	var listed struct{ Outbox []outboxRow }
	if err := json.Unmarshal(out.Bytes(), &listed); err != nil {
		t.Fatal(err)
	}
	if len(listed.Outbox) != 1 || listed.Outbox[0].StayID != "V2" || listed.Outbox[0].Reason != "AR: as the test has it" {
		t.Fatalf("listed: %+v", listed.Outbox)
	}
	record.answer = nil // put right
	out.Reset()
	if err := outboxCommand(t.Context(), p, []string{"retry"}); err != nil || !strings.Contains(out.String(), "1 messages") {
		t.Fatalf("%v %s", err, out)
	}
	run()
	if states, err := s.store.OutboxStates(t.Context()); err != nil || len(record.messages) != 2 || states[0].Waiting+states[0].Refused != 0 {
		t.Errorf("after the retry: %+v, %v", states, err)
	}
}

func TestWithoutAWayNothingIsQueued(t *testing.T) {
	now := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	for name, env := range map[string]map[string]string{
		"no way": {}, "another unit": {"PLUMBLINE_MLLP_SEND": "127.0.0.1:1", "PLUMBLINE_SEND_UNITS": "7E, 8N"},
	} {
		_, s := outboxSite(t, env, &now)
		takeSet(t, s, "V1", now)
		if all, err := s.store.Unsent(t.Context(), 10); err != nil || len(all) != 0 {
			t.Errorf("%s: %v, %v", name, all, err)
		}
	}
}
