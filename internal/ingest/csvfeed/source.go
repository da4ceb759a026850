package csvfeed

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"unicode/utf8"
)

// maxRecord is the longest record in bytes: a longer one is a file of another
// kind, or a quote that was never closed.
const maxRecord = 1 << 20

var (
	errNotUTF8 = errors.New("is not UTF-8 text; export it again as UTF-8")
	errBinary  = errors.New("holds NUL bytes, so it is not text; check that the right file was sent")
	errTooLong = fmt.Errorf("has a record longer than %d bytes; check that line ends and quotes are in order", maxRecord)
)

// tape hands bytes to the CSV reader and remembers those of the record being
// read, so that a row that cannot be read is still kept as it stood.
type tape struct {
	src   *bufio.Reader
	held  []byte // bytes from base on
	base  int64  // offset of held[0]
	rest  []byte // start of a character cut by the buffer's end
	last  byte
	total int64
	err   error
}

// open peels compression and the byte order mark off a file.
func open(r io.Reader) (*tape, error) {
	src := bufio.NewReaderSize(r, 64<<10)
	if magic, _ := src.Peek(2); len(magic) == 2 && magic[0] == 0x1f && magic[1] == 0x8b {
		z, err := gzip.NewReader(src)
		if err != nil {
			return nil, fmt.Errorf("is not readable as gzip: %w", err)
		}
		src = bufio.NewReaderSize(z, 64<<10)
	}
	if mark, _ := src.Peek(3); bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		_, _ = src.Discard(3)
	}
	return &tape{src: src}, nil
}

// Read implements io.Reader. It refuses what is not text, and a record without
// end.
func (t *tape) Read(p []byte) (int, error) {
	if t.err != nil {
		return 0, t.err
	}
	if len(t.held) > maxRecord {
		t.err = errTooLong
		return 0, t.err
	}
	n := copy(p, t.rest)
	m, err := t.src.Read(p[n:])
	if n+m > 0 && m == 0 && err == nil {
		err = io.ErrNoProgress
	}
	n += m
	t.rest = nil
	if cut := incomplete(p[:n]); cut > 0 && err == nil && cut < n {
		t.rest = bytes.Clone(p[n-cut : n])
		n -= cut
	}
	chunk := p[:n]
	switch {
	case bytes.IndexByte(chunk, 0) >= 0:
		t.err = errBinary
	case !utf8.Valid(chunk):
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

// incomplete is the number of bytes at the end of p that begin a character and
// do not finish it.
func incomplete(p []byte) int {
	for k := 1; k <= 3 && k <= len(p); k++ {
		if b := p[len(p)-k]; utf8.RuneStart(b) {
			if utf8.FullRune(p[len(p)-k:]) {
				return 0
			}
			return k
		}
	}
	return 0
}

// take returns the bytes between two offsets and forgets all before the second.
func (t *tape) take(from, to int64) []byte {
	out := bytes.Clone(t.held[from-t.base : to-t.base])
	t.forget(to)
	return out
}

func (t *tape) forget(to int64) {
	if n := to - t.base; n > 0 {
		t.held = append(t.held[:0], t.held[n:]...)
		t.base = to
	}
}
