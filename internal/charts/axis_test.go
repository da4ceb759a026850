package charts

import "testing"

// Three falls on one day: all days between them are 0, and so are centre and limits.
func TestAnAxisOfNothingButZerosHasSteps(t *testing.T) {
	zero := 0.0
	if got := roomFor([]place{{value: &zero}, {value: &zero}}, false); got.max < 1 || got.step < 1 {
		t.Errorf("the axis ends at %v in steps of %v", got.max, got.step)
	}
}
