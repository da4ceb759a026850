package effect

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plumbline/internal/assess/assesstest"
	"plumbline/internal/clinical"
	"plumbline/internal/demo"
	"plumbline/internal/policy"
	"plumbline/seed"
)

// A unit is what was known of its stays at one moment, and what the default
// policy makes of it.
type unit struct {
	name      string
	charts    []clinical.Chart
	before    []saying
	documents []document // of before, as far as they were needed
	told      *told
}

func (u *unit) settle() {
	u.told = newTold()
	u.before = u.told.answer(u.charts, policy.Default().Policy, time.UTC)
	u.documents = make([]document, len(u.charts))
}

// changes lists, by stay, at which paths a policy changes what is said.
func (u *unit) changes(t *testing.T, p clinical.Policy) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for n, after := range u.told.answer(u.charts, p, time.UTC) {
		if paths := differences(t, u.before[n], after, &u.documents[n]); len(paths) > 0 {
			out[u.charts[n].StayID] = paths
		}
	}
	return out
}

// demoFeed is the demo's feed, read at its anchor.
func demoFeed(t *testing.T) *assesstest.Memory {
	t.Helper()
	files, err := seed.Files()
	if err != nil {
		t.Fatal(err)
	}
	feed := &assesstest.Memory{}
	for _, f := range files {
		if err := feed.Read(bytes.NewReader(f.Data), f.Name, time.UTC, demo.AnchorTime()); err != nil {
			t.Fatal(err)
		}
	}
	return feed
}

// demoUnits are the demo's units, at its anchor.
func demoUnits(t *testing.T) []unit {
	t.Helper()
	feed := demoFeed(t)
	versions, err := feed.Versions(context.Background(), feed.Stays())
	if err != nil {
		t.Fatal(err)
	}
	var out []unit
	for _, name := range []string{demo.MainUnit, demo.SecondUnit} {
		u := unit{name: "demo " + name}
		for _, stay := range feed.Stays() {
			if c := clinical.ChartAt(stay, versions[stay], demo.AnchorTime()); c.OnUnit(name) {
				u.charts = append(u.charts, c)
			}
		}
		out = append(out, u)
	}
	return out
}

// crowd draws stays whose values and times lie about the edges of the rules.
func crowd(stays int) unit {
	u := unit{name: "crowd"}
	for n := range stays {
		d := drawer{rand.New(rand.NewPCG(uint64(n), 7)), fmt.Sprintf("S%02d", n)}
		u.charts = append(u.charts, clinical.ChartAt(d.id, d.stay(), noon))
	}
	return u
}

// circumstances lay a scenario into the charts of patients about whom more is
// known, so that what it changes shows in other parts of the answer.
var circumstances = []struct {
	name string
	lay  func(facts) facts
}{
	{"alone", func(f facts) facts { return f }},
	{"cleared long ago", func(f facts) facts {
		return join2(f, set(236, 130, 100), set(210, 130, 125), set(190, 130, 125))
	}},
	{"cleared long ago, in bed", func(f facts) facts {
		return join2(inBed(f), set(236, 130, 100), set(210, 130, 125), set(190, 130, 125))
	}},
	{"a negative set since", func(f facts) facts { return join2(f, set(1, 130, 125)) }},
	{"a negative set since, in bed", func(f facts) facts { return join2(inBed(f), set(1, 130, 125)) }},
	{"a positive set two days ago, in bed", func(f facts) facts { return join2(inBed(f), set(60, 130, 100), set(55, 130, 125)) }},
	{"a positive set two days ago, a diuretic", func(f facts) facts {
		return join2(f, facts{order("furosemide", 40, 235, 0)}, set(60, 130, 100), set(55, 130, 125))
	}},
	{"a positive set two days ago and none since, in bed", func(f facts) facts { return join2(inBed(f), set(60, 130, 100)) }},
	{"a diuretic", func(f facts) facts { return append(slices.Clone(f), order("furosemide", 40, 235, 0)) }},
	{"a diuretic, in bed, a positive set two days ago", func(f facts) facts {
		return join2(inBed(f), facts{order("furosemide", 40, 235, 0)}, set(60, 130, 100), set(55, 130, 125))
	}},
	{"every precaution", func(f facts) facts { return join2(f, wholeBundle()) }},
}

