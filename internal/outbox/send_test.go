package outbox_test

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/outbox"
	"plumbline/internal/records"
	"plumbline/internal/smart"
)

// controlOf is MSH-10 of a message.
func controlOf(text string) string { return strings.Split(strings.Split(text, "\r")[0], "|")[9] }

// answering is an address where each message is answered so; nothing is written for "", and the
// connection ends after an answer without its last byte.
func answering(t *testing.T, answer func(control string) []string) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer func() { _ = c.Close() }()
				in := bufio.NewReader(c)
				for {
					text, err := in.ReadString(0x1c)
					if err != nil {
						return
					}
					for _, a := range answer(controlOf(text)) {
						_, _ = io.WriteString(c, a)
						if !strings.HasSuffix(a, "\x1c\r") {
							return
						}
					}
				}
			}()
		}
	}()
	return l.Addr().String()
}

func ack(code, control, more string) string {
	return "\x0bMSH|^~\\&|R|||||ACK|1|P|2.5.1\rMSA|" + code + "|" + control + more + "\r\x1c\r"
}

func anItem(t *testing.T) outbox.Item {
	facts := theSet()
	return queued(t, outbox.Maker{Codes: table(t)}, outbox.MLLP, sending(1, facts...), facts...)[0]
}

func TestAnswersByMLLPAreToldApart(t *testing.T) {
	item := anItem(t)
	for _, c := range []struct {
		what   string
		answer func(control string) []string
		want   outbox.Result
	}{
		{"taken", func(id string) []string { return []string{ack("AA", id, "")} }, outbox.Result{Outcome: outbox.Taken, Answer: "AA"}},
		{"its fault", func(id string) []string { return []string{ack("AE", id, "|busy")} }, outbox.Result{Outcome: outbox.Again, Answer: "AE: busy"}},
		{
			"refused, with an ERR", func(id string) []string {
				return []string{ack("AR", id, "\rERR|||204^unknown key|E||||no such patient")}
			}, outbox.Result{Outcome: outbox.Refused, Answer: "AR: no such patient"},
		},
		{
			"an answer to another before it", func(id string) []string { return []string{ack("AR", "other", ""), ack("AA", id, "")} },
			outbox.Result{Outcome: outbox.Taken, Answer: "AA"},
		},
		{
			"half an answer", func(id string) []string { return []string{"\x0bMSH|^~\\&|R\rMSA|AA|" + id} },
			outbox.Result{Outcome: outbox.Again, Answer: "no whole answer came: unexpected EOF"},
		},
		{"none", func(string) []string { return nil }, outbox.Result{Outcome: outbox.Again, Answer: "no whole answer came: it took too long"}},
		{
			"one without MSA", func(string) []string { return []string{"\x0bMSH|^~\\&|R\r\x1c\r"} },
			outbox.Result{Outcome: outbox.Again, Answer: "the answer is to another message, or to none"},
		},
	} {
		way := &outbox.OverMLLP{Address: answering(t, c.answer), HL7: hl7, Clock: time.Now, Patience: time.Second}
		if got := way.Send(t.Context(), item); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.what, got, c.want)
		}
		way.Close()
	}
	l, _ := net.Listen("tcp", "127.0.0.1:0")
	_ = l.Close()
	way := &outbox.OverMLLP{Address: l.Addr().String(), HL7: hl7, Clock: time.Now, Patience: time.Second}
	if got := way.Send(t.Context(), item); got.Outcome != outbox.Unreachable || strings.Contains(got.Answer, "127.0.0.1") {
		t.Errorf("nobody is there: %+v", got)
	}
}

func TestAnswersOfAFHIRServerAreToldApart(t *testing.T) {
	item := anItem(t)
	for _, c := range []struct {
		status int
		body   string
		want   outbox.Outcome
	}{
		{200, `{"resourceType":"Bundle","entry":[{"response":{"status":"201 Created"}},{"response":{"status":"200"}}]}`, outbox.Taken},
		{200, "", outbox.Taken},
		{200, `{"resourceType":"Bun`, outbox.Again},
		{200, `{"entry":[{"response":{"status":"422 no"}}]}`, outbox.Refused},
		{400, `{"resourceType":"OperationOutcome","issue":[{"code":"invalid","diagnostics":"no such patient"}]}`, outbox.Refused},
		{404, "", outbox.Refused}, {409, "", outbox.Refused}, {412, "", outbox.Refused}, {422, "", outbox.Refused},
		{401, "", outbox.Unreachable}, {408, "", outbox.Again}, {429, "", outbox.Again}, {500, "", outbox.Again}, {503, "<html>", outbox.Again},
	} {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.Method != "POST" || r.URL.Path != "/fhir" || r.Header.Get("Content-Type") != "application/fhir+json" {
				t.Errorf("%s %s", r.Method, r.URL)
			}
			w.WriteHeader(c.status)
			_, _ = io.WriteString(w, c.body)
		}))
		way := &outbox.OverFHIR{URL: server.URL + "/fhir/", Maker: outbox.FHIRMaker{Zone: zone}, Client: server.Client()}
		got := way.Send(t.Context(), item)
		if got.Outcome != c.want || strings.Contains(c.body, "no such patient") && !strings.HasSuffix(got.Answer, "invalid no such patient") {
			t.Errorf("%d %s: %+v", c.status, c.body, got)
		}
		server.Close()
		if got := way.Send(t.Context(), item); got.Outcome != outbox.Unreachable || strings.Contains(got.Answer, "127.0.0.1") {
			t.Errorf("nobody is there: %+v", got)
		}
	}
}

