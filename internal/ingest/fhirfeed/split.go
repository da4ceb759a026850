package fhirfeed

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"

	"golang.org/x/text/encoding"
	"golang.org/x/text/transform"
)

// item is one resource as it stood in a file.
type item struct {
	raw     []byte // valid until the next one
	fullURL string // of its entry in a Bundle
	line    int    // where it begins; it grows from item to item
	deletes bool   // it is an entry that deletes one
}

// split parts a text into its resources: those of Bundles, however deep, and those that
// stand alone. Memory holds one resource at a time. Its error completes the sentence "the
// file ...", or is each's.
func split(r io.Reader, s Settings, each func(item) error) error {
	src := bufio.NewReaderSize(r, 64<<10)
	if mark, _ := src.Peek(3); bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		_, _ = src.Discard(3)
	}
	t := &scanner{src: bufio.NewReaderSize(transform.NewReader(src, encoding.UTF8Validator), 64<<10), line: 1, settings: s}
	p := splitter{scanner: t, each: each}
	for found := false; ; found = true {
		c, err := t.next()
		switch {
		case errors.Is(err, io.EOF) && !found:
			return errors.New("is empty; it needs at least one FHIR resource")
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case c == '<':
			return fmt.Errorf("is XML in line %d; FHIR is read as JSON alone, export it so", t.line)
		case c != '{':
			return fmt.Errorf("is no FHIR in line %d: a resource begins with {, not with %q", t.line, c)
		}
		if err := p.top(); err != nil {
			return err
		}
	}
}

// splitter hands on the resources of a text.
type splitter struct {
	*scanner
	each func(item) error
	last int // line of the last item
}

// hand hands on an item. Of several in one line the lines are counted up, so that the
// later one is the later one.
func (p *splitter) hand(raw []byte, fullURL string, line int) error {
	p.last = max(p.last+1, line)
	return p.each(item{raw: raw, fullURL: fullURL, line: p.last})
}

// top reads a value that stands by itself: a Bundle as a stream of entries, any other as
// a whole.
func (p *splitter) top() error {
	start := p.line
	p.begin()
	if err := p.take('{'); err != nil {
		return err
	}
	kind, streamed, first := "", false, true
	for {
		c, err := p.next()
		switch {
		case err != nil:
			return p.cut(err, start)
		case c == '}':
			if err := p.take('}'); err != nil {
				return err
			}
			return p.whole(kind, streamed, start)
		case c == ',' && !first:
			if err := p.take(','); err != nil {
				return err
			}
		}
		first = false
		key, err := p.key()
		if err != nil {
			return p.cut(err, start)
		}
		if c, err = p.next(); err != nil {
			return p.cut(err, start)
		}
		if key == "entry" && kind == bundle && c == '[' {
			streamed = true
			if err := p.entries(start); err != nil {
				return err
			}
			continue
		}
		from := len(p.buf)
		if err := p.value(); err != nil {
			return p.cut(err, start)
		}
		if kind == bundle && !json.Valid(p.buf[from:]) {
			return parseError(p.buf[from:], p.line)
		}
		if key == "resourceType" {
			_ = json.Unmarshal(p.buf[from:], &kind) // one of another type is named when the resource is read
		}
		if kind == bundle && streamed {
			p.buf = p.buf[:1] // of a Bundle that is a stream nothing else is looked at
		}
	}
}

const bundle = "Bundle"

// whole takes a value that has ended.
func (p *splitter) whole(kind string, streamed bool, start int) error {
	raw := p.buf
	if !streamed {
		if !json.Valid(raw) {
			return parseError(raw, start)
		}
		if kind != bundle {
			if err := isResource(raw); err != nil && p.last == 0 {
				return err
			}
			return p.hand(raw, "", start)
		}
		return p.inner(bytes.Clone(raw), start)
	}
	return nil
}

// entries reads the entries of a Bundle one by one.
func (p *splitter) entries(start int) error {
	p.begin()
	if err := p.take('['); err != nil {
		return err
	}
	for first := true; ; first = false {
		c, err := p.next()
		switch {
		case err != nil:
			return p.cut(err, start)
		case c == ']':
			p.begin()
			if err := p.take(']'); err != nil {
				return err
			}
			p.buf = append(p.buf[:0], '{')
			return nil
		case c == ',' && !first:
			if err := p.take(','); err != nil {
				return err
			}
			if _, err = p.next(); err != nil {
				return p.cut(err, start)
			}
		}
		line := p.line
		p.begin()
		if err := p.value(); err != nil {
			return p.cut(err, line)
		}
		if !json.Valid(p.buf) {
			return parseError(p.buf, line)
		}
		if err := p.entry(p.buf, line); err != nil {
			return err
		}
	}
}

