package text

import (
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/trends"
)

// Event says who fell or fainted: when, with what injury or pressures, and whether a
// set was taken since; of a fall also that drugs run around it that nothing tells.
func (c Catalogue) Event(e alerts.Event) string {
	said := c.event(e)
	if e.Fall != nil && len(e.Fall.Unrecognised) > 0 {
		return sayFellOnSome(c, strings.TrimSuffix(said, ".")) + "."
	}
	return said
}

func (c Catalogue) event(e alerts.Event) string {
	switch {
	case e.Fainted:
		return sayFainted(c, as[alerts.SetFigures](e.Reason.Figures))
	case e.SetNow:
		return sayFellAndSet(c, as[alerts.FellFigures](e.Reason.Figures))
	}
	return c.Reason(alerts.Reason{Rule: alerts.TFall, Figures: e.Reason.Figures})
}

// as gives figures their type; empty ones where they are of another.
func as[F clinical.Figures](figures clinical.Figures) F {
	f, _ := figures.(F)
	return f
}

// OwedOne says in a line what is owed, with its figures; the time at which a set is due
// stands beside it.
func (c Catalogue) OwedOne(d episodes.Due) string {
	switch d.Kind {
	case episodes.FallWithoutSet:
		return sayOwedAfterFall(c, as[alerts.FellFigures](d.Figures))
	case episodes.TellProvider:
		return sayOwedProvider(c, d)
	case episodes.ClearanceOwed:
		return sayOwedClearance(c, d)
	case episodes.PrecautionsMissing:
		return sayOwedPrecautions(c, as[alerts.MissingFigures](d.Figures))
	case episodes.DoseReview:
		return sayOwedReview(c, as[alerts.ReviewFigures](d.Figures))
	}
	return sayOwedRecheck(c, as[alerts.RecheckFigures](d.Figures))
}

// OwedBrief is OwedOne for paper, where a row has no room for more.
func (c Catalogue) OwedBrief(d episodes.Due) string {
	switch d.Kind {
	case episodes.FallWithoutSet:
		return sayOwedAfterBrief(c, none{})
	case episodes.TellProvider:
		return sayOwedProviderBrief(c, none{})
	case episodes.ClearanceOwed:
		return sayOwedClearanceBrief(c, none{})
	case episodes.PrecautionsMissing:
		return sayOwedPrecautionsBrief(c, as[alerts.MissingFigures](d.Figures))
	case episodes.DoseReview:
		return sayOwedReviewBrief(c, as[alerts.ReviewFigures](d.Figures))
	}
	return sayOwedRecheckBrief(c, none{})
}

// OwedLine is OwedBrief for the line of a patient.
func (c Catalogue) OwedLine(d episodes.Due) string {
	switch d.Kind {
	case episodes.PrecautionsMissing:
		return sayOwedPrecautionsLine(c, as[alerts.MissingFigures](d.Figures))
	case episodes.DoseReview:
		return sayOwedReviewLine(c, none{})
	}
	return c.OwedBrief(d)
}

// ClockTime writes the time of the day alone, in the site's zone.
func (c Catalogue) ClockTime(t time.Time) string { return t.In(c.Zone).Format("15:04") }

// newSets are how many sets are newly positive, and the last of them.
type newSets struct {
	Sets int
	Last trends.Set
}

// NewSets says which sets of a patient are newly positive.
func (c Catalogue) NewSets(sets []trends.Set) string {
	return sayNewSets(c, newSets{len(sets), sets[len(sets)-1]})
}

// agoBrief is Ago for paper: whole hours, and days from two on.
func (c Catalogue) agoBrief(t time.Time) string {
	d := c.At.Sub(t)
	if d >= time.Hour && d < 48*time.Hour {
		d = d.Truncate(time.Hour)
	}
	return Say("time.ago", Span(d))
}

// LeadBrief is a deciding reason for paper: a recheck with what it is for.
func (c Catalogue) LeadBrief(r alerts.Reason) string {
	if f, recheck := r.Figures.(alerts.RecheckFigures); recheck {
		return sayRecheckLead(c, f)
	}
	return c.Brief(r)
}

// NewFalls says which falls of a patient are new.
func (c Catalogue) NewFalls(falls []trends.FallFact) string { return sayEach(c, sayNewFall, falls) }

// NewDoses says which ordered doses of a patient have changed.
func (c Catalogue) NewDoses(changes []trends.Change) string { return sayEach(c, sayChangeAt, changes) }

func sayEach[T any](c Catalogue, say func(Catalogue, T) string, list []T) string {
	out := make([]string, len(list))
	for n, one := range list {
		out[n] = say(c, one)
	}
	return strings.Join(out, "; ")
}

// SetBrief writes a set of a stay for paper: its finding, pressures, minutes and drop, with its time and
// age; of a positive one by what it is so, unless the line told that, of a negative one what
// has overtaken it.
func (c Catalogue) SetBrief(d trends.Digest, s trends.Set, told bool) string {
	return saySetBrief(c, setTold{s, Overtaken(d, s), told})
}