// A token that is not taken any more is renewed once.
func TestATokenIsAskedForAndRenewed(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P384(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	asked, valid := 0, "t2"
	mux := http.NewServeMux()
	server := httptest.NewServer(mux)
	defer server.Close()
	mux.HandleFunc("/fhir/.well-known/smart-configuration", func(w http.ResponseWriter, _ *http.Request) {
		_, _ = fmt.Fprintf(w, `{"token_endpoint":%q}`, server.URL+"/token")
	})
	mux.HandleFunc("/token", func(w http.ResponseWriter, r *http.Request) {
		if r.PostFormValue("scope") != "system/Observation.crus" || r.PostFormValue("client_assertion") == "" {
			t.Errorf("asked for a token with %v", r.PostForm)
		}
		asked++
		_, _ = fmt.Fprintf(w, `{"access_token":"t%d","expires_in":300}`, asked)
	})
	mux.HandleFunc("/fhir", func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Authorization") != "Bearer "+valid {
			w.WriteHeader(http.StatusUnauthorized)
		}
	})
	way := &outbox.OverFHIR{
		URL: server.URL + "/fhir", Maker: outbox.FHIRMaker{Zone: zone}, Client: server.Client(),
		SignIn: &smart.SignIn{URL: server.URL + "/fhir", Client: server.Client(), Clock: time.Now, Settings: smart.Settings{
			ClientID: "plumbline", KeyID: "k1", Scope: "system/Observation.crus",
			Key: pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}),
		}},
	}
	if got := way.Send(t.Context(), anItem(t)); got.Outcome != outbox.Taken || asked != 2 {
		t.Errorf("%+v after %d tokens", got, asked)
	}
	if got := way.Send(t.Context(), anItem(t)); got.Outcome != outbox.Taken || asked != 2 {
		t.Errorf("the token is asked for again: %+v, %d", got, asked)
	}
	valid = "none"
	if got := way.Send(t.Context(), anItem(t)); got.Outcome != outbox.Unreachable || asked != 3 {
		t.Errorf("a server that takes no token: %+v, %d", got, asked)
	}
}

// memory is an outbox of one way.
type memory struct{ list []records.Outgoing }

func (m *memory) DueOutgoing(_ context.Context, _ string, at time.Time, _ int) (out []records.Outgoing, err error) {
	for _, o := range m.list {
		if o.State == records.SendWaits && !o.NextAt.After(at) {
			out = append(out, o)
		}
	}
	return out, nil
}

func (m *memory) Tried(_ context.Context, o records.Outgoing, at time.Time) error {
	o.Attempts, o.TriedAt = o.Attempts+1, at
	m.list[o.Number] = o
	return nil
}

type saying func(outbox.Item) outbox.Result

func (s saying) Send(_ context.Context, i outbox.Item) outbox.Result { return s(i) }
func (saying) Close()                                                {}

func TestAnOutageIsTriedForHoursAndHoldsUpNobodyAfterwards(t *testing.T) {
	now := seven
	m := &memory{}
	for n := range 3 {
		m.list = append(m.list, records.Outgoing{
			Number: int64(n), Channel: outbox.MLLP, Body: fmt.Appendf(nil, `{"thing":"%d"}`, n), State: records.SendWaits, NextAt: now,
		})
	}
	var tried []string
	says := func(outbox.Item) outbox.Result { return outbox.Result{Outcome: outbox.Unreachable, Answer: "gone"} }
	s := &outbox.Sender{
		Store: m, Clock: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler),
		Ways: map[string]outbox.Transport{outbox.MLLP: saying(func(i outbox.Item) outbox.Result {
			tried = append(tried, i.Thing)
			return says(i)
		})},
	}
	run := func(want ...string) {
		t.Helper()
		tried = nil
		if err := s.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, tried); diff != "" {
			t.Error(diff)
		}
	}
	run("0") // nobody is there: the others need not be tried
	for range 6 * 60 {
		now = now.Add(time.Minute)
		tried = nil
		if err := s.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if m.list[0].Attempts < 100 || m.list[0].State != records.SendWaits || m.list[0].NextAt.Sub(now) > time.Minute {
		t.Errorf("after six hours: %+v", m.list[0])
	}
	says = func(i outbox.Item) outbox.Result {
		switch i.Thing {
		case "0":
			return outbox.Result{Outcome: outbox.Refused, Answer: "AR"}
		case "1":
			return outbox.Result{Outcome: outbox.Again, Answer: "AE"}
		}
		return outbox.Result{Outcome: outbox.Taken, Answer: "AA"}
	}
	now = now.Add(time.Minute)
	run("0", "1", "2")
	got := []any{m.list[0].State, m.list[1].State, m.list[1].Answer, m.list[2].State, m.list[2].DoneAt.Equal(now)}
	if diff := cmp.Diff([]any{records.SendRefused, records.SendWaits, "AE", records.SendSent, true}, got); diff != "" {
		t.Error(diff)
	}
	now = now.Add(20 * time.Minute)
	run("1")
	for range 20 {
		now = m.list[1].NextAt
		run("1")
	}
	if pause := m.list[1].NextAt.Sub(now); pause != 20*time.Minute {
		t.Errorf("the pause is %s at last", pause)
	}
	m.list = append(m.list, records.Outgoing{Number: 3, State: records.SendWaits, Body: []byte("{"), NextAt: now})
	run()
	if m.list[3].State != records.SendRefused {
		t.Errorf("what cannot be read: %+v", m.list[3])
	}
}
