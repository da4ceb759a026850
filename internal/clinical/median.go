package clinical

import (
	"slices"
	"time"
)

// Median is the middle one of some spans of time, or midway between the two in the middle.
// ok is false where there is none. It sorts the list.
func Median(list []time.Duration) (m time.Duration, ok bool) {
	if len(list) == 0 {
		return 0, false
	}
	slices.Sort(list)
	half := len(list) / 2
	m = list[half]
	if len(list)%2 == 0 {
		m = (list[half-1] + m) / 2
	}
	return m, true
}
