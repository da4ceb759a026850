// Package csvfeed reads the CSV feed: one kind of fact a file, one row a
// version of a fact. The columns are described in docs/feeds.md.
package csvfeed

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"plumbline/internal/clinical"
	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// Feed is the name under which versions of this feed are kept.
const Feed = "csv"

// KindOf tells a file's kind by the start of its name, up to the first '-', '_'
// or '.'.
func KindOf(name string) (clinical.Kind, bool) {
	word := name
	if n := strings.IndexAny(name, "-_."); n >= 0 {
		word = name[:n]
	}
	kind := clinical.Kind(strings.ToLower(word))
	return kind, slices.Contains(clinical.Kinds, kind)
}

// Reader is the feed.Reader of CSV.
type Reader struct {
	MaxRecord int // bytes of the longest record; 0: 1 MiB
}

// Feed implements feed.Reader.
func (Reader) Feed() string { return Feed }

// foreign are endings of names by which other formats go.
var foreign = []string{".json", ".ndjson", ".hl7", ".xml"}

// Sniff implements feed.Reader. What the rows are about stands in the name alone.
func (Reader) Sniff(name string, _ []byte) bool {
	plain := strings.TrimSuffix(strings.ToLower(name), ".gz")
	for _, ending := range foreign {
		if strings.HasSuffix(plain, ending) {
			return false
		}
	}
	_, known := KindOf(name)
	return known
}

// Read implements feed.Reader.
func (c Reader) Read(r io.Reader, name string, o feed.Options, sink feed.Sink) error {
	kind, known := KindOf(name)
	if !known {
		return errors.New("does not say by its name what it is about")
	}
	return c.readKind(r, kind, name, o, sink)
}

// Read reads one file of a kind as a stream.
func Read(r io.Reader, kind clinical.Kind, name string, o feed.Options, sink feed.Sink) error {
	return Reader{}.readKind(r, kind, name, o, sink)
}

func (c Reader) readKind(r io.Reader, kind clinical.Kind, name string, o feed.Options, sink feed.Sink) error {
	t := open(r, cmp.Or(c.MaxRecord, maxRecord))
	records := csv.NewReader(t)
	records.FieldsPerRecord = -1
	header, err := readHeader(records, t, kind)
	if err != nil {
		return err
	}
	if unknown := unknownColumns(header, kind); len(unknown) > 0 {
		sink.Notice("columns not known and not read: " + strings.Join(unknown, ", "))
	}
	f := file{
		tape: t, csv: records, kind: kind, name: name, header: header, names: Encode(header), options: o, sink: sink,
		headerEnd: records.InputOffset(),
	}
	return f.rows()
}

func readHeader(c *csv.Reader, t *tape, kind clinical.Kind) ([]string, error) {
	header, err := c.Read()
	switch {
	case errors.Is(err, io.EOF):
		return nil, errors.New("is empty; it needs at least the line of column names")
	case t.err != nil:
		return nil, t.err
	case err != nil:
		return nil, fmt.Errorf("has no readable line of column names: %w", err)
	}
	for n, name := range header {
		header[n] = strings.ToLower(strings.TrimSpace(name))
		if strings.ContainsRune(name, '\r') {
			return nil, errors.New("has line ends of CR alone; export it with LF or CRLF")
		}
	}
	for n, name := range header {
		if name != "" && slices.Contains(header[:n], name) {
			return nil, fmt.Errorf("names the column %s twice; name each column once", name)
		}
	}
	if id := idColumn(kind); !slices.Contains(header, id) {
		return nil, fmt.Errorf("has no column %s in its first line; columns are parted by commas and named as in docs/feeds.md", id)
	}
	t.forget(c.InputOffset())
	return header, nil
}

func idColumn(kind clinical.Kind) string {
	if kind == clinical.KindStay {
		return "stay_id"
	}
	return "source_id"
}

func unknownColumns(header []string, kind clinical.Kind) []string {
	var out []string
	for _, name := range header {
		if !slices.Contains(columns[kind], name) && name != "" {
			out = append(out, name)
		}
	}
	return out
}

