package feedcheck

import (
	"slices"

	"plumbline/internal/records"
)

// UnitState says whether a unit is in commissioning, and who said so.
type UnitState struct {
	Unit string
	// Commissioning: nobody has said that its feeds were checked, or somebody has taken that
	// back. Nobody is told of its patients.
	Commissioning bool
	Last          *records.UnitCheck // what was said last; nil: nothing yet
}

// StatesOf tells of each unit, in the order given, whether it is in commissioning: it is until
// the last that was said of it is that its feeds were checked. checks are in the order in which
// they were said.
func StatesOf(units []string, checks []records.UnitCheck) []UnitState {
	last := map[string]*records.UnitCheck{}
	for n := range checks {
		last[checks[n].Unit] = &checks[n]
	}
	out := make([]UnitState, len(units))
	for n, unit := range units {
		said := last[unit]
		out[n] = UnitState{Unit: unit, Commissioning: said == nil || !said.Checked, Last: said}
	}
	return out
}

// InCommissioning are those of the units that are in commissioning.
func InCommissioning(states []UnitState) []string {
	var out []string
	for _, s := range states {
		if s.Commissioning {
			out = append(out, s.Unit)
		}
	}
	slices.Sort(out)
	return out
}
