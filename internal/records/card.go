package records

import "time"

// Card is what a reader keeps of a thing in its feed that others refer to, in whatever order
// and file they come: a patient that stays name, one of several measurements that make a
// reading. Cards are no facts, and nothing is shown of them.
type Card struct {
	Feed  string
	Key   string // what refers to it
	Group string // what it is found by together with others; may be empty
	// At is when it was recorded, the zero time where nobody said. Of several cards of a
	// key each moment keeps one: the one whose file is last in byte order, then the one
	// kept last.
	At   time.Time
	File string // base name
	Line int
	Body []byte // in the reader's own form
}
