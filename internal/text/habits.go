package text

import (
	"strconv"

	"plumbline/internal/feedcheck"
)

// Words of what feeds bring, by measure: its name, and what is lost without it; and of how a day
// stands to the habit.
var (
	MeasureNames = named[feedcheck.Measure]("measures")
	MeasureLost  = named[feedcheck.Measure]("measure-lost")
	HabitStates  = named[feedcheck.State]("habit-states")
)

// gapFigures are what is told of a measure that falls short.
type gapFigures struct {
	What, Feed, Since, Now, Usual, Lost string
	Never, None                         bool
}

// Gap says which measure of a unit falls short, since when, and what is lost with it.
func (c Catalogue) Gap(g feedcheck.Gap) string {
	h := g.Habit
	f := gapFigures{
		What: MeasureNames[h.Measure], Feed: g.Feed, Lost: MeasureLost[h.Measure],
		Never: h.State == feedcheck.Never, None: h.State == feedcheck.None, Since: c.Weekday(h),
	}
	if h.Latest >= 0 {
		d := h.Days[h.Latest]
		f.Now, f.Usual = MeasureValue(h.Measure, d.Value(h.Measure)), MeasureValue(h.Measure, d.Expected)
	}
	return sayGap(c, f)
}

// Weekday is the day since when a measure falls short, such as "Tue 24 Nov"; "" for none.
func (c Catalogue) Weekday(h feedcheck.Habit) string {
	if h.Since.IsZero() {
		return ""
	}
	return h.Since.In(c.Zone).Format("Mon 2 Jan")
}

// MeasureValue writes a figure of a measure: a share as a percentage, a count to one decimal, and
// a dash for none.
func MeasureValue(m feedcheck.Measure, v *float64) string {
	switch {
	case v == nil:
		return "–"
	case m.IsShare():
		return strconv.Itoa(int(*v*100+.5)) + " %"
	}
	return Figure(*v)
}

// BriefingGap says for the administrator that feeds of a unit bring less than they should.
func (c Catalogue) BriefingGap(unit string, g feedcheck.Gap) string {
	return sayBriefingGap(c, briefingGap{unit, c.Gap(g)})
}

type briefingGap struct{ Unit, Says string }
