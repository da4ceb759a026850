package text

import (
	"fmt"

	"plumbline/internal/alerts"
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
