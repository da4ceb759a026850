package trends

import (
	"slices"
	"strings"
	"time"

	"plumbline/internal/clinical"
)

// rawSet is a set as assembled, before it is judged.
type rawSet struct {
	id         string // "" for an inferred set
	kind       string
	baseline   *Reading
	upright    []Reading
	others     []Reading // of a given set: for symptoms, stopped_early and facts only
	passedOver []Reading // lying or sitting readings without a believed systolic
}

// The kinds of sets (S-KIND).
const (
	LyingToStanding   = "lying_to_standing"
	LyingToSitting    = "lying_to_sitting"
	SittingToStanding = "sitting_to_standing"
)

// assemble forms the sets of a stay (S-GIVEN, S-INFER), ordered by start, then
// by smallest source_id (S-START).
func assemble(readings []Reading, window time.Duration) []rawSet {
	var loose []Reading
	given := map[string][]Reading{}
	var ids []string
	for _, r := range readings {
		if r.SetID == "" {
			loose = append(loose, r)
			continue
		}
		if _, seen := given[r.SetID]; !seen {
			ids = append(ids, r.SetID)
		}
		given[r.SetID] = append(given[r.SetID], r)
	}
	var sets []rawSet
	for _, id := range ids {
		sets = append(sets, givenSet(id, given[id]))
	}
	sets = append(sets, inferSets(loose, window)...)
	slices.SortFunc(sets, func(a, b rawSet) int {
		if c := a.start().Compare(b.start()); c != 0 {
			return c
		}
		return strings.Compare(a.smallestID(), b.smallestID())
	})
	return sets
}

// start is when the baseline was taken; without one, the first reading (S-START).
func (s rawSet) start() time.Time {
	if s.baseline != nil {
		return s.baseline.At
	}
	return s.members()[0].At
}

// members are all the set's readings in time order.
func (s rawSet) members() []Reading {
	var out []Reading
	if s.baseline != nil {
		out = append(out, *s.baseline)
	}
	out = append(out, s.upright...)
	out = append(out, s.others...)
	slices.SortStableFunc(out, func(a, b Reading) int { return a.At.Compare(b.At) })
	return out
}

func (s rawSet) smallestID() string {
	smallest := ""
	for n, r := range s.members() {
		if n == 0 || r.SourceID < smallest {
			smallest = r.SourceID
		}
	}
	return smallest
}

// givenSet forms the set of readings that share a set_id (S-GIVEN, S-KIND).
func givenSet(id string, readings []Reading) rawSet {
	s := rawSet{id: id}
	lyingSeen, firstUpright, firstStanding := false, -1, -1
	for n, r := range readings {
		switch {
		case r.Position == clinical.Lying:
			lyingSeen = true
		case r.Position == clinical.Standing:
			if firstStanding < 0 {
				firstStanding = n
			}
			if firstUpright < 0 {
				firstUpright = n
			}
		case r.Position == clinical.Sitting && lyingSeen && firstUpright < 0:
			firstUpright = n
		}
	}

	base, from := -1, clinical.Lying
	if lyingSeen {
		base = lastWithSystolic(readings, clinical.Lying, firstUpright)
	} else if firstStanding >= 0 {
		from = clinical.Sitting
		base = lastWithSystolic(readings, clinical.Sitting, firstStanding)
	}
	for n, r := range readings {
		switch {
		case n == base:
			s.baseline = &readings[n]
		case r.Position == clinical.Standing,
			r.Position == clinical.Sitting && lyingSeen && firstUpright >= 0 && n >= firstUpright,
			r.Position == clinical.Sitting && !lyingSeen && base < 0:
			s.upright = append(s.upright, r)
		default:
			s.others = append(s.others, r)
			if r.Position == from && (firstUpright < 0 || n < firstUpright) && n > base {
				s.passedOver = append(s.passedOver, r)
			}
		}
	}
	switch {
	case base >= 0 && from == clinical.Sitting:
		s.kind = SittingToStanding
	case firstStanding < 0 && len(s.upright) > 0:
		s.kind = LyingToSitting
	default:
		s.kind = LyingToStanding
	}
	return s
}

