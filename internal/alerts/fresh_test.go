package alerts

import (
	"testing"
	"time"

	"plumbline/internal/clinical"
)

// The rule: a patient is marked whose newest vital sign of the feeds is older than twice the
// unit's median gap of the last 7 days, and at least 4 h. Worked by hand; readings of one set,
// minutes apart, are one look.
func TestAfterHowLongAPatientIsQuiet(t *testing.T) {
	at := time.Date(2026, 11, 20, 12, 0, 0, 0, time.UTC)
	times := func(hoursBefore ...float64) (out []time.Time) {
		for _, h := range hoursBefore {
			out = append(out, at.Add(-clinical.Hours(h)))
		}
		return out
	}
	p := clinical.DefaultPolicy().Unit // 4 h
	for what, c := range map[string]struct {
		patients [][]time.Time
		want     float64 // hours
	}{
		"nobody":                         {nil, 4},
		"one reading each":               {[][]time.Time{times(3), times(5)}, 4},
		"every hour":                     {[][]time.Time{times(0, 1, 2, 3)}, 4},
		"every 6 h":                      {[][]time.Time{times(18, 12, 6, 0)}, 12},
		"6 h, with sets of three":        {[][]time.Time{times(12, 6, 6-0.05, 6-0.1, 0)}, 11.9}, // 6 and 5.9
		"of gaps 2, 4, 6 the median":     {[][]time.Time{times(12, 10, 6, 0)}, 8},
		"of gaps 2, 4, 6, 8 between two": {[][]time.Time{times(20, 18, 14, 8, 0)}, 10},
		"of two patients together":       {[][]time.Time{times(8, 0), times(2, 0), times(6, 0)}, 12},
		"older than 7 days":              {[][]time.Time{times(400, 300, 200), times(3, 0)}, 6},
		"7 days ago is too old":          {[][]time.Time{times(168, 148, 0)}, 296},
		"more than 7 days ago, too":      {[][]time.Time{times(170, 148, 0)}, 296},
		"not quite 7 days ago":           {[][]time.Time{times(165, 148, 0)}, 165}, // of gaps 17 and 148
		"an old one hides no later one":  {[][]time.Time{times(200, 8, 0)}, 16},
		"in any order":                   {[][]time.Time{times(0, 2, 10)}, 10}, // of gaps 8 and 2
		"15 min are one look":            {[][]time.Time{times(12.25, 12, 0)}, 24},
		"a little more are two":          {[][]time.Time{times(12.26, 12, 0)}, 12.26},
		"later than the moment":          {[][]time.Time{times(-20, -10, 3, 0)}, 6},
	} {
		if got := QuietAfter(c.patients, p, at); got != clinical.Hours(c.want) {
			t.Errorf("%s: %v, want %v h", what, got, c.want)
		}
	}
	given := times(0, 6)
	if QuietAfter([][]time.Time{given}, p, at); !given[0].Equal(at) {
		t.Error("the times that were given are put in another order")
	}
	a := Assessment{At: at}
	a.Digest.Stay.AdmittedAt = at.Add(-5 * time.Hour)
	newest := at.Add(-4 * time.Hour)
	for what, c := range map[string]struct {
		newest *time.Time
		after  time.Duration
		want   bool
	}{
		"exactly as old":           {&newest, 4 * time.Hour, false},
		"older":                    {&newest, 4*time.Hour - 1, true},
		"none since admission":     {nil, 4 * time.Hour, true},
		"none, and just admitted":  {nil, 6 * time.Hour, false},
		"newer than half the unit": {&newest, 12 * time.Hour, false},
	} {
		if a.Digest.NewestVitals = c.newest; a.Quiet(c.after) != c.want {
			t.Errorf("%s: not %v", what, c.want)
		}
	}
}
