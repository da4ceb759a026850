// Package feed is what the readers of every format share: what a reader is, what it is
// told of the site, what it hands on, and how a time is read.
package feed

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/records"
)

// Reader reads one format. It may find several kinds of facts in one file or message.
// Its input cannot be trusted: a reader must take any bytes, and hand each row to exactly
// one of the sink's methods Put, Hold, Skip and Part.
type Reader interface {
	// Feed is the name under which what it reads is kept.
	Feed() string
	// Sniff reports whether a file is of this format, by how it begins; compression is
	// peeled off. name is for formats whose content does not tell what it is about.
	Sniff(name string, head []byte) bool
	// Read reads a file or a message as a stream. An error means that it cannot be read
	// as a whole, and that nothing of it should be kept; it completes the sentence "the
	// file ...". An error of the sink is returned as it is.
	Read(r io.Reader, name string, o Options, sink Sink) error
	// Again reads a held row again, where it stood. It hands on what the row says, or
	// holds it with the reason that is true now. The error is the sink's.
	Again(h records.Held, o Options, sink Sink) error
	// Key tells held rows apart by all that was received of them, in whichever of the
	// ways of its format they were written.
	Key(h records.Held) string
}

// Options are what a reader must know of the site and the moment.
type Options struct {
	Zone *time.Location // for times without an offset
	Now  time.Time      // the moment of loading
	// Growing: the text ends where it does because more of it is being written, at the end of a
	// line. What may go on in the next line is not read yet.
	Growing bool
}

// Composer is a reader that hands on parts, and makes facts of them. What it composes
// depends on the parts it is shown alone, and not on the order in which they came.
type Composer interface {
	Reader
	// Compose composes a topic. Every version it gives bears the file and the line of the
	// part that brought it. The error is that of look.
	Compose(topic string, look records.Look, o Options) (records.Composed, error)
}

// ClearsNobody ends the reason why a later version of a clearance to stand is held.
const ClearsNobody = "; a clearance that it corrects counts no more"

// Sink takes what a reader finds: each row once, by Put, Hold, Skip or Part. An error is
// the store's, and ends the reading.
type Sink interface {
	Put(clinical.Version) error
	Hold(records.Held) error
	Skip(feed string, kind clinical.Kind) error
	// Part takes a row that says something only together with others. Only a Composer may
	// hand it on.
	Part(records.Part) error
	// Beside takes a further part that a row says, beside how it is handed on. It is not
	// counted.
	Beside(records.Part) error
	// Seen counts a code that neither an open standard nor the site's table tells.
	Seen(records.SeenCode) error
	// Notice tells of something that stops nothing, once a file.
	Notice(text string)
}

// HeadBytes is how much of a file a reader is shown to know its format.
const HeadBytes = 4096

// Open peels compression off a file and shows how it begins. The error completes the
// sentence "the file ...".
func Open(r io.Reader) (text io.Reader, head []byte, err error) {
	src := bufio.NewReaderSize(r, 64<<10)
	if magic, _ := src.Peek(2); len(magic) == 2 && magic[0] == 0x1f && magic[1] == 0x8b {
		z, err := gzip.NewReader(src)
		if err != nil {
			return nil, nil, fmt.Errorf("is not readable as gzip: %w", err)
		}
		src = bufio.NewReaderSize(z, 64<<10)
	}
	head, _ = src.Peek(HeadBytes) // an error comes again where the text is read
	return src, head, nil
}
