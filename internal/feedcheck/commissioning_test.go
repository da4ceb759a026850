package feedcheck

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbline/internal/records"
)

func TestAUnitIsInCommissioningUntilTheLastWordIsThatItWasChecked(t *testing.T) {
	said := func(unit string, checked bool) records.UnitCheck {
		return records.UnitCheck{Unit: unit, Checked: checked, Who: "root"}
	}
	for name, c := range map[string]struct {
		checks []records.UnitCheck
		want   []string
	}{
		"nobody said anything":        {nil, []string{"4W", "7E"}},
		"one was checked":             {[]records.UnitCheck{said("7E", true)}, []string{"4W"}},
		"put back":                    {[]records.UnitCheck{said("4W", true), said("7E", true), said("4W", false)}, []string{"4W"}},
		"checked again":               {[]records.UnitCheck{said("4W", false), said("4W", true)}, []string{"7E"}},
		"of a unit that is not asked": {[]records.UnitCheck{said("9Z", true)}, []string{"4W", "7E"}},
	} {
		if diff := cmp.Diff(c.want, InCommissioning(StatesOf([]string{"7E", "4W"}, c.checks))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}
