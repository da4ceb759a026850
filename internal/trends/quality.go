package trends

import "slices"

// The quality notes, in the order in which they are listed.
const (
	NoteRestNotCharted     = "rest not charted"
	NoteRestShort          = "rest under 5 min"
	NoteStandingNotCharted = "standing time not charted"
	NoteNoOneMinute        = "no reading near 1 min"
	NoteNoThreeMinutes     = "no reading near 3 min"
	NotePulseMissing       = "pulse missing"
	NoteLimbNotCharted     = "limb not charted"
	NoteLimbChanged        = "limb changed"
	NoteNeverStood         = "never stood"
	NoteRestrictedLimb     = "restricted limb"
	NoteStoppedEarly       = "stopped early"
	NoteImplausible        = "implausible value left out"
)

// qualityOf grades how well the set was taken and lists every departure from
// the protocol.
func qualityOf(set Set, raw rawSet, restrictions []RestrictionFact) (grade string, notes []string) {
	notes = []string{}
	note := func(holds bool, text string) {
		if holds {
			notes = append(notes, text)
		}
	}
	b := set.Baseline
	note(b != nil && b.Minutes == nil, NoteRestNotCharted)
	note(b != nil && b.Minutes != nil && Below(*b.Minutes, restMinutes), NoteRestShort)
	note(slices.ContainsFunc(set.Upright, func(u Upright) bool {
		return u.standing() && u.MinutesFrom == FromTimestamps
	}), NoteStandingNotCharted)
	note(!hasStandingNear(set, raw, 1, 0.5, false), NoteNoOneMinute)
	note(!hasStandingNear(set, raw, 3, 1, false), NoteNoThreeMinutes)

	measured := measuredMembers(raw)
	note(slices.ContainsFunc(measured, func(r Reading) bool { return r.Pulse == nil }), NotePulseMissing)
	note(slices.ContainsFunc(measured, func(r Reading) bool { return r.Limb == "" }), NoteLimbNotCharted)
	note(limbChanged(measured), NoteLimbChanged)
	note(!slices.ContainsFunc(set.Upright, Upright.standing), NoteNeverStood)
	note(slices.ContainsFunc(measured, func(r Reading) bool { return restricted(r, restrictions) }), NoteRestrictedLimb)
	note(set.StoppedEarly, NoteStoppedEarly)
	doubted := func(r Reading) bool { return len(r.Implausible) > 0 }
	// The other members of a given set count for symptoms, an early stop and facts only.
	note(raw.baseline != nil && doubted(*raw.baseline) || slices.ContainsFunc(raw.upright, doubted) ||
		slices.ContainsFunc(raw.passedOver, doubted), NoteImplausible)

	switch {
	case set.Finding == Inconclusive:
		return Unusable, notes
	case b != nil && b.Systolic != nil && b.Minutes != nil && AtLeast(*b.Minutes, restMinutes) &&
		!slices.Contains(notes, NotePulseMissing) && !slices.Contains(notes, NoteLimbNotCharted) &&
		!slices.Contains(notes, NoteLimbChanged) && !slices.Contains(notes, NoteRestrictedLimb) &&
		hasStandingNear(set, raw, 1, 0.5, true) && hasStandingNear(set, raw, 3, 1, true):
		return Complete, notes
	}
	return Usable, notes
}

// hasStandingNear reports whether a counting standing reading lies within
// plus or minus some minutes of a target; with charted, by its charted minutes
// only. A reading may count where the baseline does not: it was taken in time.
func hasStandingNear(set Set, raw rawSet, target, within float64, charted bool) bool {
	for n, u := range set.Upright {
		comparable := raw.baseline == nil || comparableLimbs(raw.baseline.Limb, raw.upright[n].Limb)
		if u.standing() && u.Systolic != nil && comparable && u.minutesBetween(target-within, target+within) &&
			(!charted || u.MinutesFrom == FromChart) {
			return true
		}
	}
	return false
}

// measuredMembers are the baseline and the upright readings that have a pressure.
func measuredMembers(raw rawSet) []Reading {
	var out []Reading
	if raw.baseline != nil && raw.baseline.hasPressure() {
		out = append(out, *raw.baseline)
	}
	for _, r := range raw.upright {
		if r.hasPressure() {
			out = append(out, r)
		}
	}
	return out
}

// restricted reports whether the limb of a reading must not be measured when it was.
func restricted(r Reading, restrictions []RestrictionFact) bool {
	return slices.ContainsFunc(restrictions, func(x RestrictionFact) bool { return x.Limb == r.Limb && x.Holds(r.At) })
}

func limbChanged(readings []Reading) bool {
	limb := ""
	for _, r := range readings {
		if r.Limb == "" {
			continue
		}
		if limb != "" && r.Limb != limb {
			return true
		}
		limb = r.Limb
	}
	return false
}
