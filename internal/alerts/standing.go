package alerts

import (
	"slices"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// LyingLow is the reason for which a patient with a lying systolic under 90 mmHg is
// not stood up. The others are clinical.StandingHolds, InjuryUncleared and CannotWalk.
const LyingLow = "lying_low"

// Hindrances are what the chart holds against standing at the digest's moment, in their
// order: InjuryUncleared to CannotWalk. They are those of a blocked recheck, whether or
// not a recheck is owed.
func Hindrances(d trends.Digest) []string {
	out := situation{Digest: d}.beforeStanding()
	if d.Stay.NotAmbulatory {
		out = append(out, CannotWalk)
	}
	return out
}

// Withheld lists why a patient should not be stood up for a set, none where nothing
// speaks against it: the systolic at rest of the set in mmHg (nil where not measured),
// what was found at the bedside (words of clinical.StandingHolds), and the Hindrances
// of the chart. An injury that was not charted is to be looked for at the bedside and
// withholds nothing by itself.
//
// Under 90: common practice (T-LOW-LYING). Chest pain, a suspected fracture, an injury
// of head or spine, bed rest: common practice, no source.
func Withheld(atRest *float64, found, charted []string) []string {
	var out []string
	if atRest != nil && trends.IsLowLying(*atRest) {
		out = append(out, LyingLow)
	}
	for _, hold := range clinical.StandingHolds {
		if slices.Contains(found, hold) {
			out = append(out, hold)
		}
	}
	for _, hindrance := range []string{InjuryUncleared, CannotWalk} {
		if slices.Contains(charted, hindrance) {
			out = append(out, hindrance)
		}
	}
	return out
}