// entry hands on what an entry holds; one without a resource holds nothing.
func (p *splitter) entry(raw []byte, line int) error {
	if raw[0] != '{' {
		return p.hand(raw, "", line) // named when it is read as a resource
	}
	fullURL, resource := "", []byte(nil)
	for name, value := range members(raw) {
		switch name {
		case "resource":
			resource = value
		case "fullUrl":
			if json.Unmarshal(value, &fullURL) != nil {
				return p.hand(raw, "", line)
			}
		}
	}
	if len(resource) == 0 || string(resource) == "null" {
		if deletes(raw) {
			return p.each(item{line: line, deletes: true})
		}
		return nil
	}
	if kind, err := typeOf(resource); err == nil && kind == bundle {
		return p.inner(resource, line)
	}
	return p.hand(resource, fullURL, line)
}

// deletes reports whether an entry says that a resource is deleted.
func deletes(entry []byte) bool {
	var e struct{ Request *struct{ Method string } }
	return json.Unmarshal(entry, &e) == nil && e.Request != nil && e.Request.Method == http.MethodDelete
}

// members are the members of an object by their names as they are written; of what is no
// JSON as far as it goes.
func members(object []byte) func(yield func(name string, value []byte) bool) {
	return func(yield func(string, []byte) bool) {
		rest := bytes.TrimLeft(object[1:], space)
		for len(rest) > 0 && rest[0] == '"' {
			name := rest[:valueEnd(rest)]
			colon := bytes.TrimLeft(rest[len(name):], space)
			if len(name) < 2 || len(colon) == 0 || colon[0] != ':' {
				return
			}
			rest = bytes.TrimLeft(colon[1:], space)
			value := rest[:valueEnd(rest)]
			if !yield(string(name[1:len(name)-1]), value) {
				return
			}
			if rest = bytes.TrimLeft(rest[len(value):], space); len(rest) == 0 || rest[0] != ',' {
				return
			}
			rest = bytes.TrimLeft(rest[1:], space)
		}
	}
}

const space = " \t\r\n"

// valueEnd is the length of the value with which a JSON text begins.
func valueEnd(b []byte) int {
	depth, quoted := 0, false
	for n := 0; n < len(b); n++ {
		switch c := b[n]; {
		case quoted && c == '\\':
			n++
		case c == '"':
			if quoted = !quoted; !quoted && depth == 0 {
				return n + 1
			}
		case quoted:
			n += plainText(b[n+1:])
		case c == '{' || c == '[':
			depth++
		case (c == '}' || c == ']') && depth > 0:
			if depth--; depth == 0 {
				return n + 1
			}
		case depth == 0 && endsWord[c]:
			return n
		}
	}
	return len(b)
}

// inner hands on the entries of a Bundle that is in memory.
func (p *splitter) inner(raw []byte, line int) error {
	var b struct {
		Entry []json.RawMessage `json:"entry"`
	}
	if err := json.Unmarshal(raw, &b); err != nil {
		return p.hand(raw, "", line)
	}
	for _, e := range b.Entry {
		if err := p.entry(e, line); err != nil {
			return err
		}
	}
	return nil
}

func parseError(raw []byte, line int) error {
	var any json.RawMessage
	err := json.Unmarshal(raw, &any)
	var syntax *json.SyntaxError
	if errors.As(err, &syntax) {
		line += bytes.Count(raw[:min(int(syntax.Offset), len(raw))], []byte("\n"))
	}
	return fmt.Errorf("does not parse as JSON in line %d: %v", line, err)
}

// scanner reads JSON values without knowing what is in them, and counts lines.
type scanner struct {
	src      *bufio.Reader
	line     int
	buf      []byte // the value being read
	settings Settings

	quoted, escaped bool // within a text; after a backslash
}

func (t *scanner) begin() { t.buf = t.buf[:0] }

// next is the next byte that is no white space; it is not taken.
func (t *scanner) next() (byte, error) {
	for {
		c, err := t.src.ReadByte()
		if err != nil {
			return 0, t.reading(err)
		}
		switch c {
		case '\n':
			t.line++
			t.keepSpace(c)
		case ' ', '\t', '\r':
			t.keepSpace(c)
		default:
			return c, t.src.UnreadByte()
		}
	}
}

