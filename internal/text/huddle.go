package text

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/trends"
)

// Event says who fell or fainted: when, with what injury or pressures, and whether a
// set was taken since.
func (c Catalogue) Event(e alerts.Event) string {
	switch {
	case e.Fainted:
		return c.say("fainted", e.Reason.Figures)
	case e.SetNow:
		return c.say("fell-and-set", e.Reason.Figures)
	}
	return c.Reason(alerts.Reason{Rule: alerts.TFall, Figures: e.Reason.Figures})
}

// OwedOne says in a line what is owed, with its figures; the time at which a set is due
// stands beside it.
func (c Catalogue) OwedOne(d episodes.Due) string {
	switch d.Kind {
	case episodes.FallWithoutSet:
		return c.say("owed-after-fall", d.Figures)
	case episodes.TellProvider:
		return "tell the provider: " + c.Brief(alerts.Reason{Rule: d.Rule, Figures: d.Figures})
	case episodes.PrecautionsMissing:
		return c.say("owed-precautions", d.Figures)
	case episodes.DoseReview:
		return c.say("owed-review", d.Figures)
	}
	return c.say("owed-recheck", d.Figures)
}

// OwedBrief is OwedOne for paper, where a row has no room for more.
func (c Catalogue) OwedBrief(d episodes.Due) string {
	switch d.Kind {
	case episodes.FallWithoutSet:
		return "set after the fall"
	case episodes.TellProvider:
		return "tell the provider"
	case episodes.PrecautionsMissing:
		return c.say("owed-precautions-brief", d.Figures)
	case episodes.DoseReview:
		return c.say("owed-review-brief", d.Figures)
	}
	return "recheck"
}

// ClockTime writes the time of the day alone, in the site's zone.
func (c Catalogue) ClockTime(t time.Time) string { return t.In(c.Zone).Format("15:04") }

// NewSets says which sets of a patient are newly positive.
func (c Catalogue) NewSets(sets []trends.Set) string {
	last := sets[len(sets)-1]
	out := dropsBrief(last) + ", " + c.Time(last.StartedAt)
	if len(sets) > 1 {
		return Plural(len(sets), "set", "sets") + ", the last: " + out
	}
	return out
}

// dropsBrief is Drops in as few words as can be read: "drop 40/18".
func dropsBrief(s trends.Set) string {
	if s.SystolicDrop != nil && s.DiastolicDrop != nil && *s.SystolicDrop >= 0 && *s.DiastolicDrop >= 0 {
		return "drop " + Figure(*s.SystolicDrop) + "/" + Figure(*s.DiastolicDrop)
	}
	return Drops(s)
}

// ageBrief is Ago for paper: whole hours, and days from two on.
func (c Catalogue) ageBrief(t time.Time) string {
	d := c.At.Sub(t)
	if d >= time.Hour && d < 48*time.Hour {
		d = d.Truncate(time.Hour)
	}
	return Span(d) + " ago"
}

// LeadBrief is a deciding reason for paper: a recheck with what it is for.
func (c Catalogue) LeadBrief(r alerts.Reason) string {
	if _, recheck := r.Figures.(alerts.RecheckFigures); recheck {
		return c.say("recheck-lead", r.Figures)
	}
	return c.Brief(r)
}

// NewFalls says which falls of a patient are new.
func (c Catalogue) NewFalls(falls []trends.FallFact) string {
	out := make([]string, len(falls))
	for n, f := range falls {
		out[n] = c.Time(f.At) + ", " + Injury(f.Injury)
	}
	return strings.Join(out, "; ")
}

// NewDoses says which ordered doses of a patient have changed.
func (c Catalogue) NewDoses(changes []trends.Change) string {
	out := make([]string, len(changes))
	for n, ch := range changes {
		out[n] = Change(ch) + ", " + c.Time(ch.At)
	}
	return strings.Join(out, "; ")
}

// SetBrief writes a set for paper: pressures, minutes and drop, with its time and age.
func (c Catalogue) SetBrief(s trends.Set) string {
	from, to := "?", "did not stand"
	if slices.ContainsFunc(s.Upright, func(u trends.Upright) bool { return u.Position == clinical.Standing }) {
		to = "no pressure standing"
	}
	if b := s.Baseline; b != nil {
		from = Pressure(b.Systolic, b.Diastolic)
	}
	if u := Decisive(s); u != nil {
		to = Pressure(u.Systolic, u.Diastolic)
		if u.Minutes != nil {
			to += " at " + Figure(*u.Minutes) + " min"
		}
	}
	out := from + " → " + to
	if s.SystolicDrop != nil {
		out += ", " + Catalogue{}.say("drop-brief", s.SystolicDrop)
	}
	return out + "; " + c.Time(s.StartedAt) + ", " + c.ageBrief(s.StartedAt)
}
