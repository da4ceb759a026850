package unit

import "testing"

// A unit may be named by anything; a header holds letters and digits of it.
func TestTheDownloadsNameIsPlain(t *testing.T) {
	if got := fileName(overTimeAsked{unit: "4\"W\r\n/ä é", by: "month"}, "csv"); got != "unit-4-W-------over-time-by-month.csv" {
		t.Errorf("%q", got)
	}
}
