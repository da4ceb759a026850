package hl7feed_test

import (
	"fmt"
	"strings"
	"testing"
)

// A message of many values that cannot be used is not kept once for each: beyond a megabyte they are one
// row, which is read again as a whole.
func TestAMessageOfManyBadValuesIsKeptOnce(t *testing.T) {
	eachEngine(t, func(t *testing.T, d desk) {
		text := func(unit string, n int) string {
			lines := []string{"OBR|1||O7|VS|||20261125070000"}
			for k := range n {
				lines = append(lines, obx(k+1, "29463-7^W^LN", "70", unit, fmt.Sprintf("F|||202611250%d%02d00", 1+k/60, k%60)))
			}
			return oru("2", "250705", append(lines, obx(n+1, "29463-7^W^LN", "71", "kg", "F|||20261125070000"))...) + "\r"
		}
		d.load(adt("A01", "1", "240800", pv("I", "4W^12^A")) + "\r")
		// Each takes 40 bytes here, so that 20 of them are kept 20 times, and 300 once.
		few, many := text("", 20), text("", 300)
		if got := d.load(few); !strings.HasPrefix(got, "21 rows: 1 accepted") || !strings.Contains(got, "20 quarantined") {
			t.Errorf("few: %s", got)
		}
		if got := d.load(many); !strings.HasPrefix(got, "2 rows: 1 accepted") || !strings.Contains(got, "no unit (and 299 more of this message cannot be used)") {
			t.Errorf("many: %s", got)
		}
		bytes := 0
		held, err := d.db.AllHeld(t.Context())
		for _, h := range held {
			bytes += len(h.Original)
		}
		if err != nil || len(held) != 21 || bytes != 20*len(strings.TrimSpace(few))+len(strings.TrimSpace(many)) {
			t.Errorf("%v: %d rows take %d bytes", err, len(held), bytes)
		}
		// Put right, all of it is taken, and what was taken before stays as it was.
		var id int64
		for _, h := range held {
			if len(h.Context) == 0 {
				id = h.ID
			}
		}
		s, reason, err := d.Fix(t.Context(), id, nil, []byte(text("kg", 300)), "somebody")
		if err != nil || reason != "" || s.Accepted != 300 || s.Unchanged != 1 {
			t.Errorf("put right: %+v, %q, %v", s.Counts, reason, err)
		}
	})
}