// file is one file being read.
type file struct {
	tape    *tape
	csv     *csv.Reader
	kind    clinical.Kind
	name    string
	header  []string
	names   []byte // the header, as held rows keep it
	options feed.Options
	sink    feed.Sink

	headerEnd int64 // bytes up to the end of the line of column names

	short *records.Held // a row with too few columns, held until it is known not to be the cut-off end
}

func (f *file) rows() error {
	for {
		start := f.csv.InputOffset()
		record, err := f.csv.Read()
		if f.tape.err != nil {
			return f.tape.err
		}
		if errors.Is(err, io.EOF) {
			return f.end()
		}
		if err := f.flushShort(); err != nil {
			return err
		}
		switch err := f.row(start, record, err); {
		case errors.Is(err, errUnfinished):
			return nil
		case err != nil:
			return err
		}
		f.tape.forget(f.csv.InputOffset())
	}
}

// row takes one record: a version, or a held row.
func (f *file) row(start int64, record []string, err error) error {
	var parse *csv.ParseError
	switch {
	case errors.As(err, &parse):
		return f.unsplit(start, parse)
	case err != nil:
		return fmt.Errorf("is damaged: %w", err)
	}
	line, _ := f.csv.FieldPos(0)
	if len(record) != len(f.header) {
		named := row{header: f.header, record: record}
		h := records.Held{
			Line: line, SourceID: named.cell(idColumn(f.kind)), Context: f.names, Original: f.received(start),
			Reason: fmt.Sprintf("%d columns where the header has %d", len(record), len(f.header)),
		}
		if len(record) < len(f.header) {
			f.short = &h
			return nil
		}
		return f.hold(h)
	}
	v, reason := Parse(f.kind, f.header, record, f.options)
	if reason != "" {
		return f.hold(records.Held{
			Line: line, SourceID: v.SourceID, Status: v.Status, Reason: reason,
			Context: f.names, Original: f.received(start),
		})
	}
	v.Feed, v.File, v.Line = Feed, f.name, line
	return f.sink.Put(v)
}

// errUnfinished is a record that goes on in what has not been written yet.
var errUnfinished = errors.New("the record goes on")

// unsplit holds back a record whose quotes are out of order, as it stood. A
// quote that is still open at the end of the file means that the file was cut off.
func (f *file) unsplit(start int64, parse *csv.ParseError) error {
	raw := f.received(start)
	if f.csv.InputOffset() == f.tape.total && openQuote(raw) {
		if f.options.Growing {
			return errUnfinished
		}
		return fmt.Errorf("is cut off: the quote opened at line %d is never closed", parse.StartLine)
	}
	return f.hold(records.Held{
		Line: parse.StartLine, Reason: "quotes are out of order: " + parse.Err.Error(),
		Original: raw,
	})
}

// received is the record that began at an offset, as it was received.
func (f *file) received(start int64) []byte {
	return bytes.Clone(bytes.Trim(f.tape.since(start, f.csv.InputOffset()), "\r\n"))
}

// hold hands on a held row, with where it stands.
func (f *file) hold(h records.Held) error {
	h.Feed, h.File, h.Kind = Feed, f.name, f.kind
	return f.sink.Hold(h)
}

func (f *file) flushShort() error {
	if f.short == nil {
		return nil
	}
	h := *f.short
	f.short = nil
	return f.hold(h)
}

// end: a last row with too few columns and no line end is the cut-off end of a
// longer file, and nothing of that file is kept until it is whole.
func (f *file) end() error {
	if f.short != nil && f.tape.last != '\n' {
		return fmt.Errorf("is cut off in line %d; send it again whole", f.short.Line)
	}
	if f.tape.total > f.headerEnd && f.tape.last != '\n' {
		// Nothing tells a whole last row from one cut off in its last column:
		// it is read, and read again when the file changes.
		f.sink.Notice("no line end after the last row: if the file was cut off there, send it again whole")
	}
	return f.flushShort()
}
