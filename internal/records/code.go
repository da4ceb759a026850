package records

import "time"

// Code is one entry of the site's table of codes as it was made in the app: what a code or
// a text of the feeds means. Entries are only ever added; of one system and code the last
// one counts.
type Code struct {
	Number int64
	System string // the code system; TextSystem where Code is a charted text; "": any
	Code   string
	Kind   CodeKind
	Value  string // an ATC code, for a drug
	Who    string
	At     time.Time
}

// CodeKind is what a code of the table gives: a word of the site's table of codes.
type CodeKind string

// The kinds that are made in the app.
const (
	CodeDrug    CodeKind = "drug"
	CodeIgnore  CodeKind = "ignore"  // a drug that does not matter
	CodeNothing CodeKind = "nothing" // taken back
)

// TextSystem stands for the code system of texts as charted.
const TextSystem = "text"

// SeenDrug is a drug as the feeds named it, with how often.
type SeenDrug struct {
	Text, ATC, RxNorm string
	Facts, Stays      int // orders and doses; stays that have any
	Newest            time.Time
}
