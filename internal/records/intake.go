package records

import (
	"time"

	"plumbline/internal/clinical"
)

// Batch takes what is read of one delivery. An error is the store's, and ends the reading.
type Batch interface {
	// Put stores a version of a fact.
	Put(clinical.Version) error
	// Seen counts a code that nothing tells.
	Seen(SeenCode) error
	// Hold keeps in quarantine what cannot be used.
	Hold(Held) error
	// Unmapped keeps, within a bound, a row with codes that nothing tells (its Reason), beside what becomes
	// of it. It is not counted as a row.
	Unmapped(Held) error
	// Skip counts a row that is understood and of no use here; kind may be empty.
	Skip(feed string, kind clinical.Kind) error
	// Part keeps a row of which facts are composed.
	Part(Part) error
	// Beside keeps a further part that a row says which is handed on or held beside it. It
	// is not counted as a row.
	Beside(Part) error
	// Compose composes the topics of a feed to which the parts handed over have given
	// something new.
	Compose(feed string, compose Compose) error
}

// Mark is the bookmark of a file: which state of it was read.
type Mark struct {
	Name    string // what tells it from others: its full path
	Size    int64  // bytes
	ModTime time.Time
	Hash    string
}

// Message is what was sent once under an id of its sender's, and the bookmark of it: sent
// again it is answered, and not taken in again.
type Message struct {
	Feed       string
	ID         string // made by the sender; unique within the feed
	Sum        string // tells the content from another
	StayID     string // empty where it is not of one stay
	Who        string // account or sending system
	ReceivedAt time.Time
	Body       []byte // JSON; empty where nothing of it is asked for again
}

// Name is the name of the message's bookmark, beside those of files.
func (m Message) Name() string { return m.Feed + "/" + m.ID }

// Delivery is what is taken in by one transaction, all of it or nothing: a file with its
// mark, a message, a held row that reads now, or rows that say more since a code was told. One of File,
// Message, Release and Of is given.
type Delivery struct {
	Load int64 // an open load; 0: a load of its own, begun and finished in the transaction

	How string    // what started a load of its own
	At  time.Time // when

	File    *Mark
	Growing bool // with File: it is still being written, so that an error is none of its own
	Message *Message
	Release int64  // number of a held row, which leaves the quarantine
	Fix     *Fix   // with Release, where somebody has put it right
	Of      string // of rows that are read again otherwise: the bookmark of what brought them

	// Queue makes, with a Message whose Facts were taken here, the messages that go to the hospital's
	// record. They are queued in the same transaction. Nil: none are.
	Facts []clinical.Version
	Queue func(Sending) []Outgoing
}

// Taken is what became of a delivery.
type Taken struct {
	Repeated bool    // the message was taken in before; nothing was stored
	Message  Message // as it was first taken in
	Counts   Counts  // of a load of its own
}

// FileCounts counts the rows of one file: Unchanged were held already, or stood twice
// in the file.
type FileCounts struct{ Rows, Unchanged, Skipped, Held int }

// Counts says what became of the rows of a load: each has one end, so that Rows is the
// sum of the other six.
type Counts struct {
	Rows       int `json:"rows"`
	Accepted   int `json:"accepted"`
	Unchanged  int `json:"unchanged"`
	Superseded int `json:"superseded"`
	Waiting    int `json:"waiting"`
	Skipped    int `json:"skipped"`
	Held       int `json:"quarantined"`
}

// RowRef says where a row stands and which fact it speaks of.
type RowRef struct {
	File     string        `json:"file"`
	Line     int           `json:"line"`
	Kind     clinical.Kind `json:"kind"`
	SourceID string        `json:"source_id"`
	StayID   string        `json:"stay_id"`
}
