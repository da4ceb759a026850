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

// LowApart is the low pressure at rest that no reason of the list tells: one that belongs to no
// set, or to one that is not the latest. nil where there is none.
func (a Assessment) LowApart() *trends.AtRest {
	told := func(r Reason) bool { return r.Rule == TLowLying && slices.Contains(r.Facts, a.LowAtRest.SourceID) }
	if a.LowAtRest == nil || slices.ContainsFunc(a.Reasons, told) {
		return nil
	}
	return a.LowAtRest
}

// chestPain is the newest set of the last hours at which pain in the chest was charted. A later
// set at which none was charted ends nothing: not charted is not absent.
func (s situation) chestPain() *trends.Set {
	for n := range slices.Backward(s.Sets) {
		set := &s.Sets[n]
		if s.within(set.StartedAt, s.policy.Tiers.RecentHours) &&
			(slices.Contains(set.AtRest, clinical.HoldChestPain) || slices.Contains(set.Symptoms, clinical.HoldChestPain)) {
			return set
		}
	}
	return nil
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
