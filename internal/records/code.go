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
	Value  string            // a word of the kind's list; a LOINC or ATC code
	Reason string            // of a restriction
	Words  map[string]string // what a value in the feed means, by its code or text
	Who    string
	At     time.Time
}

// CodeKind is what a code of the table gives: a word of the site's table of codes.
type CodeKind string

// The kinds that texts of drugs may have; codes may have every kind of the table.
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

// SeenCode is a code of a feed that no open standard and no entry of the site's table told when it
// came.
type SeenCode struct {
	Feed   string
	Kind   SeenKind
	System string
	Code   string
	Text   string // as it was displayed the last time
	Rows   int    // how often it has come
	Newest time.Time
}

// SeenKind is what a code is of.
type SeenKind string

// The kinds of codes that may be told by nobody.
const (
	SeenObservation SeenKind = "observation"
	SeenDrugCode    SeenKind = "drug"
	SeenFlag        SeenKind = "flag"
	SeenCondition   SeenKind = "condition"
	SeenEvent       SeenKind = "event"
	SeenProcedure   SeenKind = "procedure"
	SeenPosition    SeenKind = "position"
	SeenLimb        SeenKind = "limb"
	SeenPlace       SeenKind = "place"
	SeenClass       SeenKind = "class" // of a visit
	SeenUnit        SeenKind = "unit"
	SeenWord        SeenKind = "word" // a value of a code that the table knows; System names the code
)
