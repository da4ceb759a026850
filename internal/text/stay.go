package text

import (
	"slices"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// courseFigures are what a sentence about the course of the drop tells.
type courseFigures struct {
	trends.Serial
	TrendLevel float64
}

// Unsettled reports whether a trend is named although the interval of its slope reaches
// to the other side.
func (f courseFigures) Unsettled() bool {
	return f.SlopeLow != nil && f.SlopeHigh != nil && *f.SlopeLow <= 0 && *f.SlopeHigh >= 0
}

// Course says in a sentence or two how the drop moves over the stay: slope,
// interval, number of sets and p, and where the data cannot carry it.
func Course(s trends.Serial, p clinical.SerialPolicy) string {
	if s.Slope == nil || s.Trend == trends.TooFew {
		return sayFewSets(Catalogue{}, s)
	}
	return sayCourse(Catalogue{}, courseFigures{s, p.TrendLevel})
}

// neededFigures are what a sentence about clearing tells.
type neededFigures struct {
	trends.Needs
	Policy clinical.Policy
}

// Needed says what would clear a stay, and what does not count and why.
func (c Catalogue) Needed(n trends.Needs, p clinical.Policy) []string {
	out := []string{sayNeeded(c, neededFigures{n, p})}
	if n.After != nil {
		out = append(out, sayAfter(c, *n.After))
	}
	if n.Passed > 0 {
		out = append(out, sayPassed(c, n.Passed))
	}
	return append(out, sayBetween(c, none{}))
}

// Bleeding says which drugs that make a fall more dangerous are charted around it,
// and what nobody can tell.
func (c Catalogue) Bleeding(b trends.Bleeding, fell time.Time) []string {
	var out []string
	for _, d := range b.Drugs {
		out = append(out, sayAntithrombot(c, antithromboticFigures{d, fell}))
	}
	switch known, unknown := len(b.Drugs) > 0, len(b.Unrecognised) > 0; {
	case known && unknown:
		out = append(out, sayUnrecognised(c, b.Unrecognised))
	case unknown: // none of those that are known, which is not none
		out = append(out, sayNoneKnown(c, b))
	case !known:
		out = append(out, sayNoneAround(c, b))
	}
	return out
}

// antithromboticFigures tell a drug around a fall.
type antithromboticFigures struct {
	trends.Antithrombotic
	fell time.Time
}

// Kind is the kind of the drug.
func (f antithromboticFigures) Kind() string { return clinical.Antithrombotic(f.ATC) }

// SinceAfter is how long after the fall the drug was begun.
func (f antithromboticFigures) SinceAfter() time.Duration { return f.Since.Sub(f.fell) }

// GivenBefore is how long before the fall the drug was last given.
func (f antithromboticFigures) GivenBefore() time.Duration { return f.fell.Sub(*f.LastGiven) }

// bleedFigures tell a drug that makes a fall bleed, where the fall stands.
type bleedFigures struct {
	trends.Bleed
	FellAt time.Time
}

// together makes one of the drugs of which the same is told, so that it is said once.
func together(list []trends.Bleed) []trends.Bleed {
	var out []trends.Bleed
	var names [][]string
	for _, b := range list {
		n := slices.IndexFunc(out, func(o trends.Bleed) bool {
			return sameTime(o.LastGiven, b.LastGiven) && sameTime(o.Stopped, b.Stopped) && sameTime(o.Since, b.Since)
		})
		if n < 0 {
			n, out, names = len(out), append(out, b), append(names, nil)
		}
		names[n] = append(names[n], b.Drug)
		out[n].Drug = List(names[n])
	}
	return out
}

func sameTime(a, b *time.Time) bool {
	return a == nil && b == nil || a != nil && b != nil && a.Equal(*b)
}

// GivenGroup says what a drug of E-GIVEN is to a fall: its group, or that it only keeps a
// line open.
func GivenGroup(g trends.LastGiven) string { return sayGroup(Catalogue{}, g) }

// GivenAmount is what the last given dose was, with its route.
func GivenAmount(g trends.LastGiven) string { return sayAmount(Catalogue{}, g) }

// GivenOrder says whether a drug is ordered, and whether as needed only.
func GivenOrder(g trends.LastGiven) string { return sayGivenOrder(Catalogue{}, g) }

// NotGivenSince says how many doses were not given since the last given one.
func NotGivenSince(g trends.LastGiven) string { return sayMissed(Catalogue{}, g) }

// BeforeFall says how long before a fall something was.
func BeforeFall(d time.Duration) string { return sayBeforeFall(Catalogue{}, d) }

// Bleeds says which drugs make a fall bleed, and when each was last given; "" for none.
func Bleeds(f trends.FallFact) string { return sayBleeds(Catalogue{}, f) }

// spanAfter writes the time from one moment to a later one, to the minute below two hours.
func spanAfter(from, to time.Time) string {
	d := to.Sub(from)
	if d >= time.Minute && d < 2*time.Hour {
		return Say("time.minutes", int(d.Minutes()))
	}
	return Span(d)
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
