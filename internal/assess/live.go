package assess

import "time"

// LiveMoment is the moment for which what holds now is worked out: the clock's, cut to the
// minute, so that everyone who looks within it sees the same; or, within that minute, when
// facts last came in, so that nobody is shown as owed what was just charted. landed is zero
// where nothing came.
func LiveMoment(now, landed time.Time) time.Time {
	now = now.UTC()
	minute := now.Truncate(time.Minute)
	if !landed.After(minute) || landed.After(now.Add(time.Minute)) { // of a clock that ran ahead
		return minute
	}
	if landed.After(now) {
		return now
	}
	return landed.UTC()
}
