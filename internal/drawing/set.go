// Package drawing draws orthostatic sets as small SVG figures of one fixed scale, so that
// two of them can be compared at a glance. It draws figures that are worked out elsewhere
// and decides nothing.
package drawing

import (
	"html"
	"math"
	"strconv"
	"strings"

	"plumbline/internal/trends"
)

// The scale of every figure, in the units of its viewBox.
const (
	Width, Height = 120, 34 // of a set

	Level   = 6.0  // the height of the baseline: no drop
	PerMmHg = 0.4  // down for each mmHg of drop
	Lowest  = 62.0 // mmHg of drop; a larger one is drawn here
	Highest = -12  // mmHg: a rise; a larger one is drawn here

	baseAt    = 5.0
	RiseAt    = 18.0 // where the patient has risen: minute 0
	PerMinute = 8.0  // to the right for each minute upright
	LastMin   = 10.0 // a later reading is drawn a little after this minute
	later     = 104.0
	signAt    = 110.0 // symptoms
)

// MaxReadings is how many upright readings a figure holds; of more it shows the first, the
// last and those that decide.
const MaxReadings = 8

// Set draws a set: the level of the baseline, the threshold, and each upright reading by
// its minute, systolic drops as a line with dots and diastolic ones as a thin line. The mark
// of the reading that decides has the shape of the finding. past draws it grey: it is from
// before something that it cannot speak for. says is the figure in words.
func Set(s trends.Set, past bool, says string) string {
	f := figure{class: "drawn " + classOf(s.Finding)}
	if past {
		f.class += " past"
	}
	systolic, diastolic := trends.DropsOf(s.Kind)
	f.path("th", "M"+at(RiseAt, Y(systolic))+"H"+number(later))
	f.path("td", "M"+at(RiseAt, Y(diastolic))+"H"+number(later))
	f.path("base", "M"+at(0, Level)+"H"+number(later))
	if s.Baseline == nil || s.Baseline.Systolic == nil {
		f.path("cross", cross(baseAt, Level))
	}
	shown := readingsOf(s)
	line := func(drop func(trends.Upright) *float64) string {
		var d strings.Builder
		for _, u := range shown {
			if v := drop(u); v != nil {
				d.WriteString("L" + at(X(u.Minutes), Y(*v)))
			}
		}
		if d.Len() == 0 {
			return ""
		}
		return "M" + at(baseAt, Level) + d.String()
	}
	f.path("dia", line(diastolicDrop))
	f.path("sys", line(systolicDrop))
	f.marks(s, shown)
	if s.StoppedEarly {
		x := RiseAt
		if n := len(shown); n > 0 {
			x = X(shown[n-1].Minutes)
		}
		f.path("stop", "M"+at(x+5, 1)+"V33M"+at(x+8, 1)+"V33")
	}
	if len(s.Symptoms) > 0 {
		f.path("sign", "M"+at(signAt+4, 2)+"l-4 8h5l-4 8")
	}
	return f.svg(Width, Height, says)
}

// X is where a reading at so many minutes upright stands; where they are not known, at the
// moment of rising.
func X(minutes *float64) float64 {
	switch {
	case minutes == nil:
		return RiseAt
	case *minutes > LastMin:
		return later
	}
	return RiseAt + PerMinute*math.Max(*minutes, 0)
}

// Y is the height of a drop in mmHg.
func Y(drop float64) float64 { return Level + PerMmHg*math.Min(math.Max(drop, Highest), Lowest) }

// classOf names a finding in the style sheet.
func classOf(finding string) string {
	switch finding {
	case trends.Positive:
		return "pos"
	case trends.Negative:
		return "neg"
	case trends.SymptomsOnly:
		return "sym"
	}
	return "unk"
}

// readingsOf are the upright readings that are drawn.
func readingsOf(s trends.Set) []trends.Upright {
	if len(s.Upright) <= MaxReadings {
		return s.Upright
	}
	keep := map[int]bool{0: true, len(s.Upright) - 1: true}
	for _, drop := range []func(trends.Upright) *float64{systolicDrop, diastolicDrop} {
		if n := largest(s.Upright, drop); n >= 0 {
			keep[n] = true
		}
	}
	var out []trends.Upright
	for n, u := range s.Upright {
		if keep[n] || len(keep) < MaxReadings {
			keep[n] = true
			out = append(out, u)
		}
	}
	return out
}

func systolicDrop(u trends.Upright) *float64  { return u.SystolicDrop }
func diastolicDrop(u trends.Upright) *float64 { return u.DiastolicDrop }

// largest is the place of the first reading with the largest drop, -1 where none has one.
func largest(of []trends.Upright, drop func(trends.Upright) *float64) int {
	best := -1
	for n, u := range of {
		if v := drop(u); v != nil && (best < 0 || *v > *drop(of[best])) {
			best = n
		}
	}
	return best
}

// marks puts a dot on each systolic drop, a cross where a reading does not compare, and the
// shape of the finding on the one that decides.
func (f *figure) marks(s trends.Set, shown []trends.Upright) {
	drop := systolicDrop
	if s.DecidedBy() == trends.CritDiastolic {
		drop = diastolicDrop
	}
	decides := largest(shown, drop)
	var dots, crosses strings.Builder
	for n, u := range shown {
		switch {
		case u.SystolicDrop == nil:
			crosses.WriteString(cross(X(u.Minutes), Level))
		case n != decides:
			dots.WriteString("M" + at(X(u.Minutes), Y(*u.SystolicDrop)) + "h0")
		}
	}
	f.path("dot", dots.String())
	f.path("cross", crosses.String())
	x, y := RiseAt, Level
	if decides >= 0 {
		x, y = X(shown[decides].Minutes), Y(*drop(shown[decides]))
	}
	f.finding(s.Finding, s.Quality == trends.Complete, x, y)
}

// finding draws the shape that a finding has everywhere: a triangle, a diamond for symptoms
// alone, a circle for a negative set, a cross for what cannot be read; filled where the
// quality is complete.
func (f *figure) finding(finding string, filled bool, x, y float64) {
	class := "is"
	if filled && finding != trends.Inconclusive {
		class += " fill"
	}
	switch finding {
	case trends.Positive:
		f.path(class, "M"+at(x-4.5, y-3)+"h9l-4.5 7z")
	case trends.SymptomsOnly:
		f.path(class, "M"+at(x, y-4)+"l4 4-4 4-4-4z")
	case trends.Negative:
		f.path(class, "M"+at(x-3.5, y)+"a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0-7 0z")
	default:
		f.path(class, "M"+at(x-3.5, y-3.5)+"l7 7m0-7l-7 7")
	}
}

func cross(x, y float64) string { return "M" + at(x-2.5, y-2.5) + "l5 5m0-5l-5 5" }

// figure gathers the paths of an SVG.
type figure struct {
	class string
	body  strings.Builder
}

func (f *figure) path(class, d string) {
	if d != "" {
		f.body.WriteString(`<path class="` + class + `" d="` + d + `"/>`)
	}
}

func (f *figure) svg(width, height int, says string) string {
	return `<svg class="` + f.class + `" viewBox="0 0 ` + strconv.Itoa(width) + " " + strconv.Itoa(height) +
		`" role="img" aria-label="` + html.EscapeString(says) + `">` + f.body.String() + "</svg>"
}

// at writes a point.
func at(x, y float64) string { return number(x) + " " + number(y) }

// number writes a length with two digits after the point at most.
func number(v float64) string {
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}
