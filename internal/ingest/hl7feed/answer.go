package hl7feed

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"plumbline/internal/ingest/feed"
)

// The codes of an answer (MSA-1): taken in whole; taken in, with something held in quarantine;
// not a message that can be read.
const (
	Accepted = "AA"
	Error    = "AE"
	Rejected = "AR"
)

// Judge says how a message is to be answered once it is stored, and why. It asks the text
// alone, so a message that is sent again is answered as it was.
func (r Reader) Judge(text []byte, o feed.Options) (code string, reasons []string) {
	lines, reason := linesOf(text)
	if reason == "" {
		_, reason = parse(lines)
	}
	if reason != "" {
		return Rejected, []string{reason}
	}
	for _, x := range r.rows(raw{line: 1, text: text}, o) {
		if x.reason != "" {
			reasons = append(reasons, x.reason)
		}
	}
	if len(reasons) > 0 {
		return Error, reasons
	}
	return Accepted, nil
}

// MessageID tells a message from others of its sender's: by the sending application and
// facility, the control id, and what stands after MSH. So one that is sent again is known,
// also with a new time in MSH-7, and one that bears a number used before is not lost.
func MessageID(text []byte) (id, sum string) {
	head, body, _ := bytes.Cut(bytes.ReplaceAll(text, []byte("\n"), []byte("\r")), []byte("\r"))
	hash := sha256.Sum256(body)
	sum = hex.EncodeToString(hash[:])
	lines, _ := linesOf(head)
	m, reason := parse(lines)
	if reason != "" {
		whole := sha256.Sum256(text)
		return "unread " + hex.EncodeToString(whole[:]), sum
	}
	msh := m.segments[0]
	return strings.Join([]string{msh.text(3), msh.text(4), msh.text(9), msh.text(10), sum[:16]}, "|"), sum
}

// Answer is the acknowledgement of a message: MSA with its control id, and ERR with the
// reasons where something of it was not taken.
func Answer(text []byte, code string, reasons []string, now time.Time) []byte {
	m := message{separators: separators{'|', '^', '~', '\\', '&'}}
	if lines, reason := linesOf(text); reason == "" {
		if parsed, reason := parse(lines); reason == "" {
			m = parsed
		}
	}
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
