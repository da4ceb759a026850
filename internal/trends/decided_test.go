package trends

import "testing"

// What a set is told to be positive by: the first criterion in the order of the definition
// that has a figure, symptoms only where no pressure decided.
func TestWhatASetIsToldToBeDecidedBy(t *testing.T) {
	drop, low := 24.0, 84.0
	for _, c := range []struct {
		criteria                 []string
		systolic, diastolic, low *float64
		want                     string
	}{
		{nil, nil, nil, nil, ""},
		{[]string{CritStopped}, nil, nil, nil, CritStopped},
		{[]string{CritStopped, CritSystolic}, &drop, nil, nil, CritSystolic},
		{[]string{CritStopped, CritLow}, nil, nil, &low, CritLow},
		{[]string{CritDiastolic, CritLow}, nil, &drop, &low, CritDiastolic},
		{[]string{CritSystolic, CritLow}, nil, nil, &low, CritLow}, // the drop cannot be told
		{[]string{CritSystolic}, nil, nil, nil, ""},
	} {
		if got := DecidedBy(c.criteria, c.systolic, c.diastolic, c.low); got != c.want {
			t.Errorf("by %v the set is told to be decided by %q, want %q", c.criteria, got, c.want)
		}
		if got := (Set{Criteria: c.criteria}).DecidedBy(); got == CritSystolic || got == CritLow {
			t.Errorf("without readings a set is told to be decided by %q", got)
		}
	}
	if StoppedAlone([]string{CritStopped, CritLow}) || !StoppedAlone([]string{CritStopped}) || StoppedAlone(nil) {
		t.Error("symptoms alone are not told from symptoms with a pressure")
	}
}

// The pressure that pages judge by where no server answers is the one the rules judge by.
func TestTheLowSystolicOfPagesIsThatOfTheRules(t *testing.T) {
	if low := LowSystolic(); low != 90 || IsLowLying(low) || !IsLowLying(low-1) {
		t.Errorf("pages call a lying systolic low under %g mmHg", low)
	}
}
