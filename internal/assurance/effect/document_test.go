package effect

import (
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbline/internal/alerts"
	"plumbline/internal/clinical"
	"plumbline/internal/report"
	"plumbline/internal/text"
	"plumbline/internal/trends"
)

// document is all that the program says of one stay: the published documents,
// and what its pages show besides. Its parts have the names of policy.Key.Reach.
type document map[string]any

// saying is what a document is written of: where two are equal, so are their
// documents.
type saying struct {
	assessment alerts.Assessment
	facts      []use
	shifts     []trends.ShiftBalance
	steps      []trends.GroupSteps
}

// use is what the list of facts says of one fact, but for its values: they are
// the fact's own.
type use struct {
	Kind   clinical.Kind `json:"kind"`
	ID     string        `json:"source_id"`
	Used   bool          `json:"used"`
	WhyNot string        `json:"why_not"`
}

// told remembers what depends on few keys alone, for a chart of one place: it is the
// same under hundreds of policies that differ elsewhere.
type told struct {
	uses   map[usesOf][]use
	shifts map[shiftsOf][]trends.ShiftBalance
}

type usesOf struct {
	chart *clinical.Chart
	p     clinical.PlausiblePolicy
}

type shiftsOf struct {
	chart *clinical.Chart
	fluid clinical.FluidPolicy
	unit  clinical.UnitPolicy
}

func newTold() *told {
	return &told{uses: map[usesOf][]use{}, shifts: map[shiftsOf][]trends.ShiftBalance{}}
}

// remembered is what is remembered under a key, worked out the first time.
func remembered[K comparable, V any](all map[K]V, key K, work func() V) V {
	v, known := all[key]
	if !known {
		v = work()
		all[key] = v
	}
	return v
}

func uses(c clinical.Chart, p clinical.PlausiblePolicy) []use {
	var out []use
	for _, f := range report.FactsOf(c, p).Facts {
		out = append(out, use{f.Kind, f.SourceID, f.Used, f.WhyNot})
	}
	return out
}

// answer works out what is said of the stays of one unit, known by their charts,
// in the charts' order.
func answer(charts []clinical.Chart, p clinical.Policy, zone *time.Location) []saying {
	return newTold().answer(charts, p, zone)
}

func (m *told) answer(charts []clinical.Chart, p clinical.Policy, zone *time.Location) []saying {
	list := make([]alerts.Assessment, len(charts))
	for n, c := range charts {
		list[n] = alerts.Assess(trends.DigestOf(c, p, zone), p, zone, c.AsOf)
	}
	alerts.Rank(list)
	out := make([]saying, len(charts))
	for n, c := range charts {
		of := slices.IndexFunc(list, func(a alerts.Assessment) bool { return a.Digest.StayID == c.StayID })
		out[n] = saying{
			assessment: list[of], steps: trends.LoadSteps(c, p),
			facts: remembered(m.uses, usesOf{&charts[n], p.Plausible}, func() []use { return uses(c, p.Plausible) }),
			shifts: remembered(m.shifts, shiftsOf{&charts[n], p.Fluid, p.Unit}, func() []trends.ShiftBalance {
				return trends.ShiftBalances(c, p.Fluid, trends.Shifts(c.Stay.AdmittedAt, c.AsOf, p.Unit, zone))
			}),
		}
	}
	return out
}

// document writes what is said.
func (s saying) document(t *testing.T) document { t.Helper(); return s.documentLike(t, saying{}, nil) }

// documentLike is document beside another that is written already: a part that says
// the same is taken from there.
func (s saying) documentLike(t *testing.T, other saying, written document) document {
	t.Helper()
	part := func(name string, said, before any) any {
		if written != nil && reflect.DeepEqual(said, before) {
			return written[name]
		}
		return plain(t, said)
	}
	a := s.assessment
	d := document(plain(t, report.PatientOf(a, text.Catalogue{Zone: time.UTC, At: a.At})).(map[string]any))
	sets := func(a alerts.Assessment) []trends.Set { return report.SetsOf("", a.Digest.Sets).Sets } // as documents give them
	d["sets"] = part("sets", sets(a), sets(other.assessment))
	d["facts"] = part("facts", s.facts, other.facts)
	var open []any
	for _, i := range a.Recheck.Open {
		open = append(open, map[string]any{
			"rule": i.Rule, "trigger": plain(t, i.Trigger), "due_at": plain(t, i.Due), "met_from": plain(t, i.MetFrom),
			"facts": plain(t, i.Facts), "drug": i.Drug, "change": i.Change, "answer": plain(t, i.Answer), "answered": i.Answered, "ask": i.AskProvider,
		})
	}
	d["recheck"].(map[string]any)["open"] = open
	d["fluid_usable"] = map[string]any{
		"24h": []any{a.Exposures.Net24.Usable, text.Balance(a.Exposures.Net24)},
		"48h": []any{a.Exposures.Net48.Usable, text.Balance(a.Exposures.Net48)},
	}
	var shifts []any
	for _, s := range s.shifts {
		shifts = append(shifts, map[string]any{
			"from": s.From.String(), "to": s.To.String(), "net": plain(t, s.NetML), "hours": s.Hours, "usable": s.Usable, "facts": plain(t, s.Facts),
		})
	}
	d["shifts"] = shifts
	d["dose_steps"] = part("dose_steps", s.steps, other.steps)
	return d
}

