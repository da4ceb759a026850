package clinical

// A Rule is the entry of one rule in the table of rules. Its explanation, sentence and
// short form stand in the catalogue of words under its id; a test of internal/text
// holds both to each other.
type Rule struct {
	ID     string // as pages, documents and the log name it: "D-ALPHA"
	Source string // where its figures are from; "policy" is a number that the site sets
	// Figures is an empty value of the figures that its sentence needs; nil where it needs
	// none, or where it has none of its own.
	Figures Figures
}

// Figures are the figures that the words of a rule need: a struct, whose fields the
// sentence names. A figure that is not known is nil, or empty.
type Figures interface {
	// OfRule does nothing; it keeps maps and bare values out.
	OfRule()
}
