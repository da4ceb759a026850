package notify

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbline/internal/alerts"
)

// Window is a time of day from one clock time until before another, across
// midnight where the end is the earlier one.
type Window struct{ From, To TimeOfDay }

// Quiet are the hours in which notices of a tier wait. A tier without any is told
// at any time.
type Quiet map[string]Window

// quietTiers are the tiers that notices have.
var quietTiers = []string{alerts.Now, alerts.ThisShift, alerts.Today}

// ParseQuiet reads "today=22:00-06:00,this_shift=23:00-05:00"; "none" and the
// empty text are no quiet hours.
func ParseQuiet(s string) (Quiet, error) {
	q := Quiet{}
	if s = strings.TrimSpace(s); s == "" || s == "none" {
		return q, nil
	}
	for part := range strings.SplitSeq(s, ",") {
		tier, hours, _ := strings.Cut(strings.TrimSpace(part), "=")
		from, to, ok := strings.Cut(hours, "-")
		if !ok || !slices.Contains(quietTiers, tier) {
			return nil, fmt.Errorf("%q are no quiet hours; write today=22:00-06:00 with one of %s, or none", part, strings.Join(quietTiers, ", "))
		}
		if _, twice := q[tier]; twice {
			return nil, fmt.Errorf("%s has quiet hours twice; a tier has one stretch a day", tier)
		}
		w := Window{}
		var err error
		if w.From, err = ParseTimeOfDay(from); err != nil {
			return nil, err
		}
		if w.To, err = ParseTimeOfDay(to); err != nil {
			return nil, err
		}
		if w.From == w.To {
			return nil, fmt.Errorf("%q begin and end at one time; leave the tier out to tell it at any time", part)
		}
		q[tier] = w
	}
	return q, nil
}

// Until is the end of the quiet hours of a tier in which a moment lies; the
// moment itself where it lies in none. Quiet hours are stretches of time, not of
// clock faces: an hour that comes twice does not make them begin again.
func (q Quiet) Until(tier string, at time.Time, zone *time.Location) time.Time {
	w, some := q[tier]
	if !some {
		return at
	}
	today := DateOf(at, zone)
	for days := -1; days <= 1; days++ {
		first := today.Plus(days)
		last := first
		if w.To < w.From {
			last = first.Plus(1)
		}
		from, to := w.From.On(first, zone), w.To.On(last, zone)
		if !at.Before(from) && at.Before(to) {
			return to
		}
	}
	return at
}
