package records

import "time"

// How the audit names who is no account. An account has none of these names, and none
// that begins with TokenWho.
const (
	CommandLine = "command line" // whoever may run the program's commands
	Program     = "program"      // the program itself
	TokenWho    = "token "       // before the name of a machine's token
)

// AuditEntry is one thing that somebody did. Texts hold no patient data but the ids of
// stays: an audit must not become a second chart. What is done, and how the entries are
// linked to a chain, stands in internal/audit.
type AuditEntry struct {
	N       int64     `json:"n"` // from 1, without a gap
	At      time.Time `json:"at"`
	Who     string    `json:"who"`   // account, "token NAME", Program, CommandLine, or "" before sign-in
	From    string    `json:"from"`  // network address
	Did     string    `json:"did"`   // a constant of internal/audit
	What    string    `json:"what"`  // the page or the action, such as "GET /stays/:stay"
	Unit    string    `json:"unit"`  // "" where none
	Stay    string    `json:"stay"`  // "" where none
	AsOf    time.Time `json:"as_of"` // the moment that was asked about; zero: the present
	Outcome string    `json:"outcome"`
	Note    string    `json:"note"`
	Hash    []byte    `json:"-"`
}

// AuditQuery chooses entries; empty fields choose all.
type AuditQuery struct {
	Who    string
	StayID string
	Unit   string
	From   time.Time // at or after
	To     time.Time // before
	// Newest lists the latest first; the entries then come in that order, as many
	// as Limit says and before number Before, where that is not 0.
	Newest bool
	Before int64
	Limit  int
}
