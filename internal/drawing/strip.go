package drawing

import (
	"strings"

	"plumbline/internal/trends"
)

// The strip: a bar for each set, from the level of the baseline down to its largest
// systolic drop, on the scale of a set.
const (
	MaxSets  = 12  // the latest
	perSet   = 7.0 // from one bar to the next
	barWidth = 4.0
	stripEnd = 2.0
)

// StripWidth is the width of every strip, however many sets it holds.
const StripWidth = int(MaxSets*perSet + 2*stripEnd)

// Strip draws the drops of the sets of a stay, the latest at the right: filled where a set
// is positive, open where it is not, a cross where it cannot be read. past tells which are
// from before something that they cannot speak for. says is the strip in words.
func Strip(sets []trends.Set, past func(trends.Set) bool, says string) string {
	if len(sets) > MaxSets {
		sets = sets[len(sets)-MaxSets:]
	}
	f := figure{class: "drawn strip"}
	threshold, _ := trends.DropsOf("")
	f.path("th", "M"+at(0, Y(threshold))+"H"+number(float64(StripWidth)))
	f.path("base", "M"+at(0, Level)+"H"+number(float64(StripWidth)))
	var filled, open, grey, crosses strings.Builder
	for n, s := range sets {
		x := BarX(n, len(sets))
		switch {
		case s.SystolicDrop == nil || !s.Interpretable():
			crosses.WriteString(cross(x+barWidth/2, Level))
		case s.Finding == trends.Positive:
			filled.WriteString(bar(x, *s.SystolicDrop))
		case past(s):
			grey.WriteString(bar(x, *s.SystolicDrop))
		default:
			open.WriteString(bar(x, *s.SystolicDrop))
		}
	}
	f.path("cross", crosses.String())
	f.path("open past", grey.String())
	f.path("open", open.String())
	f.path("fill", filled.String())
	return f.svg(StripWidth, Height, says)
}

// BarX is where the bar of the n-th of so many sets begins.
func BarX(n, of int) float64 {
	return float64(StripWidth) - stripEnd - float64(of-n)*perSet + (perSet-barWidth)/2
}

func bar(x, drop float64) string {
	return "M" + at(x, Level) + "V" + number(Y(drop)) + "h" + number(barWidth) + "V" + number(Level) + "z"
}
