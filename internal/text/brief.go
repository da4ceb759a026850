package text

import (
	"slices"

	"fmt"

	"plumbline/internal/alerts"
	"plumbline/internal/trends"
)

// Plural writes a count with its noun.
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// Brief says a reason in a few words with its figures, where the same row tells
// the rest.
func (c Catalogue) Brief(r alerts.Reason) string { return c.rule(r.Rule, ".brief", r.Figures) }

// Line says a reason of the list in at most eight words beside its figures; what is owed and
// the latest set stand in the same row.
func (c Catalogue) Line(r alerts.Reason) string { return c.rule(r.Rule, ".line", r.Figures) }

// LineOf is Line for a reason of a stay: a fall around which drugs run that nothing tells says
// that too, for some may make it bleed.
func (c Catalogue) LineOf(d trends.Digest, r alerts.Reason) string {
	line := c.Line(r)
	fell, ok := r.Figures.(alerts.FellFigures)
	if ok && slices.ContainsFunc(d.Falls, func(f trends.FallFact) bool {
		return f.At.Equal(fell.FellAt) && len(f.Unrecognised) > 0
	}) {
		return sayFellOnSome(c, line)
	}
	return line
}
