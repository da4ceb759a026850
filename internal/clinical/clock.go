package clinical

import "time"

// Clock tells the moment. The core never has one: it is handed the moment for
// which an answer is wanted.
type Clock func() time.Time

// SystemClock is the machine's clock in UTC, cut to the microsecond that both
// database engines can hold.
func SystemClock() time.Time { return time.Now().UTC().Truncate(time.Microsecond) }

var started = time.Now()

// SteadyClock runs evenly from the start of the program on (by the monotonic clock):
// nobody sets it forward or back. Its moments serve for spans alone; which time of day they
// are nobody knows once the machine's clock was set.
func SteadyClock() time.Time { return started.UTC().Add(time.Since(started)) }
