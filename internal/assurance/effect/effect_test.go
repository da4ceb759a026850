// Package effect holds each key of the policy to its words: a small scenario
// shows that the key changes what it says it changes, and a large population
// that it changes nothing outside its reach.
package effect

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/clinical"
	"plumbline/internal/policy"
)

// An effect shows one key at work.
type effect struct {
	key string
	// to are other values than the default; the scenario is answered with the
	// first, the population with all.
	to    []string
	facts facts
	// also are further charts, in which the rest of the key's reach shows.
	also []facts
	// changes are exactly the paths that differ between the two answers.
	changes string
	// before and after are what the answers hold at one path.
	path, before, after string
}

// unitKeys wait for the unit's statistics: nothing that is answered of one stay
// depends on them.
var unitKeys = map[string]struct {
	to  []string
	why string
}{
	"unit.huddle":            {[]string{`"05:00"`}, "the huddle's hour is part of the unit's statistics and pages, not of a stay's answers"},
	"unit.stale_after_hours": {[]string{"1", "72"}, "whether the list is stale is said of a list, not of a stay"},
	"unit.patient_days":      {[]string{"hours"}, "patient-days are counted in the unit's statistics, not in a stay's answers"},
}

// mustLoad is the default policy but for one key.
func mustLoad(t *testing.T, key, value string) policy.Loaded {
	t.Helper()
	section, name, _ := strings.Cut(key, ".")
	l, err := policy.Load([]byte(section + ":\n  " + name + ": " + value + "\n"))
	if err != nil {
		t.Fatalf("%s: %v", key, err)
	}
	if l.Hash == policy.Default().Hash {
		t.Fatalf("%s: %s is the default", key, value)
	}
	return l
}

func effectOf(key string) (effect, bool) {
	n := slices.IndexFunc(effects, func(e effect) bool { return e.key == key })
	if n < 0 {
		return effect{}, false
	}
	return effects[n], true
}

// Every key has a scenario, or says why it waits; and no entry is left over.
func TestEveryKeyIsShown(t *testing.T) {
	known := map[string]bool{}
	for _, k := range policy.Keys() {
		known[k.Path] = true
		_, shown := effectOf(k.Path)
		_, waits := unitKeys[k.Path]
		if shown == waits {
			t.Errorf("%s: shown %v, waits %v", k.Path, shown, waits)
		}
		if waits == (len(k.Reach) > 0) {
			t.Errorf("%s: waits %v, reaches %v", k.Path, waits, k.Reach)
		}
	}
	seen := map[string]bool{}
	for _, e := range effects {
		if !known[e.key] || seen[e.key] {
			t.Errorf("%s: no key, or shown twice", e.key)
		}
		seen[e.key] = true
	}
	for key, waits := range unitKeys {
		if !known[key] || waits.why == "" {
			t.Errorf("%s waits and is no key, or gives no reason", key)
		}
	}
}

// In its scenario a key changes exactly what is written beside it.
func TestEachKeyChangesWhatItSays(t *testing.T) {
	for _, k := range policy.Keys() {
		e, ok := effectOf(k.Path)
		if !ok {
			continue
		}
		t.Run(k.Path, func(t *testing.T) {
			chart := []clinical.Chart{clinical.ChartAt("S", e.facts, noon)}
			before := answer(chart, policy.Default().Policy, time.UTC)[0].document(t)
			after := answer(chart, mustLoad(t, k.Path, e.to[0]).Policy, time.UTC)[0].document(t)
			got := changed(before, after)
			if want := strings.Fields(e.changes); !slices.Equal(got, want) {
				t.Errorf("%s changes\n%s\nwant\n%s", k.Path, strings.Join(got, " "), strings.Join(want, " "))
			}
			for _, path := range got {
				if !withinAny(path, k.Reach) {
					t.Errorf("%s lies outside its reach %v", path, k.Reach)
				}
			}
			if b, a := at(before, e.path), at(after, e.path); b != e.before || a != e.after {
				t.Errorf("%s: %s, then %s\nwant %s, then %s", e.path, b, a, e.before, e.after)
			}
		})
	}
}

// at writes what a document holds at a path; of a list, what each item holds.
func at(d document, path string) string {
	var walk func(v any, names []string) string
	walk = func(v any, names []string) string {
		if list, ok := v.([]any); ok && len(names) > 0 {
			var items []string
			for _, item := range list {
				items = append(items, walk(item, names))
			}
			return strings.Join(items, "; ")
		}
		if len(names) == 0 {
			return fmt.Sprint(v)
		}
		m, _ := v.(map[string]any)
		return walk(m[names[0]], names[1:])
	}
	return walk(map[string]any(d), strings.Split(path, "."))
}
