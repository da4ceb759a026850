// Package hl7feed reads HL7 v2 messages (2.3 to 2.8): files of any number of them, and
// single ones as they come over MLLP. What a message says is often only a part of a fact:
// of a stay that an admission, transfers and a discharge make together, of an order that is
// held and stopped later, of a patient who turns out to be another. So the reader hands on
// parts, and composes facts of them. docs/feeds.md has the mapping.
package hl7feed

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/codes"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Feed is the name under which messages are kept.
const Feed = "hl7"

// Settings are what the reader must know of the site.
type Settings struct {
	StayClasses []string     // classes (v3-ActCode) that make a stay
	MaxMessage  int          // bytes of the largest message of a file; 0: MaxMessage
	Codes       *codes.Table // the site's own codes; nil: none
}

// Reader reads HL7 v2.
type Reader struct{ Settings }

var _ feed.Composer = Reader{}

// Feed implements feed.Reader.
func (Reader) Feed() string { return Feed }

// Sniff implements feed.Reader: a message, or the header of a batch or a file; in a file named so, also one
// that begins after something else, which is held then.
func (Reader) Sniff(name string, head []byte) bool {
	head = bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\ufeff")), "\r\n\x0b")
	if begins(head) || between(head) {
		return true
	}
	if !strings.HasSuffix(strings.TrimSuffix(strings.ToLower(name), ".gz"), ".hl7") {
		return false
	}
	lines := bytes.FieldsFunc(head, func(c rune) bool { return strings.ContainsRune("\r\n\x0b\x1c", c) })
	return slices.ContainsFunc(lines, begins)
}

// noLineEnd: nothing tells a whole last value from one that was cut off. Many senders end no file with a
// line end, so it is read.
const noLineEnd = "no line end after the last message: if the file was cut off there, send it again whole, " +
	"and see whether its last value was read too short"

var errNoMessage = errors.New("holds no message")

// Read implements feed.Reader.
func (r Reader) Read(in io.Reader, name string, o feed.Options, sink feed.Sink) error {
	s, any := newSplit(in, cmp.Or(r.MaxMessage, MaxMessage)), false
	for {
		m, err := s.message()
		switch {
		case errors.Is(err, io.EOF) && !any:
			return errNoMessage
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case o.Growing && m.last:
			return nil // it is read when the next one has begun, or the file is left alone
		}
		if any = true; m.open {
			sink.Notice(noLineEnd)
		}
		rows, seen := r.rows(m, o)
		if err := hand(rows, seen, m, name, sink); err != nil {
			return err
		}
	}
}

// ofMessage is the context of a row that is a whole message.
const ofMessage = "message"

// cutOff is why a message is held of which the end is missing. The bytes that are kept do not tell it.
const cutOff = "the message is cut off: the byte that ends it is missing"

// Again implements feed.Reader: the context of a held row says which of the message it is. What was
// received cut off stays so: only what somebody typed in its place has no context.
func (r Reader) Again(h records.Held, o feed.Options, sink feed.Sink) error {
	key := string(h.Context)
	m := raw{line: h.Line, text: h.Original, short: key != "" && h.Reason == cutOff}
	rows, seen := r.rows(m, o)
	if key != "" && key != ofMessage {
		rows = slices.DeleteFunc(rows, func(x row) bool { return x.key != key })
	}
	return hand(rows, seen, m, h.File, sink)
}

// Key implements feed.Reader.
func (Reader) Key(h records.Held) string {
	return string(h.Context) + "\x00" + string(bytes.TrimRight(h.Original, "\r\n"))
}

