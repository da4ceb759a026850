package records

import (
	"time"

	"plumbline/internal/clinical"
)

// Held is a held row: a row of a file, a resource or a message that cannot be used and
// stands in quarantine, kept as it was received, with where it stood and one reason. What
// its Original says is known to its reader alone.
type Held struct {
	Feed     string // of the reader that reads it again
	File     string // base name
	Line     int    // at which it begins, from 1; in a file without lines the number of the entry
	Kind     clinical.Kind
	SourceID string // empty where it could not be read, as is Kind
	Status   clinical.Status
	Reason   string
	Original []byte // as it was received
	Context  []byte // what its reader needs beside it to read it again, in that reader's own form
	// RetryAt is the moment from which it may be read, where it is held only because it lay
	// ahead of the clock; zero: not by itself.
	RetryAt time.Time

	// The store sets the rest. FirstSeen and LastSeen are the moments of the first and
	// the last load that held it.
	ID                  int64
	Correction          bool // a version of its fact is stored: this one was to correct it
	FirstSeen, LastSeen time.Time
}

// HeldQuery asks for held rows: all of them, or a part.
type HeldQuery struct {
	ID     int64 // one row; 0: any
	Kind   clinical.Kind
	Load   int64     // those that a load held; 0: of any
	Due    time.Time // those whose RetryAt is not after it; zero: any
	Bare   bool      // without Original and Context
	Text   string    // that stands in what was received, letter by letter
	Reason string    // a part of the reason, in any case
	Source string    // a part of the source_id or of the file's name, in any case
	From   time.Time // held last at it or later; zero: ever
	To     time.Time // held last before it; zero: ever
	Offset int
	Limit  int // 0: no limit
}

// Fix is a held row that somebody has put right. As long as Was stands so in its file,
// Original and Context are read in its place.
type Fix struct {
	Was               Held   // as it was received
	Source            string // name of the bookmark of its file
	Original, Context []byte
	Who               string // account
	At                time.Time
}

// HeldDropped counts rows that left the quarantine because it may hold no more, or none so old.
type HeldDropped struct {
	Feed  string
	Kind  clinical.Kind
	Why   string // "age" or "size"
	Rows  int
	Bytes int64     // of what was received
	At    time.Time // the last time
}
