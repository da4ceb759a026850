package hl7feed

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// MaxMessage is how large a message may be at most, in bytes, whatever the settings say.
const MaxMessage = 16 << 20

// raw is a message as it was received.
type raw struct {
	line   int // at which it begins, from 1
	text   []byte
	framed bool // between the bytes of MLLP
	short  bool // the byte that ends it has not come
	last   bool // the text ended, and nothing tells whether the message did
	open   bool // nor whether its last line did
}

// The bytes around a message of MLLP.
const (
	startBlock = 0x0b
	endBlock   = 0x1c
)

// split cuts a stream into messages: at the bytes of MLLP, and wherever a line begins with
// MSH. Headers and trailers of batches and files stand between messages and are left out.
type split struct {
	in     *bufio.Reader
	line   int  // of the next byte
	framed bool // the next message began with the byte of MLLP
	next   *raw // begun by the last line that was read
	most   int  // bytes of a message
	open   bool // the text ended within a line
}

func newSplit(r io.Reader, most int) *split {
	in := bufio.NewReaderSize(r, 64<<10)
	if mark, _ := in.Peek(3); bytes.Equal(mark, []byte("\ufeff")) {
		_, _ = in.Discard(3)
	}
	return &split{in: in, line: 1, most: most}
}

// message is the next message; io.EOF after the last.
func (s *split) message() (raw, error) {
	m := s.next
	s.next = nil
	for {
		l, err := s.readLine()
		if err != nil && !errors.Is(err, io.EOF) {
			return raw{}, err
		}
		if done := s.take(&m, l); done {
			return *m, nil
		}
		switch {
		case m != nil && len(m.text) > s.most:
			return raw{}, fmt.Errorf("holds a message of more than %d bytes, from line %d; hl7-max-message is the setting", s.most, m.line)
		case err != nil && m == nil:
			return raw{}, io.EOF
		case err != nil:
			m.short, m.last, m.open = m.framed, true, s.open && !m.framed
			return *m, nil
		}
	}
}

// take adds a line to the message, or begins one with it. It reports whether the message
// is done.
func (s *split) take(m **raw, l line) (done bool) {
	switch {
	case len(l.text) == 0:
	case between(l.text):
		done = *m != nil
	case *m != nil && begins(l.text):
		s.next = &raw{line: l.at, text: l.text, framed: s.framed}
		s.framed = false
		return true
	case *m == nil:
		*m = &raw{line: l.at, text: l.text, framed: s.framed}
		s.framed = false
	default:
		(*m).text = append(append((*m).text, '\r'), l.text...)
	}
	switch {
	case l.end == endBlock:
		return *m != nil
	case l.end == startBlock:
		s.framed = true
		if *m != nil {
			(*m).short = (*m).framed
			return true
		}
	}
	return done
}

// line is a line of a stream, and the byte that ended it; 0 at the end of the stream.
type line struct {
	text []byte
	at   int
	end  byte
}

// begins reports whether a line begins a message.
func begins(line []byte) bool {
	return len(line) > 3 && bytes.HasPrefix(line, []byte("MSH")) && !isWord(line[3])
}

// between reports whether a line is the header or trailer of a batch or a file.
func between(line []byte) bool {
	for _, name := range []string{"FHS", "BHS", "BTS", "FTS"} {
		if bytes.HasPrefix(line, []byte(name)) && (len(line) == 3 || !isWord(line[3])) {
			return true
		}
	}
	return false
}

// readLine reads up to the next line end or byte of MLLP, which it drops.
func (s *split) readLine() (line, error) {
	l := line{at: s.line}
	for {
		c, err := s.in.ReadByte()
		if err != nil {
			s.open = s.open || len(l.text) > 0
			return l, err
		}
		switch c {
		case '\r':
			if next, _ := s.in.Peek(1); len(next) == 1 && next[0] == '\n' {
				_, _ = s.in.Discard(1)
			}
			s.line++
			l.end = c
			return l, nil
		case '\n':
			s.line++
			l.end = c
			return l, nil
		case startBlock, endBlock:
			l.end = c
			return l, nil
		}
		if len(l.text) >= s.most {
			return l, fmt.Errorf("has a line of more than %d bytes, line %d; hl7-max-message is the setting", s.most, l.at)
		}
		l.text = append(l.text, c)
	}
}

// linesOf are the lines of a message in UTF-8. MSH-18 says how it was written; nothing is
// guessed. The reason says why it cannot be read.
func linesOf(text []byte) (lines []string, reason string) {
	s := string(text)
	if isLatin1(s) {
		out := make([]rune, len(text))
		for n, c := range text {
			out[n] = rune(c)
		}
		s = string(out)
	}
	if !utf8.ValidString(s) {
		return nil, "the message is not UTF-8, and MSH-18 does not name 8859/1"
	}
	return strings.FieldsFunc(s, func(r rune) bool { return r == '\r' || r == '\n' }), ""
}

func isLatin1(s string) bool {
	line, _, _ := strings.Cut(s, "\r")
	if len(line) < 4 {
		return false
	}
	fields := strings.Split(line, line[3:4])
	if len(fields) <= 17 {
		return false
	}
	first := strings.FieldsFunc(fields[17], func(c rune) bool { return !isSign(c) }) // the first of those it may name
	return len(first) > 0 && first[0] == "8859/1"
}

// isSign tells the signs of the names of encodings (HL7 v2 table 0211) from separators.
func isSign(c rune) bool {
	return strings.ContainsRune("/- ", c) || '0' <= c && c <= '9' || 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z'
}
