package mllp

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"
)

// wire is a connection over which so much comes, and then nothing.
type wire struct {
	net.Conn // nil: nothing else of it is asked for
	in       io.Reader
	out      bytes.Buffer
}

func (w *wire) Read(p []byte) (int, error)       { return w.in.Read(p) }
func (w *wire) Write(p []byte) (int, error)      { return w.out.Write(p) }
func (w *wire) SetReadDeadline(time.Time) error  { return nil }
func (w *wire) SetWriteDeadline(time.Time) error { return nil }

// Whatever comes over a connection, it ends; what was taken stood whole before the byte that ends it, or
// is marked as broken off by the byte that begins the next, and was answered once each.
func FuzzConnection(f *testing.F) {
	f.Add([]byte("\x0bMSH|a\x1c\r\x0bMSH|b\x1c\r"))
	f.Add([]byte("\x0bMSH|a"))
	f.Add([]byte("MSH|a\x1c\r"))
	f.Add([]byte("\r\n\r\n\x0b\x0b\x1c\x1c\r"))
	f.Add([]byte("\x0bMSH|a\x0bMSH|b\x1c\r\x0b\r\x0bMSH|c\r\x0b\x1c"))
	f.Fuzz(func(t *testing.T, sent []byte) {
		taken, broken := 0, 0
		s := &Server{
			Receive: func(_ context.Context, text []byte) ([]byte, error) {
				taken++
				if bytes.HasPrefix(text, []byte{start}) {
					broken++
					text = text[1:]
				}
				if len(text) > 100 || bytes.IndexByte(text, start) >= 0 || bytes.IndexByte(text, end) >= 0 || !bytes.Contains(sent, text) {
					t.Errorf("taken: %q", text)
				}
				return []byte("A"), nil
			},
			Log: slog.New(slog.DiscardHandler), Clock: time.Now,
			MaxMessage: 100, MessageTime: time.Minute, AnswerTime: time.Minute, Connections: 1,
		}
		w := &wire{in: bytes.NewReader(sent)}
		if err := s.connection(t.Context(), w); err == nil && taken-broken != bytes.Count(sent, []byte{end}) {
			t.Errorf("%d messages are taken of %q", taken, sent)
		}
		if answers := bytes.Count(w.out.Bytes(), []byte("\x0bA\x1c\r")); answers != taken {
			t.Errorf("%d answers to %d messages", answers, taken)
		}
	})
}
