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
	"plumbline/internal/records"
)

// owed writes what is owed at an hour or falls due by another, one a line: "!" after
// what is overdue, "x" after what is blocked.
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
		if d.Blocked {
			line += "x"
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
		{"an injury: somebody asks first", func(c *chart) { c.admit(young); fall(c, 2, "major") }, 3, 12, "fall_without_set T-FALL 6x"},
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

// The key of a set lasts until a set that can be read is taken, whatever asks for it;
// what is overdue is an episode of the same id.
func TestWhatIsOwedKeepsItsKey(t *testing.T) {
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
	fall := owed(22)
	if fall.Key != screen.Key || fall.Kind != episodes.FallWithoutSet {
		t.Errorf("another demand is another set: %+v, before it %+v", fall, screen)
	}
	c.set("V", 23, 140, 100, false)
	if after := owed(30); after.Key == screen.Key {
		t.Error("the set was taken, and the next one has its key")
	}
	var ids []string
	for _, cond := range episodes.Conditions(c.assess(36, p), p) {
		ids = append(ids, episodes.IDOf(cond.Kind, cond.StayID, cond.Trigger))
	}
	for _, d := range episodes.Owed(c.assess(36, p), p, after(36)) {
		for _, id := range d.Episodes {
			if !slices.Contains(ids, id) {
				t.Errorf("%s %s is no episode of the stay", d.Kind, d.Rule)
			}
		}
		if len(d.Episodes) == 0 {
			t.Errorf("%s %s has no episode", d.Kind, d.Rule)
		}
	}
}

func TestAnAssignmentHoldsUntilTheNextHuddleIsOver(t *testing.T) {
	p := policy.Default().Policy.Unit
	for _, tc := range []struct{ made, until string }{
		{"2026-11-25T07:10:00Z", "2026-11-26T07:30:00Z"}, // in the huddle: until the next one is over
		{"2026-11-25T06:50:00Z", "2026-11-26T07:30:00Z"}, // in preparing it, likewise
		{"2026-11-25T06:00:00Z", "2026-11-25T07:30:00Z"},
		{"2026-11-24T22:00:00Z", "2026-11-25T07:30:00Z"},
	} {
		made, _ := time.Parse(time.RFC3339, tc.made)
		a := records.Assignment{At: made}
		if got := episodes.HoldsUntil(a, p, time.UTC).Format(time.RFC3339); got != tc.until {
			t.Errorf("made at %s it holds until %s, want %s", tc.made, got, tc.until)
		}
		if over := episodes.HoldsUntil(a, p, time.UTC).Sub(made); over > episodes.LongestAssignment {
			t.Errorf("made at %s it holds for %s", tc.made, over)
		}
	}
}

func TestTheLastAssignmentCounts(t *testing.T) {
	p := policy.Default().Policy.Unit
	made := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	give := func(key, name string, minutes int) records.Assignment {
		return records.Assignment{Key: key, Name: name, At: made.Add(time.Duration(minutes) * time.Minute)}
	}
	all := []records.Assignment{give("a", "Ann", 0), give("b", "Bo", 1), give("a", "Cy", 2), give("b", "", 3), give("c", "Di", 9)}
	for _, tc := range []struct {
		minutes int
		want    string
	}{
		{-1, "map[]"}, {0, "map[a:Ann]"}, {1, "map[a:Ann b:Bo]"}, {2, "map[a:Cy b:Bo]"}, {3, "map[a:Cy]"}, {9, "map[a:Cy c:Di]"},
		{23*60 + 29, "map[a:Cy c:Di]"}, {23*60 + 30, "map[]"}, // the next huddle is over at 07:30
	} {
		names := map[string]string{}
		for key, a := range episodes.Assigned(all, p, time.UTC, made.Add(time.Duration(tc.minutes)*time.Minute)) {
			names[key] = a.Name
		}
		if got := fmt.Sprint(names); got != tc.want {
			t.Errorf("%d min later %s, want %s", tc.minutes, got, tc.want)
		}
	}
}
