package csvfeed

import (
	"bytes"
	"encoding/csv"
	"fmt"

	"plumbline/internal/ingest/feed"
	"plumbline/internal/records"
)

// A held row of CSV keeps the record as it was received, and as its context the line of
// column names. The context is empty where the record could not be parted by columns.

// Encode writes cells as a record, without a line end.
func Encode(cells []string) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write(cells) // to memory, and the comma is a comma
	w.Flush()
	return bytes.TrimSuffix(b.Bytes(), []byte("\n"))
}

// Cells are the column names and the cells of a held row. Without column names the record
// is one cell: the row as it was received.
func Cells(h records.Held) (header, record []string) {
	if header = parted(h.Context); header == nil {
		return nil, []string{string(h.Original)}
	}
	return header, parted(h.Original)
}

// parted is the one record of a text, nil where it is not one.
func parted(text []byte) []string {
	c := csv.NewReader(bytes.NewReader(text))
	cells, err := c.Read()
	if err != nil {
		return nil
	}
	return cells
}

// Again implements feed.Reader.
func (Reader) Again(h records.Held, o feed.Options, sink feed.Sink) error {
	header, record := Cells(h)
	if len(header) == 0 || len(record) != len(header) {
		return sink.Hold(h)
	}
	v, reason := Parse(h.Kind, header, record, o)
	if reason != "" {
		h.Reason = reason
		return sink.Hold(h)
	}
	v.Feed, v.File, v.Line = h.Feed, h.File, h.Line
	return sink.Put(v)
}

// Key implements feed.Reader.
func (Reader) Key(h records.Held) string {
	header, record := Cells(h)
	return fmt.Sprintf("%s %q %q", h.Kind, header, record)
}
