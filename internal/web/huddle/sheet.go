package huddle

import (
	"math"
	"unicode/utf8"
)

// sheetSize is a size of letters of the printed sheet: its class in huddle.css, and the
// points of that class.
type sheetSize struct {
	class  string
	points float64
}

// sheetSizes are the sizes of the sheet, the best to read first. What does not fit in
// the last runs on to a second sheet.
var sheetSizes = []sheetSize{{"", 7.5}, {"dense", 6.5}, {"close", 6.1}, {"tight", 5.7}}

// Measures of the sheet: the points of A4 within its margins, and what a line, the
// padding of a row and a letter take of the size of letters. Measured on the demo's
// sheet in a wide typeface (DejaVu Sans), so that others leave room.
const (
	sheetHeight = 798.0
	lineHeight  = 1.25
	rowPadding  = 0.4
	letterWidth = 0.57
)

// sizeOf picks the largest size in which a sheet fits on one page, by an estimate of
// its lines.
func sizeOf(v listView, s sheetView) string {
	for _, size := range sheetSizes {
		if heightOf(v, s, size.points) <= sheetHeight {
			return size.class
		}
	}
	return sheetSizes[len(sheetSizes)-1].class
}

// heightOf estimates the height of a sheet, in points, at a size of letters.
func heightOf(v listView, s sheetView, points float64) float64 {
	// lines is how many lines some letters take in a column of so many points.
	lines := func(letters int, width float64) float64 {
		return max(1, math.Ceil(float64(letters)*points*letterWidth/width))
	}
	fell, news := 1.0, 1.0
	for _, e := range v.Fell {
		fell += lines(letters(e.Bed, e.Name, e.Text, e.Left)+3, 210)
	}
	for _, g := range v.Since.Groups {
		n := letters(g.Name)
		for _, i := range g.Items {
			n += letters(i.Bed, i.Text) + 3
		}
		news += lines(n, 315)
	}
	total, rows := max(fell, news)+6.5, 0.0 // with its head, the table's head and the foot
	for _, r := range s.Rows {
		if r.First {
			total, rows = total+1.2, rows+1
		}
		total, rows = total+rowLines(r, lines), rows+1
	}
	quiet := 70
	for _, bed := range s.Quiet {
		quiet += letters(bed) + 2
	}
	total += lines(quiet, 540)
	if v.Stale {
		total += 3 // the banner before all else
	}
	return points * (total*lineHeight + rows*rowPadding)
}

// rowLines is how many lines the longest cell of a row takes.
func rowLines(r sheetRow, lines func(letters int, width float64) float64) float64 {
	why, width := letters(r.Why, r.Set)+5, 430.0
	for _, other := range r.Others {
		why += letters(other) + 3
	}
	owed := 0.0
	for _, d := range r.Owed {
		n := letters(d.Text, d.Due) + 9
		for _, m := range append(d.Notes, d.Missing...) {
			n += letters(m) + 1
		}
		owed += lines(n, 140)
		width = 228
	}
	return max(lines(why, width), owed, lines(letters(r.Bed, r.Name, r.Age)+3, 105))
}

func letters(texts ...string) (n int) {
	for _, t := range texts {
		n += utf8.RuneCountInString(t)
	}
	return n
}