// hand hands on the rows of a message.
func hand(rows []row, seen []records.SeenCode, m raw, file string, sink feed.Sink) error {
	for _, c := range seen {
		if err := sink.Seen(c); err != nil {
			return err
		}
	}
	kept := records.Held{Feed: Feed, File: file, Line: m.line, Original: m.text}
	if err := feed.KeepUntold(sink, kept, seen); err != nil {
		return err
	}
	if len(rows) == 0 {
		return sink.Skip(Feed, "")
	}
	for _, x := range together(rows, len(m.text)) {
		var err error
		if x.reason != "" {
			err = sink.Hold(records.Held{
				Feed: Feed, File: file, Line: m.line, Kind: x.part.Kind, SourceID: x.source, Status: x.status,
				Reason: x.reason, Original: m.text, Context: []byte(x.key),
			})
		} else {
			p := x.part
			p.Feed, p.File, p.Line = Feed, file, m.line
			err = sink.Part(p)
		}
		if err != nil {
			return err
		}
		for _, p := range x.beside {
			p.Feed, p.File, p.Line = Feed, file, m.line
			if err := sink.Beside(p); err != nil {
				return err
			}
		}
	}
	return nil
}

// mostKept is how many bytes may be kept for the rows of one message that are held: each keeps the whole
// message, so that it can be read again where it stood.
const mostKept = 1 << 20

// together makes one row of those that are held, where they would keep a message of so many bytes too
// often. It is read again as a whole: what was stored of the message is met as unchanged then.
func together(rows []row, bytes int) []row {
	held := 0
	for _, x := range rows {
		if x.reason != "" {
			held++
		}
	}
	if held < 2 || held*bytes <= mostKept {
		return rows
	}
	var out []row
	first := -1
	for _, x := range rows {
		switch {
		case x.reason == "":
			out = append(out, x)
		case first < 0:
			first = len(out)
			out = append(out, row{part: records.Part{Kind: x.part.Kind}, source: x.source, status: x.status,
				reason: fmt.Sprintf("%s (and %d more of this message cannot be used)", x.reason, held-1)})
		}
	}
	return out
}

// row is one fact of a message: a part of it, or why it cannot be used.
type row struct {
	key    string // tells it from the others of its message
	source string // of the fact, where it is known
	part   records.Part
	status clinical.Status
	reason string
	beside []records.Part // what the message takes back with it
}

// parse cuts a message into its segments. The reason says why it is none.
func (m raw) parse() (message, string) {
	if m.short {
		return message{}, cutOff
	}
	lines, reason := linesOf(m.text)
	if reason != "" {
		return message{}, reason
	}
	return parse(lines)
}

// rows are the rows of a message, none where nothing of it is of use here, and the codes that
// nothing tells.
func (r Reader) rows(m raw, o feed.Options) ([]row, []records.SeenCode) {
	parsed, reason := m.parse()
	return r.rowsOf(parsed, reason, o)
}

// rowsOf are the rows of a parsed message, or why it is none.
func (r Reader) rowsOf(parsed message, reason string, o feed.Options) ([]row, []records.SeenCode) {
	whole := func(reason string) ([]row, []records.SeenCode) { return []row{{key: ofMessage, reason: reason}}, nil }
	if reason != "" {
		return whole(reason)
	}
	t := &told{Reader: r, message: parsed, options: o}
	if t.kind, t.trigger = parsed.event(); t.kind == "" {
		return whole("the message has no type (MSH-9)")
	}
	for _, reason := range []string{t.setTime(), parsed.tooLong()} {
		if reason != "" {
			return whole(reason)
		}
	}
	t.control = parsed.segments[0].text(10)
	t.read()
	return t.rows, t.seen
}

// longestName is the longest identity in bytes, so that a database can index it.
const longestName = 500

// tooLong names an identity in the message that is longer than any may be. What is made of several, with a
// time, has room beyond that.
func (m message) tooLong() (reason string) {
	of := map[string][]int{"MSH": {10}, "PID": {3, 18}, "PV1": {19}, "MRG": {1, 5}, "ORC": {2, 3}, "OBR": {2, 3}, "OBX": {1}, "RXA": {2}}
	for _, s := range m.segments {
		for _, n := range of[s.name] {
			for _, e := range s.repetitions(n) {
				if len(e.component(1)) > longestName {
					return fmt.Sprintf("an identity is longer than %d bytes (%s-%d)", longestName, s.name, n)
				}
			}
		}
	}
	return ""
}

