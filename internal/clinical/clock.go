package clinical

import "time"

// Clock tells the moment. The core never has one: it is handed the moment for
// which an answer is wanted.
type Clock func() time.Time

// SystemClock is the machine's clock in UTC, cut to the microsecond that both
// database engines can hold.
func SystemClock() time.Time { return time.Now().UTC().Truncate(time.Microsecond) }
