package episodes_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/episodes"
	"plumbline/internal/policy"
)

// owed writes what is owed at an hour or falls due by another, one a line: "!" after
// what is overdue.
func (c chart) owed(h, before float64) string {
	p := policy.Default().Policy
	var out []string
	for _, d := range episodes.Owed(c.assess(h, p), p, after(before)) {
		line := string(d.Kind)
		if d.At != nil {
			line += " " + d.Rule + " " + fmt.Sprint(d.At.Sub(start).Hours())
			if d.At.Before(after(h)) {
				line += "!"
			}
		}
		out = append(out, line)
	}
	return strings.Join(out, "; ")
}

func TestWhatIsOwedBeforeTheNextShift(t *testing.T) {
	const young, old = "1986-01-01", "1940-01-01"
	fall := func(c *chart, h float64, injury string) {
		c.add("F", after(h), clinical.Fall{FellAt: after(h), Injury: injury})
		c.bundle(h)
	}
	for _, tc := range []struct {
		name       string
		tell       func(c *chart)
		at, before float64
		want       string
	}{
		{"nothing", func(c *chart) { c.admit(young) }, 100, 108, ""},
		{"a screen due at the very start of the shift", func(c *chart) { c.admit(old) }, 16, 24, "recheck_overdue R-ADMIT 24"},
		{"a screen due a minute later", func(c *chart) { c.admit(old) }, 16, 24 - 1.0/60, ""},
		{"a screen overdue", func(c *chart) { c.admit(old) }, 30, 36, "recheck_overdue R-ADMIT 24!"},
		{"a fall is owed at once, due in the next shift", func(c *chart) { c.admit(young); fall(c, 2, "none") }, 3, 4, "fall_without_set T-FALL 6"},
		{"a fall and an overdue screen are one set", func(c *chart) { c.admit(old); fall(c, 25, "none") }, 26, 36, "fall_without_set T-FALL 24!"},
		// After an injury the provider's clearance is owed, and no set before it (T-CLEARANCE).
		{"an injury: the provider clears first", func(c *chart) { c.admit(young); fall(c, 2, "major") }, 3, 12, "clearance_owed"},
		{"cleared after an injury", func(c *chart) {
			c.admit(young)
			fall(c, 2, "major")
			c.add("C", after(3), clinical.Clearance{ClearedAt: after(3)})
		}, 4, 12, "fall_without_set T-FALL 6"},
		{"a fatal fall", func(c *chart) { c.admit(young); fall(c, 2, "death") }, 3, 12, ""},
		{"a fall two days ago", func(c *chart) { c.admit(young); fall(c, 2, "none") }, 50, 60, "recheck_overdue R-FALL 6!"},
		{"who cannot stand", func(c *chart) {
			c.add("S", start, clinical.Stay{PatientID: "P", Unit: "4W", BirthDate: old, AdmittedAt: start, NotAmbulatory: true})
		}, 30, 36, ""},
		{"a set stopped by symptoms", func(c *chart) {
			c.admit(young)
			c.set("V", 2, 140, 100, true)
			c.order("O", 1, "doxazosin")
		}, 3, 8, "tell_provider; recheck_overdue R-STOPPED 6; precautions_missing; dose_review"},
		{"the fall comes before the provider", func(c *chart) {
			c.admit(young)
			c.set("V", 2, 140, 100, true)
			fall(c, 2.5, "none")
		}, 3, 8, "fall_without_set T-FALL 6; tell_provider"},
	} {
		var c chart
		tc.tell(&c)
		if got := c.owed(tc.at, tc.before); got != tc.want {
			t.Errorf("%s: %q, want %q", tc.name, got, tc.want)
		}
	}
}

// A set is one thing whatever asks for it; what the chart says is owed and what episodes
// there are agree, before the next shift as well as now.
func TestWhatIsOwedIsItsEpisodes(t *testing.T) {
	p := policy.Default().Policy
	var c chart
	c.admit("1940-01-01")
	owed := func(h float64) episodes.Due {
		t.Helper()
		list := episodes.Owed(c.assess(h, p), p, after(h+12))
		if len(list) == 0 {
			t.Fatalf("nothing is owed at %g h", h)
		}
		return list[0]
	}
	screen := owed(20)
	c.add("F", after(21), clinical.Fall{FellAt: after(21), Injury: "none"})
	c.bundle(21)
	if fall := owed(22); fall.Key != screen.Key || fall.Kind != episodes.FallWithoutSet {
		t.Errorf("another demand is another set: %+v, before it %+v", fall, screen)
	}
	c.set("V", 23, 140, 100, false)
	for _, h := range []float64{20, 22, 24, 30, 36} {
		a, before := c.assess(h, p), after(h+12)
		var want, got []string
		for _, cond := range episodes.Conditions(a, p, before) {
			want = append(want, cond.ID())
		}
		for _, d := range episodes.Owed(a, p, before) {
			got = append(got, d.Episodes...)
		}
		slices.Sort(want)
		slices.Sort(got)
		if !slices.Equal(slices.Compact(got), want) {
			t.Errorf("at %g h the chart owes %v, and the episodes are %v", h, got, want)
		}
	}
}

func TestWhatIsGivenHoldsUntilTheNextHuddleIsOver(t *testing.T) {
	p := policy.Default().Policy.Unit
	for _, tc := range []struct{ made, until string }{
		{"2026-11-25T07:10:00Z", "2026-11-26T07:30:00Z"}, // in the huddle: until the next one is over
		{"2026-11-25T06:50:00Z", "2026-11-26T07:30:00Z"}, // in preparing it, likewise
		{"2026-11-25T06:00:00Z", "2026-11-25T07:30:00Z"},
		{"2026-11-24T22:00:00Z", "2026-11-25T07:30:00Z"},
	} {
		made, _ := time.Parse(time.RFC3339, tc.made)
		if got := episodes.HoldsUntil(made, p, time.UTC).Format(time.RFC3339); got != tc.until {
			t.Errorf("made at %s it holds until %s, want %s", tc.made, got, tc.until)
		}
	}
}
