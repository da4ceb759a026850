package mllp

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"
)

// serve starts a server that answers each message with its own text, unless it begins with
// "lost": that cannot be stored.
func serve(t *testing.T, change func(*Server)) (address string, stop func()) {
	t.Helper()
	s := &Server{
		Receive: func(_ context.Context, text []byte) ([]byte, error) {
			if bytes.HasPrefix(text, []byte("lost")) {
				return nil, errors.New("the database does not answer")
			}
			return append([]byte("answer to "), text...), nil
		},
		Log: slog.New(slog.DiscardHandler), Clock: time.Now,
		MaxMessage: 1000, MessageTime: time.Hour, AnswerTime: time.Hour, Connections: 10,
	}
	if change != nil {
		change(s)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the server ended with %v", err)
		}
	}
	return l.Addr().String(), stop
}

func dial(t *testing.T, address string) net.Conn {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func send(t *testing.T, c net.Conn, text string) {
	t.Helper()
	if _, err := c.Write([]byte(text)); err != nil {
		t.Fatal(err)
	}
}

func answers(t *testing.T, c net.Conn, want string) {
	t.Helper()
	got := make([]byte, len(want))
	if _, err := io.ReadFull(c, got); err != nil || string(got) != want {
		t.Errorf("answered %q (%v), want %q", got, err, want)
	}
}

// ends expects that the server closes the connection without a further word.
func ends(t *testing.T, c net.Conn) {
	t.Helper()
	if rest, _ := io.ReadAll(c); len(rest) > 0 {
		t.Errorf("answered %q, want the end of the connection", rest)
	}
}

func TestEachMessageIsAnsweredInItsTurn(t *testing.T) {
	address, stop := serve(t, nil)
	defer stop()
	c := dial(t, address)
	send(t, c, "\x0bone\r\x1c\r\x0btw") // the second comes in pieces, and the first with it
	answers(t, c, "\x0banswer to one\x1c\r")
	send(t, c, "o\x1c\r")
	answers(t, c, "\x0banswer to two\x1c\r")
	_ = c.Close()
}

// A sender that died within a message, and began again on the same connection.
func TestAMessageBrokenOffIsMarked(t *testing.T) {
	address, stop := serve(t, nil)
	defer stop()
	c := dial(t, address)
	send(t, c, "\x0b\r\x0bbroken o\r\x0bwhole\x1c\r")
	answers(t, c, "\x0banswer to \x0bbroken o\x1c\r\x0banswer to whole\x1c\r")
	_ = c.Close()
}

func TestASlowSenderHoldsNobodyUp(t *testing.T) {
	address, stop := serve(t, nil)
	defer stop()
	slow, dead := dial(t, address), dial(t, address)
	send(t, slow, "\x0bhalf a mess")
	_ = dead.Close()
	quick := dial(t, address)
	send(t, quick, "\x0bquick\x1c\r")
	answers(t, quick, "\x0banswer to quick\x1c\r")
	send(t, slow, "age\x1c\r")
	answers(t, slow, "\x0banswer to half a message\x1c\r")
}

func TestWhatIsNoMessageEndsTheConnection(t *testing.T) {
	address, stop := serve(t, nil)
	defer stop()
	for name, text := range map[string]string{
		"a web browser":    "GET / HTTP/1.1\r\n",
		"too large":        "\x0b" + strings.Repeat("x", 2000),
		"cannot be stored": "\x0blost\x1c\r",
	} {
		t.Run(name, func(t *testing.T) {
			c := dial(t, address)
			_, _ = c.Write([]byte(text))
			ends(t, c)
		})
	}
}

func TestAMessageThatTakesTooLongEndsTheConnection(t *testing.T) {
	address, stop := serve(t, func(s *Server) { s.MessageTime = time.Millisecond })
	defer stop()
	c := dial(t, address)
	send(t, c, "\x0bnever")
	ends(t, c)
}

func TestOnlySoManyAreServedAtOnce(t *testing.T) {
	address, stop := serve(t, func(s *Server) { s.Connections = 1 })
	defer stop()
	c := dial(t, address)
	send(t, c, "\x0bone\x1c\r\x0btwo is on its way") // read at one go, or nearly so
	answers(t, c, "\x0banswer to one\x1c\r")
	time.Sleep(50 * time.Millisecond)
	ends(t, dial(t, address))
	send(t, c, "\x1c\r")
	answers(t, c, "\x0banswer to two is on its way\x1c\r")
}

// Senders that say nothing hold nobody up: the one that is silent for longest gives way.
func TestASilentConnectionGivesWay(t *testing.T) {
	address, stop := serve(t, func(s *Server) { s.Connections = 3 })
	defer stop()
	busy := dial(t, address)
	send(t, busy, "\x0ba message on")
	time.Sleep(50 * time.Millisecond)
	oldest, younger := dial(t, address), dial(t, address)
	send(t, younger, "\x0bone\x1c\r") // it is silent from now on
	answers(t, younger, "\x0banswer to one\x1c\r")
	late := dial(t, address)
	ends(t, oldest)
	send(t, late, "\x0bfour\x1c\r")
	answers(t, late, "\x0banswer to four\x1c\r")
	send(t, younger, "\x0bfive\x1c\r")
	answers(t, younger, "\x0banswer to five\x1c\r")
	send(t, busy, " its way\x1c\r")
	answers(t, busy, "\x0banswer to a message on its way\x1c\r")
}

func TestStoppingEndsOpenConnections(t *testing.T) {
	address, stop := serve(t, nil)
	c := dial(t, address)
	send(t, c, "\x0bone\x1c\r")
	answers(t, c, "\x0banswer to one\x1c\r")
	stop()
	ends(t, c)
}