// inBed is a patient who cannot stand for a recheck, with every precaution.
func inBed(f facts) facts {
	out := join2(f, wholeBundle())
	body := out[0].Body.(clinical.Stay)
	body.NotAmbulatory = true
	out[0].Body = body
	return out
}

// ward holds the scenario of a key and its further charts, in every circumstance,
// and others whom they may pass on the list.
func ward(e effect, others []clinical.Chart) unit {
	u := unit{name: "ward", charts: slices.Clone(others)}
	for n, f := range append([]facts{e.facts}, e.also...) {
		for _, c := range circumstances {
			d := drawer{id: fmt.Sprintf("chart %d %s", n, c.name)}
			u.charts = append(u.charts, clinical.ChartAt(d.id, d.own(c.lay(f)), noon))
		}
	}
	return u
}

// drawer draws the facts of one stay.
type drawer struct {
	*rand.Rand
	id string
}

func pick[T any](d drawer, values ...T) T { return values[d.IntN(len(values))] }

func (d drawer) hours(most float64) float64 { return float64(d.IntN(int(4*most))) / 4 }

// own gives facts of the scenarios to this stay, under names of its own.
func (d drawer) own(lists ...facts) facts {
	var out facts
	for n, v := range join2(lists...) {
		v.StayID = d.id
		v.SourceID = fmt.Sprintf("%s %s %d", d.id, v.SourceID, n)
		if v.Kind == clinical.KindStay {
			v.SourceID = d.id
		}
		out = append(out, v)
	}
	return out
}

func (d drawer) stay() facts {
	days := pick(d, 1.0, 2, 4, 12)
	lists := []facts{{stay(24*days, pick(d, 1930, 1944, 1955, 1963, 1990))}}
	for range d.IntN(7) {
		lists = append(lists, d.set(24*days))
	}
	for range d.IntN(4) {
		lists = append(lists, d.drug(24*days))
	}
	if d.IntN(2) == 0 {
		lists = append(lists, d.fluids())
	}
	for _, chance := range []func(float64) facts{d.fall, d.treatment, d.precautions, d.blood, d.code, d.strange} {
		if d.IntN(4) == 0 {
			lists = append(lists, chance(24*days))
		}
	}
	return d.own(lists...)
}

// set draws a set, at times with values that only some bounds believe.
func (d drawer) set(days float64) facts {
	lying := pick(d, 88.0, 92, 100, 115, 125, 130, 145, 165, 185, 245)
	standing := lying - pick(d, 0.0, 4, 6, 10, 20, 20, 24, 32, 45)
	changes := []change{
		later(pick(d, 1.0, 3, 5, 12, 18)),
		minutes(pick(d, 0.25, 1, 1.5, 3, 3, 5, 8)),
		diastolic(pick(d, 60.0, 80, 95, 125), pick(d, 25.0, 60, 70, 76, 85)),
		pulse(pick(d, 35.0, 60, 80), pick(d, 45.0, 75, 95, 155)),
	}
	switch d.IntN(12) {
	case 0:
		changes = append(changes, dizzy)
	case 1:
		changes = append(changes, stopped)
	case 2:
		changes = append(changes, noRest)
	case 3:
		changes = append(changes, sitting)
	case 4:
		changes = append(changes, onlyPressure)
	}
	at := d.hours(days)
	out := set(at, lying, standing, changes...)
	if d.IntN(3) == 0 { // a second lying reading before it, which may be the baseline
		out = append(out, set(at+0.15, lying+5, standing)[0])
	}
	return out
}

// sitting makes a set from lying to sitting.
func sitting(_, s *clinical.Vitals) { s.Position = clinical.Sitting }

// onlyPressure leaves readings of which nothing is used where it is not believed.
func onlyPressure(l, s *clinical.Vitals) { l.HeartRate, s.HeartRate = nil, nil }

