package assess

import (
	"testing"
	"time"
)

func TestWhatHoldsNowIsThatOfTheMinuteOrOfWhatCameInIt(t *testing.T) {
	minute := time.Date(2026, 11, 30, 21, 4, 0, 0, time.UTC)
	at := func(s float64) time.Time { return minute.Add(time.Duration(s * float64(time.Second))) }
	for name, tc := range map[string]struct{ now, landed, want time.Time }{
		"nothing came":                 {at(40), time.Time{}, minute},
		"before the minute":            {at(40), at(-1), minute},
		"within the minute":            {at(40), at(30), at(30)},
		"just now":                     {at(40), at(40), at(40)},
		"by a clock a second ahead":    {at(40), at(41), at(40)},
		"by a clock that ran far away": {at(40), at(400), minute},
		"in another zone":              {at(40).In(time.FixedZone("", 3600)), at(30), at(30)},
	} {
		if got := LiveMoment(tc.now, tc.landed); !got.Equal(tc.want) || got.Location() != time.UTC {
			t.Errorf("%s: %s, want %s", name, got, tc.want)
		}
	}
}
