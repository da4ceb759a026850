package huddle

import (
	"strings"
	"testing"
)

// sheetOf is a sheet of rows with so many letters of reasons.
func sheetOf(rows, letters int) sheetView {
	var s sheetView
	for range rows {
		s.Rows = append(s.Rows, sheetRow{Why: strings.Repeat("x", letters), Owed: []sheetDue{{Text: "recheck", Due: "2 Nov 04:00"}}})
	}
	return s
}

// The more there is to say, the smaller the letters, down to the last size.
func TestTheSheetIsSetAsLargeAsFits(t *testing.T) {
	last := 0
	for _, tc := range []struct {
		rows, letters int
		want          string
	}{{4, 60, ""}, {32, 20, ""}, {32, 115, "dense"}, {33, 160, "tight"}, {60, 400, "tight"}} {
		got := sizeOf(listView{}, sheetOf(tc.rows, tc.letters))
		if got != tc.want {
			t.Errorf("%d rows of %d letters are set %q, want %q: %.0f of %.0f points at 6.5", tc.rows, tc.letters, got, tc.want,
				heightOf(listView{}, sheetOf(tc.rows, tc.letters), 6.5), sheetHeight)
		}
		at := 0
		for n, size := range sheetSizes {
			if size.class == got {
				at = n
			}
		}
		if at < last {
			t.Errorf("%d rows are set larger than fewer", tc.rows)
		}
		last = at
	}
}
