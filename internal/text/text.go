// Package text is the catalogue of sentences: the one place where rules and
// figures become words. Nothing here decides anything.
package text

import (
	"math"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/trends"
)

// Catalogue makes sentences for one site and one moment.
type Catalogue struct {
	Zone *time.Location
	At   time.Time
}

// Figure writes a number as people read it: at most one decimal.
func Figure(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

// Time writes a moment in the site's zone.
//
// The year is told where the moment is far from the catalogue's. In the hour that a
// clock put back runs through twice, the zone's abbreviation tells which of the two.
func (c Catalogue) Time(t time.Time) string {
	if d := c.At.Sub(t); !c.At.IsZero() && (d > yearFrom || d < -yearFrom) {
		return c.Dated(t)
	}
	return clock(t.In(c.Zone), "2 Jan 15:04")
}

// Short is the time of the day alone on the day of the moment that it is told at, else Time.
func (c Catalogue) Short(t time.Time) string {
	local, now := t.In(c.Zone), c.At.In(c.Zone)
	if local.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return clock(local, "15:04")
	}
	return c.Time(t)
}

// Dated is Time with the year, for what is filed.
func (c Catalogue) Dated(t time.Time) string { return clock(t.In(c.Zone), "2 Jan 2006 15:04") }

func clock(local time.Time, form string) string {
	if twice(local) {
		form += " MST"
	}
	return local.Format(form)
}

// yearFrom is how far away a time is told with its year: half a year, beyond which day
// and month may be taken for those of the next year or the one before.
const yearFrom = 182 * 24 * time.Hour

// twice reports whether a clock on the wall showed the same at another moment, because it
// was put back. No zone has put its clocks back by more than some hours.
func twice(local time.Time) bool {
	_, offset := local.Zone()
	for _, by := range []time.Duration{-3 * time.Hour, 3 * time.Hour} {
		_, other := local.Add(by).Zone()
		if other == offset {
			continue
		}
		again := local.Add(time.Duration(offset-other) * time.Second)
		if _, o := again.Zone(); o == other {
			return true
		}
	}
	return false
}

// Ago says how long before the catalogue's moment t was. What is timed within the minute after
// it has happened: a clock, or the seconds of a page's moment, are that little behind.
func (c Catalogue) Ago(t time.Time) string {
	d := c.At.Sub(t)
	if d <= -time.Minute {
		return Say("time.in", Span(-d))
	}
	return Say("time.ago", Span(d))
}

// Span writes a duration in the unit that people would use.
func Span(d time.Duration) string {
	switch {
	case d < time.Minute:
		return Say("time.under-a-minute")
	case d < time.Hour:
		return Say("time.minutes", int(d.Minutes()))
	case d < 48*time.Hour:
		h, m := int(d.Hours()), int(d.Minutes())%60
		if m == 0 {
			return Say("time.hours", h)
		}
		return Say("time.hours-minutes", h, m)
	}
	return Say("time.days", int(math.Round(d.Hours()/24)))
}

// List joins words with commas and "and".
func List(words []string) string {
	switch len(words) {
	case 0:
		return ""
	case 1:
		return words[0]
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// Or joins words of which one is enough.
func Or(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return Say("parts.or", strings.Join(words[:len(words)-1], ", "), words[len(words)-1])
}

// Reason says why a tier rule holds, with its figures.
func (c Catalogue) Reason(r alerts.Reason) string { return c.rule(r.Rule, ".says", r.Figures) }

// RecheckWhy says what a recheck is for; drug and change are "" where no drug is named.
func RecheckWhy(rule, drug, change string) string {
	return sayRecheckWhy(Catalogue{}, alerts.RecheckFigures{Rule: rule, Drug: drug, Change: change})
}

// Due says how long is left, or how long it is overdue.
func (c Catalogue) Due(due time.Time) string {
	if due.Before(c.At) {
		return Say("time.overdue", Span(c.At.Sub(due)))
	}
	return Say("time.in", Span(due.Sub(c.At)))
}

// Missing says why a recheck cannot be done, or what must be done before it.
func Missing(words []string) []string {
	out := make([]string, len(words))
	for n, w := range words {
		if code, ok := alerts.FractureOf(w); ok {
			out[n] = sayFracture(Catalogue{}, code)
			continue
		}
		out[n] = spoken.word("missing", w)
	}
	return out
}

// Flag says why a dose review flag stands.
func (c Catalogue) Flag(f alerts.Flag) string { return c.say(f.Rule+".says", f) }

// Evidence says what a contributor rests on.
func Evidence(c trends.Contributor) string {
	parts := make([]string, 0, len(c.Evidence))
	for _, e := range c.Evidence {
		parts = append(parts, Catalogue{}.rule(e.What, ".says", e.Figures))
	}
	return strings.Join(parts, "; ")
}

// digits writes a ratio, with two decimals.
func digits(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func signed(v float64) string {
	if v > 0 {
		return "+" + Figure(v)
	}
	return strings.Replace(Figure(v), "-", "−", 1)
}

// volume writes a volume, in whole millilitres with the thousands apart: -1,567.
func volume(ml float64) string {
	whole := strconv.FormatFloat(math.Abs(math.Round(ml)), 'f', 0, 64)
	for n := len(whole) - 3; n > 0; n -= 3 {
		whole = whole[:n] + "," + whole[n:]
	}
	if math.Round(ml) < 0 {
		return "−" + whole
	}
	return whole
}

// Millilitres writes a balance with its sign, in whole millilitres.
func Millilitres(ml float64) string {
	if math.Round(ml) > 0 {
		return "+" + volume(ml)
	}
	return volume(ml)
}

// Signed writes a number with its sign.
func Signed(v float64) string { return signed(v) }

// Trend says in words how the drop moves over the stay, with its uncertainty.
func Trend(s trends.Serial) string { return sayTrend(Catalogue{}, s) }

// aroundDoseFigures are how the sets compare within so many hours after a dose.
type aroundDoseFigures struct {
	trends.AroundDose
	Within float64
}

// AroundDose says how many of the sets within so many hours after a dose were positive,
// and how many of the others (T-DOSE).
func AroundDose(d trends.AroundDose, within float64) string {
	return sayAroundDose(Catalogue{}, aroundDoseFigures{d, within})
}

// Around says how the drop moved around a drug change, with its uncertainty: that they
// moved together only where the figures are clear. It never says "caused".
func Around(a trends.Around) string {
	if a.TooFew {
		a.Shift = trends.Shift{} // whatever it is
	}
	return sayAround(Catalogue{}, a)
}

// Caution is the line that stands on every page and print.
var Caution = Say("frame.caution")
