package mllp

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"net"
	"time"
)

// largestAnswer is how many bytes of an answer are read.
const largestAnswer = 1 << 20

// Conn is a connection on which messages are sent, one at a time.
type Conn struct {
	conn net.Conn
	in   *bufio.Reader
}

// NewConn sends over a connection.
func NewConn(c net.Conn) *Conn { return &Conn{conn: c, in: bufio.NewReader(c)} }

// Close closes the connection.
func (c *Conn) Close() error { return c.conn.Close() }

// Write sends a message; it and the answers must be done by a moment.
func (c *Conn) Write(message []byte, by time.Time) error {
	if err := c.conn.SetDeadline(by); err != nil {
		return err
	}
	_, err := c.conn.Write(bytes.Join([][]byte{{start}, message, {end, after}}, nil))
	return err
}

// Answer reads the next answer whole. An answer that breaks off is an error.
func (c *Conn) Answer() ([]byte, error) {
	for {
		b, err := c.in.ReadByte()
		if err != nil {
			return nil, err
		}
		if b == start {
			break
		}
	}
	var text []byte
	for {
		b, err := c.in.ReadByte()
		switch {
		case errors.Is(err, io.EOF):
			return nil, io.ErrUnexpectedEOF
		case err != nil:
			return nil, err
		case b == end:
			return text, nil
		case len(text) >= largestAnswer:
			return nil, errLarge
		}
		text = append(text, b)
	}
}
