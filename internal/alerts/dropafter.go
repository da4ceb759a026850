package alerts

import (
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/trends"
)

// DropAfter is a change of a drug and the first positive set that began after it.
type DropAfter struct {
	Change trends.Change
	Set    trends.Set
	After  time.Duration // from the change to the start of the set
}

// DropsAfter lists, by time, the starts, raises and resumptions that hold, each with
// the first positive set that began in the hours after it by which D-RECENT counts
// (*policy*). They followed each other; nothing says that one caused the other.
func DropsAfter(d trends.Digest, p clinical.ReviewPolicy, holds func(trends.Change) bool) []DropAfter {
	var out []DropAfter
	for _, c := range d.Changes {
		if !c.Up() || !holds(c) {
			continue
		}
		for _, set := range d.Sets {
			if set.Finding == trends.Positive && trends.InWindow(c.At, set.StartedAt, clinical.Hours(p.RecentHours)) {
				out = append(out, DropAfter{c, set, set.StartedAt.Sub(c.At)})
				break
			}
		}
	}
	return out
}
