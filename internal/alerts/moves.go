package alerts

import (
	"time"

	"plumbline/internal/trends"
)

// Gone are those of the list of then who are not on the list of now.
func Gone(then, now []Assessment) []Assessment {
	here := make(map[string]bool, len(now))
	for _, a := range now {
		here[a.Digest.StayID] = true
	}
	var out []Assessment
	for _, a := range then {
		if !here[a.Digest.StayID] {
			out = append(out, a)
		}
	}
	return out
}

// DepartureOf is how a stay of the list of then left a unit: at the end of its last time
// there, by its presences as they are known now. Where none of them has ended there, the
// stay is told as it was then, and the departure has no time.
func DepartureOf(unit string, then, now Assessment, presences []trends.Presence) Departure {
	d := Departure{Of: then}
	for _, p := range presences {
		if p.Unit == unit && !p.To.IsZero() {
			d = Left(now, p.To)
		}
	}
	return d
}

// Arrival is a move onto a unit, from the one before it.
type Arrival struct {
	From string
	At   time.Time
}

// ArrivalOf tells from which unit a stay was moved onto the one where it is at a moment;
// false for one that was admitted there, or is not there.
func ArrivalOf(unit string, presences []trends.Presence, at time.Time) (a Arrival, moved bool) {
	before := ""
	for _, p := range presences {
		if p.Unit == unit && before != "" && p.Holds(at) {
			a, moved = Arrival{before, p.From}, true
		}
		before = p.Unit
	}
	return a, moved
}
