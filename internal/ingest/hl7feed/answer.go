package hl7feed

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// The codes of an answer (MSA-1): taken in whole; taken in, with something held in quarantine;
// not a message that can be read.
const (
	Accepted = "AA"
	Error    = "AE"
	Rejected = "AR"
)

// Received is what came in one frame of MLLP, parsed once: who sent it, what it says, and how
// it is answered.
type Received struct {
	text   []byte
	first  message // to answer by; without segments where it cannot be parsed
	rows   [][]row // of each message
	seen   [][]records.SeenCode
	raws   []raw
	unread error  // why nothing of it can be read
	reason string // why its first message is none
}

// Receive parses what came. Where the byte 0x0b stands before it, the message was broken off.
func (r Reader) Receive(text []byte, o feed.Options) *Received {
	m := &Received{text: text}
	s := newSplit(bytes.NewReader(text), MaxMessage)
	for {
		one, err := s.message()
		if errors.Is(err, io.EOF) && len(m.raws) > 0 {
			return m
		}
		if err != nil {
			m.unread = cmp.Or(notEOF(err), errNoMessage)
			return m
		}
		parsed, reason := one.parse()
		if len(m.raws) == 0 {
			m.first, m.reason = parsed, reason
			if reason != "" {
				m.first = header(one.text)
			}
		}
		m.raws = append(m.raws, one)
		rows, seen := r.rowsOf(parsed, reason, o)
		m.rows, m.seen = append(m.rows, rows), append(m.seen, seen)
	}
}

// header is the MSH of a message that cannot be read as a whole: its control id is known mostly. What of it
// is no text is left out.
func header(text []byte) message {
	line, _, _ := bytes.Cut(text, []byte("\r"))
	m, _ := parse([]string{strings.ToValidUTF8(string(line), "")})
	return m
}

func notEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// Read hands on what the message says, under a name in place of a file's. The error is as
// that of feed.Reader.
func (m *Received) Read(name string, sink feed.Sink) error {
	if m.unread != nil {
		return m.unread
	}
	for n, one := range m.raws {
		if err := hand(m.rows[n], m.seen[n], one, name, sink); err != nil {
			return err
		}
	}
	return nil
}

// ID tells the message from others of its sender's: by the sending application and
// facility, the control id, and what stands after MSH, of which sum is the hash. So one that
// is sent again is known, also with a new time in MSH-7, and one that bears a number used
// before is not lost.
func (m *Received) ID() (id, sum string) {
	_, body, _ := bytes.Cut(bytes.ReplaceAll(m.text, []byte("\n"), []byte("\r")), []byte("\r"))
	hash := sha256.Sum256(body)
	sum = hex.EncodeToString(hash[:])
	whole := sha256.Sum256(m.text)
	if m.unread != nil || m.reason != "" { // the whole of it is another
		return "unread " + hex.EncodeToString(whole[:]), sum
	}
	msh := m.first.segments[0]
	id = strings.Join([]string{msh.text(3), msh.text(4), msh.text(9), msh.text(10), sum[:16]}, "|")
	if len(id) > longestName {
		id = "long " + hex.EncodeToString(whole[:])
	}
	return id, sum
}

// mostReasons is how many an answer names.
const mostReasons = 100

// judge says how the message is to be answered once it is stored, and why. It asks the text
// alone, so a message that is sent again is answered as it was.
func (m *Received) judge() (code string, reasons []string) {
	switch {
	case m.unread != nil:
		return Rejected, []string{"the message " + m.unread.Error()}
	case m.reason != "":
		return Rejected, []string{m.reason}
	}
	for _, rows := range m.rows {
		for _, x := range rows {
			if x.reason != "" && len(reasons) < mostReasons {
				reasons = append(reasons, x.reason)
			}
		}
	}
	if len(reasons) > 0 {
		return Error, reasons
	}
	return Accepted, nil
}

// Answer is the acknowledgement of the message: MSA with its control id, and ERR with the
// reasons where something of it was not taken.
func (m *Received) Answer(now time.Time) []byte {
	code, reasons := m.judge()
	return acknowledgement(m.text, m.first, code, reasons, now)
}

func acknowledgement(text []byte, m message, code string, reasons []string, now time.Time) []byte {
	if m.repetition == 0 || m.escape == 0 || m.sub == 0 { // it names too few to answer with
		m.separators = separators{'|', '^', '~', '\\', '&'}
	}
	msh := segment{sep: m.separators}
	if len(m.segments) > 0 {
		msh = m.segments[0]
	}
	sep := string(rune(m.field))
	trigger := msh.first(9).component(2)
	kind := "ACK"
	if trigger != "" {
		kind += string(rune(m.component)) + trigger
	}
	at := now.UTC().Format("20060102150405.000-0700")
	control := msh.field(10)
	answer := fmt.Sprintf("MSH%s%c%c%c%c%s", sep, m.component, m.repetition, m.escape, m.sub, sep) +
		strings.Join([]string{
			msh.field(5), msh.field(6), msh.field(3), msh.field(4), at, "", kind, "A" + hex.EncodeToString(shortSum(text)),
			cmp.Or(msh.field(11), "P"), cmp.Or(msh.field(12), "2.5.1"),
		}, sep) + "\r" + strings.Join([]string{"MSA", code, control}, sep) + "\r"
	for _, reason := range reasons {
		answer += strings.Join([]string{"ERR", "", "", "207", "E", "", "", "", m.escaping(reason)}, sep) + "\r"
	}
	return []byte(answer)
}

func shortSum(text []byte) []byte {
	sum := sha256.Sum256(text)
	return sum[:9]
}

// escaping writes a text so that no character of it is taken for a separator.
func (s separators) escaping(text string) string {
	var out strings.Builder
	for _, c := range text {
		code := map[rune]string{
			rune(s.field): "F", rune(s.component): "S", rune(s.repetition): "R", rune(s.escape): "E", rune(s.sub): "T",
		}[c]
		switch {
		case code != "":
			out.WriteByte(s.escape)
			out.WriteString(code)
			out.WriteByte(s.escape)
		case c < ' ':
			out.WriteByte(' ')
		default:
			out.WriteRune(c)
		}
	}
	return out.String()
}