// told is a message that is being read.
type told struct {
	Reader
	message
	options    feed.Options
	kind       string
	trigger    string
	control    string // MSH-10
	recordedAt time.Time
	rows       []row
	keys       map[string]int
	singles    map[string]string // what was said by identity
	seen       []records.SeenCode
}

// saw notes a code that nothing tells.
func (t *told) saw(kind records.SeenKind, system, code, text string) {
	if code != "" {
		t.seen = append(t.seen, records.SeenCode{Feed: Feed, Kind: kind, System: system, Code: code, Text: text})
	}
}

// sawElement notes the codes of a coded element that are of the site's own.
func (t *told) sawElement(kind records.SeenKind, e element) {
	for _, n := range []int{1, 4} {
		system := e.component(n + 2)
		entry, mapped := t.Codes.Find(system, e.component(n))
		mapped = mapped && (kind != records.SeenPosition || entry.Kind == codes.Ignore)
		if !mapped && !strings.EqualFold(system, "LN") {
			t.saw(kind, system, e.component(n), e.component(n+1))
		}
	}
}

// setTime finds when the message was recorded: MSH-7, else EVN-2.
func (t *told) setTime() (reason string) {
	first := "the message has no time (MSH-7)"
	for n, text := range []string{t.segments[0].text(7), t.find("EVN").text(2)} {
		if text == "" {
			continue
		}
		at, why := stamp(text, t.options.Zone)
		if why == "" {
			t.recordedAt = at
			return ""
		}
		if n == 0 {
			first = "the time of the message (MSH-7): " + why
		}
	}
	return first
}

// read reads what is of use here.
func (t *told) read() {
	switch t.kind {
	case "ADT":
		t.readADT()
	case "ORU":
		if t.trigger == "R01" || t.trigger == "R30" || t.trigger == "" {
			t.readObservations()
		}
	case "RDE":
		if t.trigger == "O11" || t.trigger == "O25" || t.trigger == "O01" || t.trigger == "" {
			t.readOrders()
		}
	case "ORM":
		t.readOrders()
	case "RAS":
		t.readDoses()
	}
}

// add adds a row. Of several of one key, such as an order that a message names twice, each later one is
// told from those before it.
func (t *told) add(x row) {
	if t.keys == nil {
		t.keys = map[string]int{}
	}
	if t.keys[x.key]++; t.keys[x.key] > 1 {
		x.key = fmt.Sprintf("%s #%d", x.key, t.keys[x.key])
	}
	t.rows = append(t.rows, x)
}

// part is a part of the message, of one home topic and others.
func (t *told) part(kind clinical.Kind, id string, body any, topics ...records.Topic) records.Part {
	return records.Part{ID: id, RecordedAt: t.recordedAt, Kind: kind, Topics: topics, Body: encode(body)}
}

// owner is whose a segment is: the patient and the visit named last before it.
type owner struct {
	Visit   string `json:",omitempty"`
	Patient string `json:",omitempty"`
}

func (w owner) known() bool { return w.Visit != "" || w.Patient != "" }

// patientOf is the patient of a PID segment: the identifier of type MR or MRN, else the first.
func patientOf(pid segment) string { return medicalRecord(pid.repetitions(3)) }

func medicalRecord(ids []element) string {
	for _, id := range ids {
		if kind := id.component(5); (kind == "MR" || kind == "MRN") && id.component(1) != "" {
			return id.component(1)
		}
	}
	for _, id := range ids {
		if id.component(1) != "" {
			return id.component(1)
		}
	}
	return ""
}

// follow goes through the segments of the message, and says of each whose it is.
func (t *told) follow(each func(s segment, whose owner)) {
	var w owner
	var account string
	for _, s := range t.segments {
		switch s.name {
		case "PID":
			account = s.text(18)
			w = owner{Patient: patientOf(s), Visit: account}
		case "PV1":
			if w.Visit = s.text(19); w.Visit == "" {
				w.Visit = account
			}
		}
		each(s, w)
	}
}

// words are texts of an element that may be known to the site's table.
func words(e element) []string {
	return []string{e.component(1), e.component(2), strings.TrimSpace(e.text)}
}
