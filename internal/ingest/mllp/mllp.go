// Package mllp listens for HL7 v2 messages by the Minimal Lower Layer Protocol: a message
// stands between the bytes 0x0b and 0x1c 0x0d, and each is answered before the next.
package mllp

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"time"

	"plumbline/internal/clinical"
)

// The bytes around a message.
const (
	start = 0x0b
	end   = 0x1c
	after = 0x0d
)

// Server answers the messages of a listener.
type Server struct {
	// Receive stores a message and says what to answer. One that was broken off, for the sender began
	// anew, comes with the byte 0x0b before it; any other without. An error is the store's: nothing was
	// stored, nothing is answered, and the connection ends, so that the sender sends again.
	Receive func(ctx context.Context, text []byte) (answer []byte, err error)
	Log     *slog.Logger
	Clock   clinical.Clock // for the deadlines

	MaxMessage  int           // bytes; a larger one ends the connection
	MessageTime time.Duration // how long a message may take from its first byte to its last
	AnswerTime  time.Duration // how long the sender may take to read an answer
	// Connections is how many are served at once. A further one takes the place of the one that has been silent
	// for longest, between messages; where none is silent it is closed at once.
	Connections int

	mu   sync.Mutex
	open map[net.Conn]time.Time // since when nothing has come, by the clock; zero within a message
}

// Serve accepts connections until ctx ends, which also ends those that are open.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	s.open = map[net.Conn]time.Time{}
	var served sync.WaitGroup
	defer served.Wait()
	stop := context.AfterFunc(ctx, func() {
		_ = l.Close()
		s.closeAll()
	})
	defer stop()
	for {
		c, err := l.Accept()
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, net.ErrClosed) {
				return nil
			}
			return err
		}
		if !s.admit(ctx, c) {
			_ = c.Close()
			continue
		}
		served.Add(1)
		go func() {
			defer served.Done()
			defer s.leave(c)
			if err := s.connection(ctx, c); err != nil && ctx.Err() == nil && !errors.Is(err, net.ErrClosed) {
				s.Log.Warn("a connection of the HL7 listener ended", "from", host(c), "why", err)
			}
		}()
	}
}

func host(c net.Conn) string {
	h, _, _ := net.SplitHostPort(c.RemoteAddr().String())
	return h
}

func (s *Server) admit(ctx context.Context, c net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.open) >= s.Connections {
		quiet := s.quietest()
		if quiet == nil {
			s.Log.Warn("the HL7 listener serves no further connection", "from", host(c), "most", s.Connections)
			return false
		}
		s.Log.Warn("a silent connection of the HL7 listener gives way to another",
			"from", host(quiet), "silent", s.Clock().Sub(s.open[quiet]).Round(time.Second).String(), "to", host(c), "most", s.Connections)
		_ = quiet.Close()
		delete(s.open, quiet)
	}
	s.open[c] = s.Clock()
	return ctx.Err() == nil
}

// quietest is the connection that has been silent for longest; nil where a message comes over each.
func (s *Server) quietest() (quiet net.Conn) {
	for c, since := range s.open {
		if !since.IsZero() && (quiet == nil || since.Before(s.open[quiet])) {
			quiet = c
		}
	}
	return quiet
}

// silent notes that a connection is between messages, or is not any more. It has given way where it is not open.
func (s *Server) silent(c net.Conn, is bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, open := s.open[c]; !open {
		return
	}
	if s.open[c] = (time.Time{}); is {
		s.open[c] = s.Clock()
	}
}

func (s *Server) leave(c net.Conn) {
	_ = c.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, c)
}

func (s *Server) closeAll() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for c := range s.open {
		_ = c.SetReadDeadline(s.Clock()) // a message that is being stored is answered still
	}
}

// connection answers the messages of one connection, one after the other.
func (s *Server) connection(ctx context.Context, c net.Conn) error {
	in := bufio.NewReaderSize(c, 64<<10)
	for ctx.Err() == nil {
		text, err := s.message(ctx, c, in)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		answer, err := s.Receive(ctx, text)
		if err != nil {
			return err
		}
		if err := c.SetWriteDeadline(s.Clock().Add(s.AnswerTime)); err != nil {
			return err
		}
		framed := append(append([]byte{start}, answer...), end, after)
		if _, err := c.Write(framed); err != nil {
			return err
		}
	}
	return nil
}

var (
	errNoStart = errors.New("what came is no message of MLLP: it does not begin with the byte 0x0b")
	errLarge   = errors.New("the message is larger than is taken (hl7-max-message)")
)

// message reads one message, up to the byte that ends it or, where the sender began anew, up to the
// byte that begins the next: then the byte that began it stands before it. Between messages a sender may be silent for as long as it likes.
func (s *Server) message(ctx context.Context, c net.Conn, in *bufio.Reader) ([]byte, error) {
	if err := c.SetReadDeadline(time.Time{}); err != nil {
		return nil, err
	}
	if ctx.Err() != nil { // else closeAll has yet to wake whoever waits
		return nil, io.EOF
	}
	s.silent(c, true)
	for {
		b, err := in.ReadByte()
		if err != nil {
			return nil, err
		}
		if b == start {
			break
		}
		if b != '\r' && b != '\n' {
			return nil, errNoStart
		}
	}
	s.silent(c, false)
	if err := c.SetReadDeadline(s.Clock().Add(s.MessageTime)); err != nil {
		return nil, err
	}
	var text []byte
	for {
		b, err := in.ReadByte()
		switch {
		case errors.Is(err, io.EOF):
			return nil, io.ErrUnexpectedEOF
		case err != nil:
			return nil, err
		case b == end:
			return bytes.TrimRight(text, "\r\n"), nil
		case b == start:
			if text = bytes.TrimRight(text, "\r\n"); len(text) > 0 {
				return append([]byte{start}, text...), in.UnreadByte()
			}
			continue
		case len(text) >= s.MaxMessage:
			return nil, errLarge
		}
		text = append(text, b)
	}
}
