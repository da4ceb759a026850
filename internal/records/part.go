package records

import (
	"time"

	"plumbline/internal/clinical"
)

// Part is a row of a source that says something only together with others: one value of a
// reading, a message about a visit, a resource to which others refer. Every version of it
// is kept, and facts are composed of parts by their topics, again whenever one arrives.
type Part struct {
	Feed string
	// ID is the part's identity in the source. Of its versions those count that were
	// recorded by the moment asked, the last one first.
	ID         string
	RecordedAt time.Time
	File       string
	Line       int
	Kind       clinical.Kind // under which the row is counted; may be empty
	// Topics are what it takes part in. The first is its home: what is composed there says
	// what becomes of the row.
	Topics []Topic
	Body   []byte // what the part says, in its reader's own form

	Reading int64 // set by the store; versions of one moment count by file, reading and line
}

// Topic is something of which parts speak, such as "reading P1 2026-11-25T07:00:00Z".
type Topic struct {
	Name string
	// Says is all that those learn from this part who only look at the topic. As long as a
	// new version says the same, what was composed by a look at it stays. Empty: nothing is
	// known of it, and every version counts as new.
	Says string
}

// End is what became of a part in its home topic.
type End string

// The ends of parts. One of which a fact was made that waits for its stay waits too.
const (
	PartUsed    End = ""
	PartSkipped End = "skipped" // of no use here
	PartWaits   End = "waits"   // for what it refers to
	// PartUnchanged is one that says what was taken here already, come back from the record.
	PartUnchanged End = "unchanged"
)

// Composed is what came of a topic. It takes the place of what came of it before.
type Composed struct {
	Versions []clinical.Version // of one fact and moment, one version
	Ends     map[string]End     // by part ID, where another than PartUsed
}

// Look shows a topic: every version of each part of which any version names the topic, by
// ID, then from the oldest to the one that counts last. The error is the store's.
type Look func(topic string) ([]Part, error)

// Compose makes facts of a topic. The same parts give the same facts, in whatever order
// they came; what it looks at beside the topic is noted, so that it is asked again when
// that changes. The error is the store's.
type Compose func(topic string, look Look) (Composed, error)
