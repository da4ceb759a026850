package records

import (
	"time"

	"plumbline/internal/clinical"
)

// SendState is what has become of a message to the record.
type SendState string

// The states. A refused message is sent again only where somebody says so.
const (
	SendWaits   SendState = "waits"
	SendSent    SendState = "sent"
	SendRefused SendState = "refused"
)

// Outgoing is one message to the hospital's record, by one way.
type Outgoing struct {
	Number    int64  // in the order in which they were queued; set by the store
	Channel   string // the way: of outbox.Channels
	Thing     string // what its versions have in common: a set's id, a fact's source_id
	Version   int    // 1 for the first
	Unit      string // where the stay was
	StayID    string
	PatientID string
	Body      []byte // JSON: all of which the message is made, so that each attempt is the same
	QueuedAt  time.Time

	State    SendState
	Attempts int
	NextAt   time.Time // not tried before
	TriedAt  time.Time // the last attempt; zero: none
	DoneAt   time.Time // when the record took it, or refused it; zero: neither
	Answer   string    // the last one, or why there was none; names no patient
}

// Sending is what the store tells, in the transaction that stores facts, whoever makes messages of them.
type Sending struct {
	Installation string // a UUID
	StayID       string
	Stay         clinical.Stay
	// Versions counts the versions taken here of each fact, by VersionKey, the one just stored among them;
	// Earlier is what the one before it said.
	Versions map[string]int
	Earlier  map[string]clinical.Body
	// Performer is the identity by which a sign-in service knows who took them; empty where none does.
	Performer Identifier
}

// Identifier is an identity within a system.
type Identifier struct {
	System string `json:"system,omitempty"`
	Value  string `json:"value,omitempty"`
}

// VersionKey names a fact among those of Sending.
func VersionKey(kind clinical.Kind, sourceID string) string { return string(kind) + " " + sourceID }

// OutboxState is how a way to the record stands.
type OutboxState struct {
	Channel  string
	Waiting  int
	Refused  int
	Oldest   time.Time // when the oldest that waits was queued; zero: none waits
	LastSent time.Time // zero: none was taken yet
	Trouble  string    // of the last attempt, where what waits was tried
}

// TakenHere is a fact that was taken here, as the store has it: what comes back from the record is compared
// with it.
type TakenHere struct {
	Kind     clinical.Kind
	Versions []clinical.Version  // those taken here, oldest first; at least one
	TakenAt  map[int64]time.Time // when the record took a version, by its recording in microseconds since 1970
}
