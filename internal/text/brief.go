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
func (c Catalogue) LineOf(d trends.Digest, r alerts.Reason) string { return c.onSome(d, r, c.Line(r)) }

// BriefOf is Brief for a reason of a stay, as LineOf is Line.
func (c Catalogue) BriefOf(d trends.Digest, r alerts.Reason) string {
	return c.onSome(d, r, c.Brief(r))
}

// LeadBriefOf is LeadBrief for a reason of a stay, as LineOf is Line.
func (c Catalogue) LeadBriefOf(d trends.Digest, r alerts.Reason) string {
	return c.onSome(d, r, c.LeadBrief(r))
}

// FellBeside tells the latest recent fall of a stay and the drugs that make it bleed in a few
// words, where another rule decides; "" where that of a fall does, or nobody fell.
func (c Catalogue) FellBeside(a alerts.Assessment) string {
	if a.DecidedByFall() {
		return ""
	}
	for _, r := range a.Reasons {
		if f, ok := r.Figures.(alerts.FellFigures); ok && r.Rule == alerts.TFell {
			return c.onSome(a.Digest, r, sayFellBeside(c, f))
		}
	}
	return ""
}

// onSome adds to what is said of a fall that drugs run around it that nothing tells.
func (c Catalogue) onSome(d trends.Digest, r alerts.Reason, said string) string {
	fell, ok := r.Figures.(alerts.FellFigures)
	if ok && slices.ContainsFunc(d.Falls, func(f trends.FallFact) bool {
		return f.At.Equal(fell.FellAt) && len(f.Unrecognised) > 0
	}) {
		return sayFellOnSome(c, said)
	}
	return said
}
