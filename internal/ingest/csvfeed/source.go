package csvfeed

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"

	"golang.org/x/text/encoding"
	"golang.org/x/text/transform"
)

// maxRecord is the longest record in bytes by default: a longer one is a file of another
// kind, or a quote that was never closed.
const maxRecord = 1 << 20

var (
	errNotUTF8 = errors.New("is not UTF-8 text; export it again as UTF-8")
	errBinary  = errors.New("holds NUL bytes, so it is not text; check that the right file was sent")
)

// tape hands bytes to the CSV reader and remembers those of the record being
// read, so that a row that cannot be read is still kept as it stood.
type tape struct {
	src   io.Reader
	held  []byte // bytes from base on
	base  int64  // offset of held[0]
	last  byte
	total int64
	err   error
	most  int // bytes of a record
}

// open peels the byte order mark off a text.
func open(r io.Reader, most int) *tape {
	src := bufio.NewReaderSize(r, 64<<10) // r itself, where it is such a reader
	if mark, _ := src.Peek(3); bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		_, _ = src.Discard(3)
	}
	return &tape{most: most, src: transform.NewReader(src, encoding.UTF8Validator)}
}

// Read implements io.Reader. It refuses what is not text, and a record without
// end.
func (t *tape) Read(p []byte) (int, error) {
	if t.err != nil {
		return 0, t.err
	}
	if len(t.held) > t.most {
		t.forget(t.base + int64(len(t.held)-len(bytes.TrimLeft(t.held, "\r\n")))) // blank lines are of no record
		if len(t.held) > t.most {
			t.err = fmt.Errorf("has a record longer than %d bytes; check that line ends and quotes are in order", t.most)
			return 0, t.err
		}
	}
	n, err := t.src.Read(p)
	chunk := p[:n]
	switch {
	case bytes.IndexByte(chunk, 0) >= 0:
		t.err = errBinary
	case errors.Is(err, encoding.ErrInvalidUTF8):
		t.err = errNotUTF8
	case err != nil && !errors.Is(err, io.EOF):
		t.err = fmt.Errorf("is cut off or damaged: %w", err)
	}
	if t.err != nil {
		return 0, t.err
	}
	if n > 0 {
		t.last = chunk[n-1]
		t.held = append(t.held, chunk...)
		t.total += int64(n)
	}
	return n, err
}

// since are the bytes between two offsets, as long as nothing more is read.
func (t *tape) since(from, to int64) []byte { return t.held[max(from, t.base)-t.base : to-t.base] }

func (t *tape) forget(to int64) {
	if n := to - t.base; n > 0 {
		t.held = append(t.held[:0], t.held[n:]...)
		t.base = to
	}
}

// openQuote reports whether a record ends inside a quoted field: a quote that was
// opened is never closed. A quote that is closed and followed by more is another
// fault.
func openQuote(record []byte) bool {
	fieldStart, quoted := true, false
	for n := 0; n < len(record); n++ {
		c := record[n]
		switch {
		case quoted && c == '"':
			next := byte('\n')
			if n+1 < len(record) {
				next = record[n+1]
			}
			switch next {
			case '"':
				n++
			case ',', '\r', '\n':
				quoted = false
			default:
				return false
			}
		case quoted:
		case fieldStart && c == '"':
			quoted = true
		}
		fieldStart = !quoted && (c == ',' || c == '\n')
	}
	return quoted
}