// plain is a value as its JSON has it.
func plain(t *testing.T, v any) any {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	var out any
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// differ adds to paths where a and b differ. A list of another length differs as
// a whole; else its items have the path of the list.
func differ(paths map[string]bool, path string, a, b any) {
	switch x := a.(type) {
	case map[string]any:
		if y, ok := b.(map[string]any); ok {
			for name := range merged(x, y) {
				differ(paths, join(path, name), x[name], y[name])
			}
			return
		}
	case []any:
		if y, ok := b.([]any); ok && len(x) == len(y) {
			if len(x) > 0 && &x[0] == &y[0] {
				return // a part that was taken over
			}
			for n := range x {
				differ(paths, path, x[n], y[n])
			}
			return
		}
	}
	if !reflect.DeepEqual(a, b) {
		paths[path] = true
	}
}

func merged(a, b map[string]any) map[string]any {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

// join puts a name to a path; the latest set is one of the sets.
func join(path, name string) string {
	switch {
	case path == "" && name == "latest_set":
		return "sets"
	case path == "":
		return name
	}
	return path + "." + name
}

// differences lists the paths at which the documents of two sayings differ. The
// first one's document is kept in first, for the next time.
func differences(t *testing.T, a, b saying, first *document) []string {
	t.Helper()
	if reflect.DeepEqual(a, b) {
		return nil
	}
	if *first == nil {
		*first = a.document(t)
	}
	return changed(*first, b.documentLike(t, a, *first))
}

// changed lists the paths at which two documents differ.
func changed(a, b document) []string {
	paths := map[string]bool{}
	differ(paths, "", map[string]any(a), map[string]any(b))
	return slices.Sorted(maps.Keys(paths))
}

// within reports whether a path is, or lies in, a part of a reach.
func within(path, part string) bool {
	if part == "list" {
		return within(path, "tier") || within(path, "reasons") || within(path, "rank")
	}
	return path == part || strings.HasPrefix(path, part+".")
}

func withinAny(path string, reach []string) bool {
	return slices.ContainsFunc(reach, func(part string) bool { return within(path, part) })
}

func TestDifferencesAreFound(t *testing.T) {
	read := func(s string) document {
		var d document
		if err := json.Unmarshal([]byte(s), &d); err != nil {
			t.Fatal(err)
		}
		return d
	}
	for _, test := range []struct{ a, b, want string }{
		{`{"a":1,"b":{"c":[1,2]}}`, `{"a":1,"b":{"c":[1,2]}}`, ""},
		{`{"a":1}`, `{"a":2}`, "a"},
		{`{"a":null}`, `{"a":{"b":1}}`, "a"},
		{`{"a":{"b":1}}`, `{"a":{"c":1}}`, "a.b a.c"},
		{`{"a":[1,2]}`, `{"a":[1]}`, "a"},
		{`{"a":[{"b":1},{"b":2,"c":3}]}`, `{"a":[{"b":1},{"b":4,"c":3}]}`, "a.b"},
		{`{"latest_set":{"finding":"x"}}`, `{"latest_set":{"finding":"y"}}`, "sets.finding"},
	} {
		if got := strings.Join(changed(read(test.a), read(test.b)), " "); got != test.want {
			t.Errorf("%s to %s: %q, want %q", test.a, test.b, got, test.want)
		}
	}
	for path, want := range map[string]bool{
		"tier": true, "reasons.text": true, "rank": true, "sets.finding": true, "recheck.state": true,
		"recheck": false, "sets.findings": false, "sets": false, "ranks": false,
	} {
		if got := withinAny(path, []string{"list", "sets.finding", "recheck.state"}); got != want {
			t.Errorf("%s: %v", path, got)
		}
	}
}
