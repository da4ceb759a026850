// Package feed is what the readers of every format share: what they are told of
// the site, what they hand on, and how a time is read.
package feed

import (
	"time"

	"plumbline/internal/clinical"
)

// Options are what a reader must know of the site and the moment.
type Options struct {
	Zone *time.Location // for times without an offset
	Now  time.Time      // the moment of loading
}

// Held is a row that cannot be used, with one reason.
type Held struct {
	Feed     string
	File     string
	Line     int // physical; the header is 1
	Kind     clinical.Kind
	SourceID string
	Status   clinical.Status
	Reason   string
	Header   []string // empty where the row could not be split into columns
	Record   []string // then the row as it stood
}

// Fix is a row held back that somebody has put right. Header and Record are the row
// as it was received; as long as it stands so in its file, NewHeader and NewRecord
// are read in its place.
type Fix struct {
	Kind                 clinical.Kind
	Header, Record       []string
	NewHeader, NewRecord []string
	Who                  string
	At                   time.Time
}

// Sink takes what a reader finds.
type Sink interface {
	Put(clinical.Version) error
	Hold(Held) error
	// Notice tells of something that stops nothing, once a file.
	Notice(text string)
}
