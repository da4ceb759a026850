package records

import (
	"time"

	"plumbline/internal/clinical"
)

// FeedState is how the feeds do.
type FeedState struct {
	LastLoad *LoadState  // that read files; nil where there was none
	Files    []FileState // those read last and those with an error, last read first
	Held     int         // held rows now
	Waiting  int         // rows that wait for their stay now
	Kinds    []FeedKind
	Dropped  []HeldDropped // rows that left the quarantine at its bounds, by feed and kind
}

// LoadState is what is known of a load.
type LoadState struct {
	ID         int64
	How        string
	StartedAt  time.Time
	FinishedAt time.Time // zero while it runs, or where it was killed
	Result     *Counts   // nil until it is finished; names no rows
}

// FileState is what is known of a file.
type FileState struct {
	Mark       // of the last time it was read whole; only the name where it never was
	FileCounts // likewise

	LoadID   int64
	ReadAt   time.Time // when it was last read, or could not be
	Error    string    // why it could not be read the last time; empty where it could
	ReadOnce bool      // it was read whole at least once
}

// GrowingFile is a file of the feed folder that is still being written.
type GrowingFile struct {
	Name  string    // base name
	Size  int64     // bytes that it holds
	Read  int64     // bytes of it that were read; 0: none
	Since time.Time // since when something of it has been left unread
}

// FeedKind is how one kind of facts of one feed stands: what became of its rows at
// the last load that brought any, and what of it is held or waits now.
type FeedKind struct {
	Feed string
	Kind clinical.Kind

	ReadAt   time.Time // that load began; zero where none has been counted
	NewAt    time.Time // the last load that brought something new began; zero: none
	NewestAt time.Time // the latest recorded_at brought, not after the load that brought it; zero: none said

	Rows, Accepted, Unchanged, Superseded, Waiting, Skipped, Held int // of that load; Rows is the sum of the others

	HeldNow, WaitingNow int
}

// Lease is who does what only one of several instances may do.
type Lease struct {
	Owner   string // a name for people: machine, number of the process, and chance
	Fence   int64  // grows each time that it goes to another
	TakenAt time.Time
	Mine    bool
	Running bool // it has not ended
	Said    FeedsSaid
}

// FeedsSaid is what the instance that reads the feeds tells the others of it.
type FeedsSaid struct {
	FolderAt time.Time // the last look that read the folder to its end; zero: none, or there is no folder
	Trouble  string    // why the feeds are not read as they should be; "": they are
	Growing  []GrowingFile
	Refused  []FileState // files that cannot be read as they are
}