// lastWithSystolic finds the last reading in a position with a systolic before
// index end (-1: the end of the list), -1 where there is none.
func lastWithSystolic(readings []Reading, p clinical.Position, end int) int {
	if end < 0 {
		end = len(readings)
	}
	for n := end - 1; n >= 0; n-- {
		if readings[n].Position == p && readings[n].Systolic != nil {
			return n
		}
	}
	return -1
}

// inferSets forms sets of the readings that name none (S-INFER).
func inferSets(readings []Reading, window time.Duration) []rawSet {
	var positioned []Reading
	for _, r := range readings {
		if r.Position != clinical.NoPosition {
			positioned = append(positioned, r)
		}
	}
	joined := map[string]bool{}
	sets := sweep(positioned, window, clinical.Lying, joined)
	sets = append(sets, stoppedAlone(positioned, joined)...)
	return append(sets, sweep(positioned, window, clinical.Sitting, joined)...)
}

// sweep joins readings higher than from to the latest run of readings in
// position from, where they were taken within the window after its last one. A
// reading that has joined is marked, and joins no further set.
func sweep(readings []Reading, window time.Duration, from clinical.Position, joined map[string]bool) []rawSet {
	var sets []rawSet
	var run []Reading // readings in position from, in a row
	open := -1        // the set that the run began
	broken := false   // a reading in another position ended the row
	for _, r := range readings {
		if r.Position == from {
			if broken || open >= 0 {
				run, open, broken = nil, -1, false
			}
			if !joined[r.SourceID] {
				run = append(run, r)
			}
			continue
		}
		if r.Position.Height() < from.Height() {
			run, open, broken = nil, -1, false // sitting readings before lying ones begin no set with what follows
			continue
		}
		if joined[r.SourceID] {
			broken = true
			continue
		}
		if len(run) == 0 || r.At.Sub(run[len(run)-1].At) > window {
			broken = true
			continue
		}
		if open < 0 {
			sets = append(sets, begin(run, r.At, window, from))
			open = len(sets) - 1
			for _, b := range run {
				if sets[open].baseline != nil && b.SourceID == sets[open].baseline.SourceID {
					joined[b.SourceID] = true
				}
			}
			joined[run[len(run)-1].SourceID] = true
		}
		sets[open].upright = append(sets[open].upright, r)
		if r.Position == clinical.Standing {
			sets[open].kind = kindFrom(from)
		}
		joined[r.SourceID] = true
	}
	return sets
}

func kindFrom(p clinical.Position) string {
	if p == clinical.Sitting {
		return SittingToStanding
	}
	return LyingToStanding
}

// begin starts a set on a run of lying (or sitting) readings: its baseline is
// the last one that has a systolic, at most the window before the first upright
// reading. Where none has, the last one stands as a baseline that is not usable:
// what is left of it (its pulse, its rest) still counts.
func begin(run []Reading, firstUpright time.Time, window time.Duration, from clinical.Position) rawSet {
	s := rawSet{kind: LyingToSitting}
	if from == clinical.Sitting {
		s.kind = SittingToStanding
	}
	for n := len(run) - 1; n >= 0; n-- {
		if firstUpright.Sub(run[n].At) > window {
			break
		}
		if run[n].Systolic != nil {
			s.baseline = &run[n]
			return s
		}
		s.passedOver = append(s.passedOver, run[n])
	}
	s.baseline = &run[len(run)-1]
	return s
}

// stoppedAlone makes a set of each lying reading that was stopped early and
// that no upright reading joined: the patient who could not get up.
func stoppedAlone(readings []Reading, joined map[string]bool) []rawSet {
	var sets []rawSet
	for n, r := range readings {
		if r.Position == clinical.Lying && r.Stopped && !joined[r.SourceID] {
			sets = append(sets, rawSet{kind: LyingToStanding, baseline: &readings[n]})
			joined[r.SourceID] = true
		}
	}
	return sets
}