// keepSpace keeps line ends within a value, so that places in it can be told.
func (t *scanner) keepSpace(c byte) {
	if c == '\n' && len(t.buf) > 0 {
		t.buf = append(t.buf, c)
	}
}

func (t *scanner) reading(err error) error {
	switch {
	case errors.Is(err, io.EOF):
		return err
	case errors.Is(err, encoding.ErrInvalidUTF8):
		return fmt.Errorf("is not UTF-8 text in line %d; export it again as UTF-8", t.line)
	}
	return fmt.Errorf("is cut off or damaged: %w", err)
}

// cut says of a text that ends within a value that it is cut off.
func (t *scanner) cut(err error, start int) error {
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("is cut off: what begins in line %d does not end; send it again whole", start)
	}
	return err
}

// take takes the next byte, which must be c.
func (t *scanner) take(c byte) error {
	got, err := t.src.ReadByte()
	if err != nil {
		return t.reading(err)
	}
	if got != c {
		return fmt.Errorf("does not parse as JSON in line %d: %q where %q should be", t.line, got, c)
	}
	return t.add(c)
}

func (t *scanner) add(c byte) error {
	if len(t.buf) >= t.settings.MaxResource {
		return t.tooLarge()
	}
	t.buf = append(t.buf, c)
	return nil
}

func (t *scanner) tooLarge() error {
	return fmt.Errorf("has a resource of more than %d bytes in line %d; fhir-max-resource is the setting",
		t.settings.MaxResource, t.line)
}

// key reads the name of a member and its colon.
func (t *scanner) key() (string, error) {
	c, err := t.next()
	if err != nil {
		return "", err
	}
	from := len(t.buf)
	if c != '"' {
		return "", fmt.Errorf("does not parse as JSON in line %d: %q where the name of a member should be", t.line, c)
	}
	if err := t.value(); err != nil {
		return "", err
	}
	var key string
	if err := json.Unmarshal(t.buf[from:], &key); err != nil {
		return "", fmt.Errorf("does not parse as JSON in line %d: %w", t.line, err)
	}
	if _, err := t.next(); err != nil {
		return "", err
	}
	return key, t.take(':')
}

// value reads a value: to the end of its brackets or quotes, or up to what ends a number
// or a word. Whether it is JSON is looked at afterwards.
func (t *scanner) value() error {
	depth, begun := 0, false
	for {
		chunk, err := t.buffered()
		if err != nil {
			return t.reading(err)
		}
		n, done := 0, false
		for n < len(chunk) && !done {
			c := chunk[n]
			if depth == 0 && begun && !t.quoted && endsWord[c] {
				return t.keep(chunk[:n])
			}
			begun = true
			n++
			switch {
			case t.escaped:
				t.escaped = false
			case t.quoted && c == '\\':
				t.escaped = true
			case c == '"':
				t.quoted = !t.quoted
				done = !t.quoted && depth == 0
			case t.quoted:
				n += plainText(chunk[n:])
			case c == '{' || c == '[':
				if depth++; depth > t.settings.MaxDepth {
					return fmt.Errorf("nests deeper than %d in line %d; fhir-max-depth is the setting",
						t.settings.MaxDepth, t.line+bytes.Count(chunk[:n], []byte("\n")))
				}
			case c == '}' || c == ']':
				depth--
				done = depth <= 0
			}
		}
		if err := t.keep(chunk[:n]); err != nil || done {
			t.quoted, t.escaped = false, false
			return err
		}
	}
}

// endsWord are the bytes that end a number or a word.
var endsWord = [256]bool{',': true, '}': true, ']': true, ' ': true, '\t': true, '\r': true, '\n': true}

// plainText is how many bytes of a text follow that neither end it nor escape.
func plainText(b []byte) int {
	for n, c := range b {
		if c == '"' || c == '\\' {
			return n
		}
	}
	return len(b)
}

// buffered is what is read and not taken, of at least one byte.
func (t *scanner) buffered() ([]byte, error) {
	if t.src.Buffered() == 0 {
		if _, err := t.src.Peek(1); err != nil {
			return nil, err
		}
	}
	return t.src.Peek(t.src.Buffered())
}

// keep takes bytes as part of the value.
func (t *scanner) keep(b []byte) error {
	if len(t.buf)+len(b) > t.settings.MaxResource {
		return t.tooLarge()
	}
	t.line += bytes.Count(b, []byte("\n"))
	t.buf = append(t.buf, b...)
	_, err := t.src.Discard(len(b))
	return err
}