// drug draws orders of one drug, with a pause, an overlap, another dose or
// another route between them, and doses given.
func (d drawer) drug(days float64) facts {
	name := pick(d, "lisinopril", "furosemide", "doxazosin", "amlodipine", "metoprolol", "hydrochlorothiazide", "sertraline", "midodrine", "Beetroot Powder")
	mg := pick(d, 5.0, 10, 40)
	from := pick(d, days-d.hours(30), d.hours(days), d.hours(days))
	out := facts{order(name, mg, from, 0)}
	if d.IntN(2) == 0 && from > 0 {
		end := d.hours(from) + 0.25
		out = facts{order(name, mg, from, end)}
		if next := end + pick(d, -60.0, -30, -10, -3, -1, 1, 3, 12); next > 0 && next < from {
			second := order(name, mg*pick(d, 1.0, 1, 2), next, 0)
			if d.IntN(3) == 0 {
				body := second.Body.(clinical.Order)
				body.Route = pick(d, "iv", "td") // no DDD by the second
				second.Body = body
			}
			out = append(out, second)
		}
	}
	for range pick(d, 0, 0, 3) {
		out = append(out, dose(name, mg, d.hours(min(days, 60))))
	}
	return out
}

func (d drawer) fluids() facts {
	from := pick(d, 24.0, 40, 48)
	to := pick(d, 0.0, 4, 10)
	return join2(balance(from, to, 300, pick(d, 500.0, 900, 1250, 1700, 2500, 6000)),
		facts{fluid("out", pick(d, "emesis", "stool", "blood_loss"), d.hours(60)+1, 0.5, pick(d, 60.0, 250, 450, 700))})
}

func (d drawer) fall(days float64) facts { return facts{fall(d.hours(days))} }

func (d drawer) treatment(days float64) facts { return facts{treatment(d.hours(days))} }

func (d drawer) precautions(float64) facts {
	if d.IntN(2) == 0 {
		return wholeBundle()
	}
	return facts{inPlace(pick(d, clinical.Precautions...))}
}

func (d drawer) blood(float64) facts {
	return facts{
		haemoglobin(pick(d, 20.0, 40, 100), 12.5), haemoglobin(5, pick(d, 8.0, 10.25, 11, 11.75)),
		weight(100, 70), weight(30, pick(d, 66.0, 68.25, 69, 72)),
	}
}

func (d drawer) code(float64) facts {
	return facts{fact("code", clinical.Final, clinical.Condition{ICD10: pick(d, "I48.0", "G20", "I50.1", "R29.6", "E11.9")})}
}

// strange draws a reading of which nothing but a doubtful value is charted.
func (d drawer) strange(days float64) facts {
	v := clinical.Vitals{TakenAt: ago(d.hours(days))}
	switch d.IntN(3) {
	case 0:
		v.Systolic = ptr(pick(d, 45.0, 250, 290))
	case 1:
		v.Diastolic = ptr(pick(d, 15.0, 130, 190))
	default:
		v.HeartRate = ptr(pick(d, 25.0, 160, 290))
	}
	return facts{fact("strange", clinical.Final, v)}
}

// No value of a key changes anything outside its reach, in the demo, in a crowd
// and in its own scenario in every circumstance; and every part of its reach is
// seen to change.
func TestAKeyChangesNothingElse(t *testing.T) {
	if testing.Short() {
		t.Skip("the longest property of all, which go test -short leaves out")
	}
	shared := append(demoUnits(t), crowd(60))
	patients := 0
	for n := range shared {
		shared[n].settle()
		patients += len(shared[n].charts)
	}
	if patients < 90 {
		t.Fatalf("only %d patients", patients)
	}
	for _, k := range policy.Keys() {
		t.Run(k.Path, func(t *testing.T) {
			units := slices.Clone(shared)
			e, shown := effectOf(k.Path)
			if shown {
				own := ward(e, shared[len(shared)-1].charts[:12])
				own.settle()
				units = append(units, own)
			} else {
				e = effect{to: unitKeys[k.Path].to}
			}
			seen := map[string]bool{}
			for _, value := range e.to {
				p := mustLoad(t, k.Path, value).Policy
				for n := range units {
					for stay, paths := range units[n].changes(t, p) {
						for _, path := range paths {
							seen[path] = true
							if !withinAny(path, k.Reach) {
								t.Errorf("%s changes %s of %s, %s", value, path, stay, units[n].name)
							}
						}
					}
				}
			}
			for _, part := range k.Reach {
				for _, part := range spelled(part) {
					if !slices.ContainsFunc(slices.Collect(maps.Keys(seen)), func(path string) bool { return within(path, part) }) {
						t.Errorf("%s is in its reach, and never changes", part)
					}
				}
			}
		})
	}
}

// spelled spells out the one part that stands for three.
func spelled(part string) []string {
	if part == "list" {
		return []string{"tier", "reasons", "rank"}
	}
	return []string{part}
}
