package text

import (
	"fmt"
	"math"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// Course says in a sentence or two how the drop moves over the stay: slope,
// interval, number of sets and p, and where the data cannot carry it.
func Course(s trends.Serial, p clinical.SerialPolicy) string {
	if s.Slope == nil || s.Trend == trends.TooFew {
		return fmt.Sprintf("%s a drop lying to standing that can be read: a trend is named from four sets on.", Plural(s.TrendSets, "set has", "sets have"))
	}
	out := fmt.Sprintf("%s, over %d sets lying to standing", moving(*s.Slope), s.TrendSets)
	switch s.Trend {
	case trends.Steady:
		out = fmt.Sprintf("No clear trend over %d sets lying to standing; the best guess is %s", s.TrendSets, moving(*s.Slope))
	default:
		out = "The systolic drop is " + out
	}
	if s.SlopeLow != nil && s.SlopeHigh != nil {
		out += "; 95 % interval " + fromTo(*s.SlopeLow, *s.SlopeHigh)
	} else {
		out += "; too few sets for an interval, which takes five"
	}
	if s.P != nil {
		out += "; " + P(*s.P)
	}
	out += "."
	if s.Trend == trends.Steady {
		out += " That is not the same as no change."
	}
	if s.SlopeLow != nil && s.SlopeHigh != nil && s.Trend != trends.Steady && *s.SlopeLow <= 0 && *s.SlopeHigh >= 0 {
		out += " The interval reaches the other way too: the sets do not settle it at 95 %, only at the policy's " + exact(p.TrendLevel) + "."
	}
	return out
}

// moving says a slope in words: which way, and by how much a day.
func moving(slope float64) string {
	by := Figure(math.Abs(slope)) + " mmHg a day"
	switch {
	case slope > 0:
		return "growing by " + by
	case slope < 0:
		return "shrinking by " + by
	}
	return "staying as it is (0 mmHg a day)"
}

// fromTo says an interval of a slope so that its signs cannot be mistaken.
func fromTo(low, high float64) string {
	switch {
	case low >= 0:
		return Figure(low) + " to " + Figure(high)
	case high <= 0:
		return Figure(-high) + " to " + Figure(-low)
	}
	return "from " + Figure(-low) + " a day less to " + Figure(high) + " a day more"
}

// Needed says what would clear a stay, and what does not count and why.
func (c Catalogue) Needed(n trends.Needs, p clinical.Policy) []string {
	standing := fmt.Sprintf("with a standing reading at %s to %s min", Figure(p.Sets.ClearingStandFromMinutes), Figure(p.Sets.StandingToMinutes))
	sets := Plural(n.Negatives, "further negative set", "further negative sets")
	if n.NotBefore == nil {
		sets = Plural(n.Negatives, "negative set", "negative sets")
	}
	first := sets + " lying to standing, " + standing
	if n.Negatives > 1 {
		first = sets + " lying to standing, each " + standing
	}
	switch {
	case n.NotBefore != nil && n.Negatives > 1:
		first += ", the last one not before " + c.Time(*n.NotBefore)
	case n.NotBefore != nil:
		first += ", not before " + c.Time(*n.NotBefore)
	case n.Negatives > 1:
		first += fmt.Sprintf(", the first and the last at least %s h apart", Figure(p.Serial.ClearHours))
	}
	if n.Positive.Kind == trends.SittingToStanding { // sitting up has no standing reading that could clear
		first += " (or " + Kinds[n.Positive.Kind] + ", as the positive one was)"
	}
	out := []string{first + "."}
	if n.After != nil {
		out = append(out, fmt.Sprintf("Only sets after %s count: %s was %s then. A further start, raise or resumption begins the count anew.", c.Time(n.After.At), n.After.Drug, n.After.Change))
	}
	if n.Passed > 0 {
		out = append(out, Plural(n.Passed, "negative set at the end does", "negative sets at the end do")+" not count: before that change, without such a reading, or of another kind.")
	}
	return append(out, "A positive set in between begins it anew.")
}

// Bleeding says which drugs that make a fall more dangerous are charted around it,
// and what nobody can tell.
func (c Catalogue) Bleeding(b trends.Bleeding, fell time.Time) []string {
	var out []string
	for _, d := range b.Drugs {
		out = append(out, c.antithrombotic(d, fell))
	}
	if len(out) == 0 {
		out = append(out, "No anticoagulant, antiplatelet or thrombolytic drug is charted around the fall.")
	}
	if len(b.Unrecognised) > 0 {
		out = append(out, "Not recognised, so not judged, and may be one: "+List(b.Unrecognised)+".")
	}
	return out
}

func (c Catalogue) antithrombotic(d trends.Antithrombotic, fell time.Time) string {
	kind := clinical.Antithrombotic(d.ATC)
	article := "an "
	if kind == clinical.Thrombolytic {
		article = "a "
	}
	kind = article + kind
	var given string
	if d.LastGiven != nil {
		given = "last given " + c.Time(*d.LastGiven) + " (" + Span(fell.Sub(*d.LastGiven)) + " before it)"
	} else {
		given = "no dose charted in the 7 days before it"
	}
	var out string
	switch {
	case !d.At():
		return "On " + kind + " since the fall, not at it: " + d.Name + ", from " + c.Time(*d.Since) + " (" + Span(d.Since.Sub(fell)) + " after it)."
	case d.Ordered:
		out = "On " + kind + " at the fall: " + d.Name + ", " + given
	case d.Stopped != nil:
		out = "On " + kind + " shortly before the fall: " + d.Name + ", order ended " + c.Time(*d.Stopped) + ", " + given
	default:
		out = "On " + kind + " shortly before the fall: " + d.Name + ", no order at the fall, " + given
	}
	if d.Since != nil {
		out += "; again from " + c.Time(*d.Since)
	}
	return out + "."
}

var factKinds = map[clinical.Kind]string{
	clinical.KindStay: Say("history.kind-stays"), clinical.KindVitals: Say("history.kind-vitals"),
	clinical.KindOrder: Say("history.kind-orders"), clinical.KindDose: Say("history.kind-doses"),
	clinical.KindFluid: Say("history.kind-fluids"), clinical.KindWeight: Say("history.kind-weights"),
	clinical.KindLab: Say("history.kind-labs"), clinical.KindCondition: Say("history.kind-conditions"),
	clinical.KindPrecaution: Say("history.kind-precautions"), clinical.KindFall: Say("history.kind-falls"),
	clinical.KindRestriction: Say("history.kind-restrictions"), clinical.KindClearance: Say("history.kind-clearances"),
	clinical.KindAnswer: Say("history.kind-answers"), clinical.KindTreatment: Say("history.kind-treatments"),
}

// FactKind is a kind of fact as people read it.
func FactKind(k clinical.Kind) string { return factKinds[k] }
